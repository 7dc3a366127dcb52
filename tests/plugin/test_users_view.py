"""What somebody meets who has legtest installed and a directory of their own: public names only."""

from __future__ import annotations

import pickle
import re
import subprocess
import sys
from importlib import reload
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import legtest
from legtest.description import read_leg
from legtest.errors import NotPermitted, UsageError
from tests.plugin.conftest import FIXTURES, HOPPER, Project

HOW_TO = FIXTURES.parent / "docs/how-to/write-your-own-test.md"
BUILT_IN, OWN_MOTION, SCRIPT = re.findall(r"```python\n(.*?)```", HOW_TO.read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.parametrize("text", [OWN_MOTION, BUILT_IN], ids=["own motion", "built-in procedure"])
def test_a_users_own_file_is_run_and_judged(text: str, tmp_path: Path) -> None:
    (tmp_path / "test_mine.py").write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-W", "error", "--leg", str(HOPPER)]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 passed" in done.stdout
    for joint in ("hip", "knee"):
        assert re.search(rf"{joint} (pointing error|homing repeatability) +-?\d.* pass\n", done.stdout)
    assert re.search(r"simulated \d+ s in \d+ s, [\d.]+ times real time\nreport: runs/.*/report.html\n", done.stdout)
    (run,) = (tmp_path / "runs").glob("*/")
    assert (run / "report.html").stat().st_size > 10_000


def test_a_fault_that_is_put_in_is_said_and_found(project: Project) -> None:
    fault = "--leg-fault=loose-end-stop@hip=2 deg"
    done = project.run("def test_it(bench, joint, judge):\n    judge(*homing.run(bench, joint))\n", fault, "-k", "hip")
    assert "SIMULATED, seed 1, faults put in: loose-end-stop@hip=2 deg" in done.out
    assert (done.ret, done.outcomes) == (1, {"failed": 1, "deselected": 1})
    assert done.run.header.faults == ("loose-end-stop@hip=2 deg",)


def test_simulated_time_is_added_up(project: Project) -> None:
    done = project.run(
        "def test_a(bench, judge):\n    homing.ensure(bench)\n    bench.rest(50.0)\n    judge(sag(1), at_most='2 mm')\n"
    )
    said = re.search(r"simulated (\d+) s in (\d+) s, ([\d.]+) times real time", done.out)
    assert said is not None
    assert int(said[1]) == round(done.run.parts[0].events[-1].t_ns * 1e-9)
    assert int(said[1]) > 50
    assert float(said[3]) > 1


# ---------------------------------------------------------------------- public names
def test_all_is_what_there_is() -> None:
    names = legtest.__all__
    assert names == sorted(names)
    assert len(names) == len(set(names))
    for name in names:
        assert getattr(legtest, name) is not None
    assert set(names) <= set(dir(legtest))
    own = {path.stem for path in Path(legtest.__file__).parent.iterdir()}
    used = {"ModuleType", "TYPE_CHECKING", "annotations", "find_spec", "import_module", "module_from_spec", "sys"}
    extra = {name for name in vars(legtest) if name.isidentifier() and not name.startswith("_")} - set(names)
    assert extra <= own | used


def test_a_misspelt_name_says_what_there_is() -> None:
    with pytest.raises(AttributeError, match=r"module 'legtest' has no attribute 'homeing'; it has .*homing"):
        legtest.homeing  # noqa: B018


NAMES = """
import sys, legtest
loaded = {name.split('.')[0] for name in sys.modules}
assert not loaded & {'numpy', 'mujoco', 'can', 'pydantic', 'yaml'}, loaded
from legtest import homing, tracking
assert 'numpy' not in sys.modules
import legtest.procedures.homing as same
assert same is homing and 'numpy' not in sys.modules
assert homing.DECLARATION.name == 'homing repeatability'
assert 'numpy' in sys.modules
from legtest import *
assert simulated_bench and measured and NotRun
print('good')
"""


def test_names_are_loaded_when_used() -> None:
    done = subprocess.run([sys.executable, "-c", NAMES], capture_output=True, text=True, check=False)
    assert done.stdout == "good\n", done.stderr


def test_measurements_and_functions_can_be_pickled() -> None:
    made = legtest.measured("sag", 3.1, u=0.2, unit="mm")
    assert pickle.loads(pickle.dumps(made)) == made  # noqa: S301
    assert pickle.loads(pickle.dumps(legtest.homing.evaluate)) is legtest.homing.evaluate  # noqa: S301


def test_a_procedure_can_be_loaded_again() -> None:
    assert reload(legtest.carriage) is legtest.carriage
    assert legtest.carriage.DECLARATION.name


# ---------------------------------------------------------------------- a bench in a script
def test_the_script_of_the_how_to(tmp_path: Path) -> None:
    code = SCRIPT.replace('"leg.yaml"', repr(str(HOPPER)))
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert [float(text) for text in done.stdout.strip("()\n").split(",")] == pytest.approx([0.1, -0.3], abs=0.05)
    assert list(tmp_path.iterdir()) == []  # no record


def test_a_simulated_bench_in_a_script() -> None:
    seen = []
    for seed in (1, 1, 2):
        with legtest.simulated_bench(HOPPER, seed=seed) as bench:
            legtest.homing.ensure(bench)
            with bench.energised():
                bench.move_to([0.2, -0.4])
                bench.wait(0.3)
            seen.append(bench.sample())
        with pytest.raises(NotPermitted, match="the bench is closed"), bench.energised():
            pass
    assert seen[0] == seen[1]
    assert seen[0] != seen[2]
    with legtest.simulated_bench(read_leg(HOPPER), faults=["friction@hip=2"]) as bench:
        assert bench.leg.name == "tarn-hopper"
        assert not bench.homed
    wrong = legtest.simulated_bench(HOPPER, faults=["frictoin"])
    with pytest.raises(UsageError, match="did you mean 'friction'"), wrong:
        pass


def test_an_exception_in_a_script_takes_the_power_off() -> None:
    with legtest.simulated_bench(HOPPER) as bench:
        with pytest.raises(ZeroDivisionError), bench.energised():
            1 / 0  # noqa: B018
        with pytest.raises(UsageError, match="without power; `wait` holds a powered one"), bench.energised():
            bench.rest(0.1)
        bench.rest(0.1)


@given(hip=st.floats(-0.5, 0.5), knee=st.floats(-1.0, 0.0))
@settings(max_examples=4, deadline=None)
def test_a_law_on_a_simulated_leg(hip: float, knee: float) -> None:
    """The leg comes to where it is sent, within the droop that its drives' stiffness leaves."""
    with legtest.simulated_bench(HOPPER) as bench:
        legtest.homing.ensure(bench)
        with bench.energised():
            bench.move_to([hip, knee])
            bench.wait(0.5)
            assert bench.demand_rad == pytest.approx([hip, knee], abs=1e-3)
            assert bench.sample().joints_rad == pytest.approx([hip, knee], abs=0.05)
