"""What the guardian is made of, and what else holds when the worker does not: few files, few imports."""
