"""One bay's run, from the first connection to the last: looks, judges, switches. No figures, nothing heavy."""
