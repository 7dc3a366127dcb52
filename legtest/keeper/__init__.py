"""The live bus in a process of its own: what happens to the tests cannot leave a leg without its guard."""
