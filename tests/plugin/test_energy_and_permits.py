"""Energy classes in their order, permits that last long enough or are renewed in time, sessions that end too early."""

from __future__ import annotations

import pytest

from legtest.errors import NotRun
from legtest.guard import EnergyOrder
from tests.plugin.conftest import Project

# Procedures made up for the purpose: they record nothing and measure nothing.
MADE_UP = """
from dataclasses import replace
import legtest.procedures.homing as h
import legtest.procedures.base as base

def made_up(energy_class, duration_s=1.0):
    return replace(
        h.DECLARATION, name=f"class {energy_class}", per_joint=False, energy_class=energy_class, duration_s=duration_s,
        move=lambda bench: None, evaluate=lambda recorded: (),
    )

"""
ORDER = (
    MADE_UP
    + """
@pytest.fixture(autouse=True)
def one_bench(bench, leg):
    # What a live session does: one bench for all tests.
    bench.energy = ONE
    return bench

from legtest.guard import EnergyOrder
ONE = EnergyOrder()
ONE.strict = True

def test_impact_too_early(bench):
    base.run(made_up(3), bench)

def test_free_motion_fails(bench, judge):
    base.run(made_up(2), bench)
    judge(sag(3), at_most="2 mm")

def test_impact_still_too_early(bench):
    base.run(made_up(3), bench)

def test_free_motion(bench, judge):
    base.run(made_up(2), bench)
    judge(sag(1), at_most="2 mm")

def test_impact(bench):
    base.run(made_up(3), bench)

def test_unattended(bench):
    ONE.allowed = 1
    base.run(made_up(1), bench)
    base.run(made_up(2), bench)

def test_no_power(bench):
    ONE.allowed = 0
    with bench.energised():
        pass
"""
)


def test_the_order_is_kept_as_the_run_goes(project: Project) -> None:
    done = project.run(ORDER)
    words = {test.test.partition("::test_")[2].partition("[")[0]: test.word for test in done.run.tests}
    assert words == {
        "impact_too_early": "not run",
        "free_motion_fails": "fail",
        "impact_still_too_early": "not run",
        "free_motion": "pass",
        "impact": "pass",
        "unattended": "not run",
        "no_power": "not run",
    }
    assert "class 3: energy class 3 comes after a passed test of class 2" in done.out
    assert "class 2: energy class 2; this bench is permitted 1 at most" in done.out
    assert "this bench is not permitted to apply power" in done.out


def test_a_simulated_leg_needs_no_order() -> None:
    order = EnergyOrder()
    order.begin(3, "impact")
    order.strict = True
    with pytest.raises(NotRun, match="comes after a passed test of class 2"):
        order.begin(3, "impact")


SHORT = """
import pytest
import legtest.wiring as wiring
from dataclasses import replace

patch = pytest.MonkeyPatch()
whole = wiring.setup_of
patch.setattr(wiring, "setup_of", lambda *a: replace(whole(*a), permit_ns=20_000_000_000))

def pytest_unconfigure():
    patch.undo()
"""


def test_a_test_longer_than_a_permit_is_refused_at_collection(project: Project) -> None:
    project.pytester.makeconftest(SHORT)
    source = '@pytest.mark.leg_duration("{}")\ndef test_it(bench):\n    pass\n'
    done = project.run(source.format("21 s"))
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert "longer than the 20 s that a permit lasts; cut the test in two:" in done.out
    assert "test_user.py::test_it[tarn-hopper]: 21 s" in done.out
    assert done.folders == ()
    assert project.run(source.format("10 s")).ret == 0
    assert "leg_duration takes one text with a unit" in project.run(source.format("10 kg")).out


RENEWED = (
    MADE_UP
    + """
def test_it(bench):
    bench.precheck()
    bench.rest(8.0)
    base.run(made_up(1, 6.0), bench)     # 11 s are left, which is enough
    assert len(bench.prechecks) == 1
    bench.arrange(SetUp.MASS)
    base.run(made_up(1, 9.0), bench)
    assert len(bench.prechecks) == 2
    assert bench.setup is SetUp.CLAMPED and not bench.homed
    base.run(made_up(1, 30.0), bench)
"""
)


def test_a_permit_is_renewed_before_a_procedure_that_it_would_not_outlast(project: Project) -> None:
    project.pytester.makeconftest(SHORT)
    done = project.run("from legtest import SetUp\n" + RENEWED)
    assert "class 1: takes 30 s, longer than a permit lasts" in done.out
    assert sum(event.kind == "precheck" for event in done.run.parts[0].events) == 2


UNCUT = """
import numpy as np

def test_it(bench):
    bench.precheck()
    bench.rest(15.0)
    with bench.recording("a long hold", None, "it lasts") as recording, bench.energised():
        bench.wait(1.0)
        bench.wait(30.0)
"""


def test_a_measurement_is_never_cut_in_two(project: Project) -> None:
    """What would outlast its permit is refused before it moves, not renewed in the middle."""
    project.pytester.makeconftest(SHORT)
    done = project.run(UNCUT.replace("rest(15.0)", "rest(1.0)"))
    assert "the motion would outlast its permit" in done.out, done.out
    assert done.ret == 1


def test_a_session_ended_early_is_no_success(project: Project) -> None:
    source = (
        'def test_one(bench, judge):\n    judge(sag(1), at_most="2 mm")\n\n'
        'def test_two(bench):\n    pytest.exit("enough", 0)\n'
    )
    done = project.run(source, apart=True)
    assert done.ret == pytest.ExitCode.INTERRUPTED
    assert not done.run.complete
    after = project.run('def test_one(bench, judge):\n    judge(sag(1), at_most="2 mm")\n')
    assert after.ret == 0
    assert f"legtest: runs/{done.folders[0].name} was not completed: it counts as failed" in after.out
    assert after.out.count("was not completed") == 1
