"""Says what a test is: packs, chemistries, quantities, steps, plans. Reads and writes nothing."""
