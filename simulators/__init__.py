"""A pretend bench: pack physics, SCPI devices with IEEE 488.2 status, clocks for tests."""
