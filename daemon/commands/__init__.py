"""What a person types, each command a few functions; nothing here is imported from below."""
