"""A run's journal, samples and frame log: writing, sealing, reading, verifying."""
