"""CAN frames, the link that carries them, and the map that says what they mean."""
