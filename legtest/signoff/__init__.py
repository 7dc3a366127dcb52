"""The sign-off of a bench: who has looked at it, what the bus showed meanwhile, and until when that holds.

One JSON file, written by a person at a terminal. It holds for one start of the computer, for these very files and
drives, and for one working day. What it claims it must show: the emergency stop as the bus saw it, and each joint moved
by hand as its encoder reported it.
"""

from legtest.signoff.reading import LONGEST, SignOff, read_signoff

__all__ = ["LONGEST", "SignOff", "read_signoff"]
