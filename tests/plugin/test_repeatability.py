"""Same seed, same frames, byte for byte: whatever the process, the order, the selection and the number of workers."""

from __future__ import annotations

from hashlib import sha256

import pytest

from legtest.records.reading import verify
from tests.plugin.conftest import Inner, Project

SOURCE = """
def test_homing(bench, joint, judge):
    homing.ensure(bench)
    judge(sag(1), at_most="2 mm")

def test_small_move(bench, judge):
    homing.ensure(bench)
    with bench.energised():
        bench.move_to([0.1, -0.1])
    judge(sag(1), at_most="2 mm")
"""
REVERSED = "def pytest_collection_modifyitems(items):\n    items.reverse()\n"


def hashes(done: Inner) -> dict[str, str]:
    """SHA-256 of the frame log of each test."""
    assert done.ret == 0, done.out
    return {test: sha256(log).hexdigest() for test, log in done.frame_logs().items()}


@pytest.mark.slow
def test_frames_follow_from_seed_and_test_alone(project: Project) -> None:
    forwards = project.run(SOURCE)
    first, order = hashes(forwards), [end.test for end in forwards.run.tests]
    assert len(first) == len(set(first.values())) == 3  # no two tests see the same leg behave the same
    assert hashes(project.run(None, apart=True)) == first
    homing = {test: value for test, value in first.items() if "test_homing" in test}
    assert hashes(project.run(None, "-k", "homing and knee")).items() < homing.items()
    assert hashes(project.run(None, "--deselect", "test_user.py::test_small_move")) == homing
    project.pytester.makeconftest(REVERSED)
    backwards = project.run(None, apart=True)
    assert [end.test for end in backwards.run.tests] == list(reversed(order))
    assert hashes(backwards) == first
    other = hashes(project.run(None, "--leg-seed=2"))
    assert other.keys() == first.keys()
    assert not set(other.values()) & set(first.values())


@pytest.mark.slow
def test_two_workers_make_one_run_of_the_same_parts(project: Project) -> None:
    serial = project.run(SOURCE)
    parallel = project.run(None, "-n", "2", apart=True)
    assert parallel.outcomes == {"passed": 3}
    assert hashes(parallel) == hashes(serial)
    assert len(parallel.folders) == 2  # one run for both workers
    assert verify(parallel.folders[-1]) == []
    assert len(parallel.junit()) == 3
    assert parallel.out.count("report: ") == 1
    assert {(end.test, end.word, end.leg) for end in parallel.run.tests} == {
        (end.test, end.word, end.leg) for end in serial.run.tests
    }


def test_verdicts_of_workers_decide_as_at_home(project: Project) -> None:
    done = project.run(
        'def test_a(bench, judge):\n    judge(sag(1.9), at_most="2 mm")\n\n'
        "def test_b(bench, judge):\n    pass\n\ndef test_c(bench, judge):\n    judge(sag(1))\n",
        "-n", "2", apart=True,
    )  # fmt: skip
    assert (done.ret, done.outcomes) == (11, {"failed": 1, "errors": 1, "no_limit": 1})
    assert {end.word for end in done.run.tests} == {"inconclusive", "not judged", "no limit set"}


def test_a_worker_that_dies(project: Project) -> None:
    done = project.run(
        'def test_a(bench, judge):\n    judge(sag(1), at_most="2 mm")\n\n'
        "def test_b(bench, judge):\n    import os\n    os._exit(9)\n",
        "-n", "1", "--max-worker-restart=0", apart=True,
    )  # fmt: skip
    assert done.ret == 1
    assert {end.test.rpartition("::")[2]: end.word for end in done.run.tests}["test_b[tarn-hopper]"] == "error"
    assert any("no part_end" in line for line in verify(done.folders[-1]))
