"""A run's folder while it is written: rows and events that outlive a crash and a full disk."""
