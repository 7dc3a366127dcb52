"""Which names a description may use."""

from __future__ import annotations

import re

# The joints a leg may have, in the order of every row and matrix; a planar leg has no abduction.
JOINTS = ("abduction", "hip", "knee")
PLANAR_JOINTS = ("hip", "knee")

NAME = r"[A-Za-z0-9_][A-Za-z0-9._-]{0,63}"


def is_name(text: str) -> bool:
    """Whether a text may name a leg, stand, bench or quantity; such a name may also stand in a file name."""
    return re.fullmatch(NAME, text) is not None
