"""However a user's test ends while the leg moves, the leg has stopped before anybody hears of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hostile.attempt import NO_LATCH, NO_STOP, Attempt, Table, both, breaks, holds
from tests.plugin.conftest import FIXTURES, Project

RECURSION = "def down(n): return down(n + 1)\n    down(0)"
COLLECTED = "import gc; kept.clear(); gc.collect(); assert False"
AGAIN = """
def test_it(bench):
    try:
        with bench.energised():
            bench.wait(0.05)
            stranger(bench)
            violation(bench, "a stranger on the bus")
            bench.wait(1.0)
    except LegStopped:
        pass
    for _ in range(3):
        try:
            bench.precheck()
            with bench.energised():
                bench.wait(0.1)
        except LegStopped:
            pass
"""
FORGET_STOPS = (
    NO_LATCH
    + """
    from legtest.bench import Bench
    patch.setattr(Bench, "stopped", None)
    def renew(self, least_ns=0):
        return self._permit if self._powered else self._renew()
    patch.setattr(Bench, "_key", renew)"""
)


def ending(name: str, end: str, code: int = 1, *, apart: bool = False) -> Attempt:
    source = f'def test_it(bench):\n    moving(bench)\n    violation(bench, "the test ends")\n    {end}\n'
    return Attempt(name, source, NO_STOP, "I4|I5", code, timed=True, apart=apart)


ENDINGS = (
    ending("a failed assertion", "assert False"),
    ending("an exception", "raise ValueError('enough')"),
    ending("SystemExit", "raise SystemExit(0)"),
    ending("GeneratorExit", "raise GeneratorExit"),
    ending("MemoryError", "raise MemoryError"),
    ending("recursion without end", RECURSION),
    ending("a skipped rest", "pytest.skip('no more')", 0),
    ending("KeyboardInterrupt", "raise KeyboardInterrupt", 2, apart=True),
    ending("the end of pytest", "pytest.exit('enough', 0)", 2, apart=True),
    ending("a power context left to the garbage collector", COLLECTED),
    Attempt("a stop that is caught and gone on from", AGAIN, FORGET_STOPS, "I2|I14", 11, "foreign master", timed=True),
)


@both(ENDINGS)
def test_the_leg_is_off(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    holds(project, attempt, hostile_table)


@pytest.fixture
def slow_bench(tmp_path: Path) -> Path:
    """The simulated bench at 60 cycles/s."""
    text = (FIXTURES / "benches/simulated.yaml").read_text(encoding="utf-8").replace("250 /s", "60 /s")
    path = tmp_path / "slow.yaml"
    path.write_text(text.replace("../stands", str(FIXTURES / "stands")), encoding="utf-8")
    return path


@both(ENDINGS[:7])
def test_the_leg_is_off_at_60_cycles_a_second(
    attempt: Attempt, project: Project, hostile_table: Table, slow_bench: Path
) -> None:
    holds(project, attempt, hostile_table, slow_bench)


@both(ENDINGS)
def test_the_leg_is_off_without_defence(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    breaks(project, attempt, hostile_table)
