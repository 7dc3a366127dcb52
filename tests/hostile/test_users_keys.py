"""Whoever has no key that a passed pre-check gave him moves nothing, whatever he calls a key."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from tests.hostile.attempt import ANY_KEY, NO_GATE, Attempt, Table, both, breaks, holds
from tests.plugin.conftest import Project


def key(
    name: str, made: str, *, says: str = "no pre-check has passed", ready: str = "pass", without: str = ANY_KEY
) -> Attempt:
    body = f"    unpowered(bench)\n    {ready}\n    key = {made}\n    energise(bench, key)\n"
    source = f"def test_it(bench, leg):\n{body}"
    return Attempt(name, source, without, "I1|I2", says=says)


OTHERS = """from legtest import simulated_bench
    with simulated_bench(leg.path) as other:
        other.precheck()
        key = other._permit"""
ENDED = """bench.precheck()
    stranger(bench)
    violation(bench, "a stranger on the bus", "stop")
    bench._port._port.pump(bench.now_ns() + 100_000_000)
    loop_of(bench).state = loop_of(bench).state._replace(reaction=None)
    import copy, pickle
    key = bench._permit"""
SUBCLASS = """class Key(Permit):
        __slots__ = ()
        __eq__ = lambda self, other: True
        __hash__ = lambda self: 0"""
COPY = "a permit is neither copied nor pickled"
COPIED = (
    ANY_KEY
    + """
    from legtest.safety.permit import Permit
    patch.setattr(Permit, "__reduce__", lambda self: (Permit, tuple(self)))"""
)
KEYS = (
    key("a word for a key", '"yes"'),
    key("a forged key", 'Permit(bytes(16), "motion")'),
    key("a key without a maker", "object.__new__(object)"),
    key("a key of a subclass that equals everything", 'Key(bytes(16), "motion")', ready=SUBCLASS),
    key("the key of another bench", "key", ready=OTHERS),
    key("the key from before a violation", "key", ready=ENDED, says="void"),
    key("a pickled copy of a void key", "pickle.loads(pickle.dumps(key))", ready=ENDED, says=COPY, without=COPIED),
    key("a deep copy of a void key", "copy.deepcopy(key)", ready=ENDED, says=COPY, without=COPIED),
)
# A permit of three seconds stands for the half hour of a real one.
SHORT = """
import legtest.wiring as wiring
from dataclasses import replace
whole = wiring.setup_of
patch.setattr(wiring, "setup_of", lambda *a: replace(whole(*a), permit_ns=3_000_000_000))
"""
LUNCH = """
def test_it(bench):
    bench.precheck()
    object.__setattr__(bench, "_permit_end", 10**15)
    bench.rest(3.5)
    violation(bench, "the permit ends")
    energise(bench, bench._permit)
"""
LIMITS = """
def test_it(bench):
    power(bench)
    loop = loop_of(bench)
    violation(bench, "somebody reaches for the limits")
    loop.access.write(0, ObjectWrite(0x6072, 0, 2, 4000, "maximum torque"))
"""
SET_POINT = """
def test_it(bench):
    bench._powered = True
    axis = loop_of(bench).setup.axes[0]
    send(bench, {frame})
"""
ENABLE, RESET = 'axis.node + 0x200, b"\\x0f\\x00"', 'axis.node + 0x200, b"\\x80\\x00"'
POINT = "axis.command[0].can_id, bytes(8)"
GATED = (
    Attempt("a permit from before lunch", LUNCH, ANY_KEY, "I2|I14", conftest=SHORT, says="permit has ended"),
    Attempt("a limit written in mid-run", LIMITS, NO_GATE, "I9", says="while the leg is powered", timed=True),
    Attempt("a controlword sent by hand", SET_POINT.format(frame=ENABLE), NO_GATE, "I1", says="no permit"),
    Attempt("a set-point sent by hand", SET_POINT.format(frame=POINT), NO_GATE, "I1", says="no permit"),
    Attempt("a fault reset sent by hand", SET_POINT.format(frame=RESET), NO_GATE, "I1", says="harmless"),
)
ALL = KEYS + GATED


@both(ALL)
def test_nothing_moves(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    holds(project, attempt, hostile_table)


@both(ALL)
def test_nothing_moves_without_defence(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    breaks(project, attempt, hostile_table)


FORGED = replace(KEYS[1], name="a forged key, python -O", apart=True, args=("-W", "ignore::pytest.PytestConfigWarning"))
GUESSED = "import secrets; secrets.token_bytes.__doc__\n    assert secrets.SHADOW"
SHADOWED = replace(
    key("a forged key with a shadowed random source", 'Permit(bytes(16), "motion")', ready=GUESSED), apart=True
)


def test_nothing_hangs_on_assertions(project: Project, hostile_table: Table, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONOPTIMIZE", "1")
    holds(project, FORGED, hostile_table)
    breaks(project, FORGED, hostile_table)


def test_a_shadowed_module_opens_nothing(
    project: Project, hostile_table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A random source that always says the same makes keys that can be guessed; before a pre-check there is none."""
    shadow = "from random import SystemRandom\nSHADOW = True\n\ndef token_bytes(n=16):\n    return bytes(n)\n\n"
    shadow += "def token_hex(n=16):\n    return '0' * 2 * n\n\ndef randbits(n):\n    return 0\n"
    (project.pytester.path / "secrets.py").write_text(shadow, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", f"{project.pytester.path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}")
    holds(project, SHADOWED, hostile_table)
    breaks(project, SHADOWED, hostile_table)
