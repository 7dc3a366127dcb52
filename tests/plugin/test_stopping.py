"""The leg is at rest and without power before anybody else hears how its test ended; fixtures never move it."""

from __future__ import annotations

from pathlib import Path

import pytest

from legtest.canbus.wiremap import WireMap, feedback_decoders
from legtest.records.reading import Part, read_frames
from tests.plugin.conftest import Inner, Project

CONFTEST = """
from pathlib import Path
import pytest

def note(name, bench):
    with Path(name).open("x") as file:
        file.write(str(bench.now_ns()))

@pytest.fixture
def other(bench):
    yield
    note("teardown", bench)

def pytest_runtest_makereport(item, call):
    if call.when == "call":
        note("report", item.funcargs["bench"])
"""
POWERED = """
def test_it(other, bench, judge):
    power = bench.energised()
    power.__enter__()  # never left by the test
    bench.wait(0.1)
    {ending}
"""
ENDINGS = {
    "passes": ('judge(sag(1), at_most="2 mm")', 0),
    "fails": ('judge(sag(3), at_most="2 mm")', 1),
    "asserts": ("assert False", 1),
    "skips": ('pytest.skip("no more")', 0),
    "measures wrongly": ('raise MeasurementInvalid("slipped")', 10),
    "is interrupted": ("raise KeyboardInterrupt", 2),
    "exits": ("raise SystemExit(7)", 1),
    "ends pytest": ('pytest.exit("enough", 8)', 8),
}


PYTEST_REPORTS = (0, 1, 10)


def states(part: Part, wiremap: WireMap) -> list[tuple[int, str]]:
    """What one drive said of itself, from its statuswords on the wire, as (instant in ns, "on", "off" or "between")."""
    log = part.folder / "frames.log"
    frames = read_frames(log, 0, log.read_bytes().count(b"\n"))
    decoders = feedback_decoders(wiremap)
    found = []
    for frame in frames:
        decoder = decoders.get(frame.can_id)
        if decoder and "statusword" in decoder.roles:
            status = int(dict(zip(decoder.roles, decoder.values(frame.data), strict=True))["statusword"])
            on, off = wiremap.is_energised.holds(status), wiremap.is_off.holds(status)
            found.append((frame.t_ns, "on" if on else "off" if off else "between"))
    return found


def was_on_and_is_off(done: Inner, at_ns: int) -> None:
    (part,) = done.run.parts
    for wiremap in part.wiremaps:
        told = states(part, wiremap)
        before, after = [s for t, s in told if t <= at_ns], {s for t, s in told if t > at_ns}
        assert "on" in before, f"{wiremap.axis} was never energised: nothing is shown"
        assert before[-1] == "off"
        assert after <= {"off"}


@pytest.mark.parametrize(("ending", "code"), ENDINGS.values(), ids=ENDINGS.keys())
def test_power_is_off_before_the_report_and_before_teardown(ending: str, code: int, project: Project) -> None:
    project.pytester.makeconftest(CONFTEST)
    done = project.run(POWERED.format(ending=ending), apart=code not in PYTEST_REPORTS)
    assert done.ret == code, done.out
    for name in ("report", "teardown"):
        path = Path(project.pytester.path / name)
        if name == "report" and code not in PYTEST_REPORTS:
            continue  # the session ends at once
        was_on_and_is_off(done, int(path.read_text(encoding="ascii")))


REFUSED = "error: fixtures never energise: call homing.ensure(bench) and move in the test itself"


@pytest.mark.parametrize("setup", [True, False], ids=["in setup", "in teardown"])
@pytest.mark.parametrize("act", ["homing.ensure(bench)", "bench.energised().__enter__()", "bench.precheck()"])
def test_a_fixture_that_would_move_is_refused(setup: bool, act: str, project: Project) -> None:
    lines = (act, "yield") if setup else ("yield", act)
    done = project.run(
        f"@pytest.fixture\ndef mine(bench):\n    {lines[0]}\n    {lines[1]}\n"
        'def test_it(mine, bench, judge):\n    judge(sag(1), at_most="2 mm")\n'
    )
    assert REFUSED in done.out
    assert "Traceback" not in done.out
    assert (done.outcomes, done.ret) == ({"errors": 1} if setup else {"passed": 1, "errors": 1}, 1)
    (part,) = done.run.parts
    assert all(state != "on" for wiremap in part.wiremaps for _, state in states(part, wiremap))


def test_a_fixture_cannot_use_the_power_a_test_left_on(project: Project) -> None:
    """The bench a test leaves energised is stopped; what its fixture then asks for is refused."""
    done = project.run(
        "@pytest.fixture\ndef late(bench):\n    yield\n    bench.move_to([0.1, 0.1])\n"
        "def test_it(late, bench, judge):\n    power = bench.energised()\n    power.__enter__()\n"
        '    judge(sag(1), at_most="2 mm")\n'
    )
    assert "error: motion needs power" in done.out
    assert done.ret == 1
