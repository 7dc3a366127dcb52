"""A leg's name and joints, read without the schema: enough to name tests, quick enough for collection."""

from __future__ import annotations

from pathlib import Path

from legtest.description.names import JOINTS, is_name
from legtest.description.nodes import load, lookup


def light_read(path: str | Path) -> tuple[str, tuple[str, ...]]:
    """The leg's name and its joints' names in their usual order.

    Raises DescriptionError when the file cannot be read, or says neither; everything else in it is left to `read_leg`.
    """
    document = load(path)
    name = lookup(document.tree, "leg")
    if not isinstance(name, str) or not is_name(name):
        document.report(("leg",), "expected the leg's name in letters, digits, '-', '_' or '.', like `leg: tarn-fl`")
    joints = lookup(document.tree, "joints")
    names = tuple(joint for joint in JOINTS if isinstance(joints, dict) and joint in joints)
    if not names:
        document.report(("joints",), f"expected a section with joints among {', '.join(JOINTS)}")
    document.raise_problems()
    return str(name), names
