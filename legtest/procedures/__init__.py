"""Bench procedures: each a declaration, a move that needs a bench, and a pure evaluation."""
