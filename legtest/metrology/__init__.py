"""Measurements with their uncertainty, statistics of repeats, signals, and decision rules."""
