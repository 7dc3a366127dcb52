"""Options: what is wrong is one clear message and exit code 4, before anything is opened or recorded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.plugin.conftest import FIXTURES, HOPPER, Project

TEST = 'def test_it(bench, judge):\n    judge(sag(1), at_most="2 mm")\n'
REHEARSAL = str(FIXTURES / "benches/rehearsal.yaml")
LIVE = ("--live", f"--bench={REHEARSAL}", "--signoff=signoff.json")
TYPED = "--live came from configuration, the environment or a file: it must be typed"


def refused(project: Project, *args: str, legs: tuple[Path, ...] = (HOPPER,), source: str = TEST) -> str:
    """What an inner run says that is refused as a whole."""
    done = project.run(source, *args, legs=legs)
    assert done.ret == pytest.ExitCode.USAGE_ERROR, done.out
    assert done.outcomes == {}
    assert done.folders == ()
    for noise in ("Traceback", "INTERNALERROR", "UsageError"):
        assert noise not in done.out
    return done.out


def test_no_leg(project: Project) -> None:
    done = project.run(TEST, legs=())
    assert "these tests need a leg: add --leg FILE" in done.out
    assert "Traceback" not in done.out
    assert done.ret == pytest.ExitCode.INTERRUPTED
    assert done.folders == ()


def test_tests_without_a_leg_are_left_alone(project: Project) -> None:
    for legs in ((), (HOPPER,)):
        done = project.run("def test_it():\n    pass\n", legs=legs)
        assert (done.ret, done.outcomes, done.folders) == (0, {"passed": 1}, ())


def test_missing_leg_file(project: Project) -> None:
    assert "nowhere.yaml: there is no such file" in refused(project, legs=(Path("nowhere.yaml"),))


def test_a_leg_file_broken_in_two_places(project: Project) -> None:
    """The name and the joints are readable, so collection succeeds; everything else is said at once."""
    text = HOPPER.read_text(encoding="utf-8").replace("../drives/", f"{FIXTURES}/drives/")
    text = text.replace('thigh: "160 mm"', "thigh: 160").replace("rated_torque: ", "rated_torqe: ", 1)
    project.pytester.path.joinpath("leg.yaml").write_text(text, encoding="utf-8")
    said = refused(project, legs=(Path("leg.yaml"),))
    line = 1 + text.splitlines().index(next(x for x in text.splitlines() if "thigh: 160" in x))
    assert f"leg.yaml:{line}" in said
    assert "rated_torqe" in said
    assert "rated_torque" in said


NO_LEGS = ["leg: [", "- a\n- b\n", "", "leg: x\njoints: 3\n", "\x00", "leg: !!python/object:os.system x"]


@pytest.mark.parametrize("text", NO_LEGS)
def test_a_leg_file_that_is_none(text: str, project: Project) -> None:
    project.pytester.path.joinpath("leg.yaml").write_text(text, encoding="utf-8")
    assert "ERROR: leg.yaml" in refused(project, legs=(Path("leg.yaml"),))


def test_a_huge_leg_file(project: Project) -> None:
    project.pytester.path.joinpath("leg.yaml").write_text("leg: tarn\n" + "# stream\n" * 400_000, encoding="utf-8")
    assert "leg.yaml: larger than" in refused(project, legs=(Path("leg.yaml"),))


def test_two_legs_of_one_name(project: Project) -> None:
    copy = project.pytester.path / "copy.yaml"
    copy.write_text(HOPPER.read_text(encoding="utf-8"), encoding="utf-8")
    said = refused(project, legs=(HOPPER, copy))
    assert f"--leg: {HOPPER} and {copy} both describe a leg named 'tarn-hopper'" in said


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["--leg-fault=frictoin"], "fault 'frictoin' is not known: did you mean 'friction'?"),
        (["--leg-fault=backlash=3"], "fault 'backlash=3': "),
        (["--leg-fault=backlash@elbow"], "the leg has no joint 'elbow'; its joints are hip, knee"),
        (["--leg-fault=friction", "--leg-fault=friction"], "is given twice"),
        (["--leg-seed=many"], "argument --leg-seed: invalid int value: 'many'"),
        (["--bench=nowhere.yaml"], "nowhere.yaml: there is no such file"),
        ([*LIVE, "--leg-fault=friction"], "--leg-seed and --leg-fault belong to the simulation"),
        ([*LIVE, "--leg-seed=3"], "--leg-seed and --leg-fault belong to the simulation"),
        ([*LIVE, "-n", "2"], "--live runs in one process: leave out -n"),
        ([*LIVE, "--tx=2*popen", "--dist=load"], "--live runs in one process: leave out -n"),
        (["--live"], "--live needs --bench and --signoff"),
        (["--live", "--signoff=x"], "--live needs --bench"),
        (LIVE[:2], "--live needs --signoff"),
    ],
)
def test_refused(args: list[str], message: str, project: Project) -> None:
    assert message in refused(project, *args)


def test_live_needs_one_leg(project: Project) -> None:
    assert "--live needs --leg" in refused(project, *LIVE, legs=())
    both = (HOPPER, FIXTURES / "legs/tarn-fl.yaml")
    assert "--live takes exactly one --leg, not 2" in refused(project, *LIVE, legs=both)


def _addopts(project: Project, patch: pytest.MonkeyPatch) -> list[str]:
    project.pytester.makeini("[pytest]\naddopts = --live\n")
    return []


def _environment(project: Project, patch: pytest.MonkeyPatch) -> list[str]:
    patch.setenv("PYTEST_ADDOPTS", "--live")
    return []


def _override(project: Project, patch: pytest.MonkeyPatch) -> list[str]:
    return ["-o", "addopts=--live"]


def _file(project: Project, patch: pytest.MonkeyPatch) -> list[str]:
    (project.pytester.path / "more").write_text("--live\n", encoding="utf-8")
    return ["@more"]


def _conftest(hook: str) -> Callable[[Project, pytest.MonkeyPatch], list[str]]:
    def write(project: Project, patch: pytest.MonkeyPatch) -> list[str]:
        project.pytester.makeconftest(f"def {hook}:\n    config.option.live = True\n")
        return []

    return write


@pytest.mark.parametrize(
    "way",
    [
        _addopts,
        _environment,
        _override,
        _file,
        _conftest("pytest_configure(config)"),
        _conftest("pytest_cmdline_main(config)"),
        _conftest("pytest_collection_modifyitems(config, items)"),
    ],
    ids=["addopts", "environment", "override", "file", "configure", "cmdline_main", "modifyitems"],
)
def test_live_must_be_typed(
    way: Callable[[Project, pytest.MonkeyPatch], list[str]], project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert TYPED in refused(project, *way(project, monkeypatch), *LIVE[1:])


def test_a_sign_off_that_is_none(project: Project) -> None:
    assert "signoff.json: the sign-off cannot be read" in refused(project, *LIVE)


@pytest.mark.parametrize("parallel", [[], ["-n", "2"]], ids=["serial", "parallel"])
def test_a_place_for_records_that_cannot_be_written(parallel: list[str], project: Project) -> None:
    project.pytester.path.joinpath("taken").write_text("a file", encoding="utf-8")
    for place in ("taken", "/proc/nowhere"):
        said = refused(project, f"--leg-runs={place}", *parallel)
        assert f"ERROR: {place}" in said
        assert "or name another directory with --leg-runs DIR" in said


def test_one_id_for_two_tests(project: Project) -> None:
    """pytest's ids lose the file's name when it lies outside its root directory."""
    root = project.pytester.mkdir("elsewhere")
    (root / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    (project.pytester.path / "test_other.py").write_text("def test_it(bench):\n    pass\n", encoding="utf-8")
    said = refused(project, f"--rootdir={root}", f"--config-file={root}/pytest.ini", "test_user.py", "test_other.py")
    assert "two tests have the id '::test_it[tarn-hopper]'" in said
    assert "--rootdir" in said


def test_the_mark_of_a_required_test_is_known(project: Project) -> None:
    done = project.run("@pytest.mark.leg_required\ndef test_it():\n    pass\n", "--strict-markers", legs=())
    assert done.ret == 0
