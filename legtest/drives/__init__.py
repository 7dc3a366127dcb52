"""Compilers from a drive's description to the plain data that the loop runs."""
