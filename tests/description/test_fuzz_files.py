"""Whatever the bytes are, a reader returns a description or raises DescriptionError, within a second."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from good_leg import BENCH, LEG, STAND
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from legtest.description import light_read, read_bench, read_leg, read_stand
from legtest.errors import DescriptionError, Problem

READERS = [(read_leg, LEG), (read_stand, STAND), (read_bench, BENCH), (light_read, LEG)]
PIECES = ["{", "}", "[", "]", ":", ": ", "- ", "\n", "\t", "  ", "&a ", "*a", "!!int ", "!<x> ", "? ", "| \n", "> \n"]
PIECES += ["<<: ", "~", "no", "012", "1e999", "nan deg", "0x", "\\x", "\u2028"]
PIECES += ['"', "'", "#", "%YAML 9\n", "---\n", "...\n"]

quick = settings(deadline=1000, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
pytestmark = pytest.mark.parametrize(("read", "good"), READERS, ids=["leg", "stand", "bench", "light"])


def survives(read: Callable[[Path], object], path: Path, raw: bytes) -> None:
    path.write_bytes(raw)
    problems = (Problem("", "", "none"),)
    try:
        read(path)
    except DescriptionError as error:
        problems = error.problems
    assert problems
    assert all(problem.message for problem in problems)


@quick
@given(raw=st.binary(max_size=300))
def test_random_bytes(tmp_path: Path, read: Callable[[Path], object], good: str, raw: bytes) -> None:
    survives(read, tmp_path / "x.yaml", raw)


@quick
@given(data=st.data())
def test_mutated_files(tmp_path: Path, read: Callable[[Path], object], good: str, data: st.DataObject) -> None:
    text = good
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 20)))
        text = text[:start] + data.draw(st.sampled_from(PIECES) | st.text(max_size=5)) + text[end:]
    survives(read, tmp_path / "x.yaml", text.encode("utf-8", "surrogatepass"))


tree = st.recursive(
    st.sampled_from(["1", "12 N*m", "deg", "", "no", "~", "-5 %"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["at_most", "own", "hip", "x"]), inner),
    max_leaves=6,
)


@quick
@given(value=tree, key=st.sampled_from(["leg", "geometry", "joints", "coupling", "criteria", "decision", "simulation"]))
def test_any_structure_under_any_key(
    tmp_path: Path, read: Callable[[Path], object], good: str, value: object, key: str
) -> None:
    lines = [line for line in good.splitlines() if not line.startswith(f"{key}:")]
    survives(read, tmp_path / "x.yaml", "\n".join([*lines, f"{key}: {flow(value)}"]).encode())
    survives(read, tmp_path / "x.yaml", f"{key}: {flow(value)}".encode())


def flow(value: object) -> str:
    """A nest of dicts, lists and texts as YAML in one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {flow(item)}" for key, item in value.items()) + "}"
    return "[" + ", ".join(map(flow, value)) + "]" if isinstance(value, list) else str(value)
