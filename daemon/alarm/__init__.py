"""What people are told wherever they are, by a process of its own."""
