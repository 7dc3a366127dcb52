"""Runs beside each other: baselines and comparison, the history of a leg and its trends."""
