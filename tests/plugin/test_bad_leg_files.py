"""A bad leg file is one usage error for the whole session, with all that is wrong, before anything is recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plugin.conftest import FIXTURES, Project

TESTS = "def test_one(bench, joint, judge):\n    pass\n\ndef test_two(bench, judge):\n    pass\n"


def spoilt(folder: Path, name: str, old: str, new: str) -> Path:
    """A leg of the fixtures with something else in it."""
    text = (FIXTURES / f"legs/{name}.yaml").read_text(encoding="utf-8")
    assert old in text
    path = folder / f"{name}.yaml"
    path.write_text(text.replace(old, new, 1).replace("../drives", str(FIXTURES / "drives")), encoding="utf-8")
    return path


@pytest.mark.parametrize("workers", [(), ("-n", "2")], ids=["serial", "parallel"])
def test_two_bad_legs_are_one_usage_error(workers: tuple[str, ...], project: Project, tmp_path: Path) -> None:
    first = spoilt(tmp_path, "tarn-fl", '["-69 deg", "92 deg"]', '["-69", "92 deg"]')
    second = spoilt(tmp_path, "tarn-hopper", 'thigh: "160 mm"', 'thigh: "160 kg"')
    done = project.run(TESTS, *workers, legs=(first, second))
    assert done.ret == pytest.ExitCode.USAGE_ERROR, done.out
    assert done.out.count("-69 has no unit") == 1
    assert done.out.count("160 kg") == 1
    assert "Traceback" not in done.out
    assert "INTERNALERROR" not in done.out
    assert (done.outcomes, done.folders) == ({}, ())


@pytest.mark.parametrize("workers", [(), ("-n", "2")], ids=["serial", "parallel"])
def test_files_that_name_no_leg(workers: tuple[str, ...], project: Project, tmp_path: Path) -> None:
    first = spoilt(tmp_path, "tarn-fl", "leg: tarn-fl", "leg: [1]")
    second = spoilt(tmp_path, "tarn-hopper", "leg: tarn-hopper", "leg:")
    done = project.run(TESTS, *workers, legs=(first, second))
    assert done.ret == pytest.ExitCode.USAGE_ERROR, done.out
    assert all(done.out.count(f"{name}.yaml:") for name in ("tarn-fl", "tarn-hopper"))
    assert done.out.count("expected the leg's name") == 2
    assert (done.outcomes, done.folders) == ({}, ())
