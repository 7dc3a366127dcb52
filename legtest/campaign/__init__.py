"""Proof by attack: a swarm of seeded faults against the loop, judged by an observer that shares no code with it."""
