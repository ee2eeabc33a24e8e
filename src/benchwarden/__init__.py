"""benchwarden: unattended tests of rechargeable packs on a bench of SCPI instruments."""
