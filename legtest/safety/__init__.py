"""Loop, motion monitor, gate, permits and pre-check: everything between a wish to move and the wire."""
