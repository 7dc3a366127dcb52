"""A simulated leg on its stand behind a CAN bus in virtual time."""
