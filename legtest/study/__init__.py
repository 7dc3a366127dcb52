"""Which faults a suite catches, how surely, and whether its uncertainties hold: many simulated legs, one table."""
