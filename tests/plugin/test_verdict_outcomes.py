"""The verdict table of docs/reference/verdicts.md, row by row: pytest's outcome and word, what is said first, the
element in junit.xml, and the exit code."""

from __future__ import annotations

from typing import NamedTuple

import pytest

from tests.plugin.conftest import Project


class Case(NamedTuple):
    body: str
    outcomes: dict[str, int]
    shown: str
    said: str
    junit: tuple[str, str]  # element and type; "" = a plain case
    exit_code: int
    mark: str = ""


STOPPED = """
    homing.ensure(bench)
    with bench.energised():
        bench.move_to([0.9, -1.5], 1.0, caps_Nm=[0.2, 0.2])  # too weak to follow
"""
CASES = {
    "pass": Case('judge(sag(1), at_most="2 mm")', {"passed": 1}, "PASSED", "", ("", ""), 0),
    "fail": Case(
        'judge(sag(3), at_most="2 mm")',
        {"failed": 1}, "FAIL", "fail: leg sag 3 mm, U 0.196 mm, at most 2 mm", ("failure", "fail"), 1,
    ),
    "inconclusive": Case(
        'judge(sag(1.9), at_most="2 mm")',
        {"failed": 1}, "INCONCLUSIVE", "inconclusive: leg sag 1.9 mm, U 0.196 mm", ("failure", "inconclusive"), 10,
    ),
    "invalid": Case(
        'raise MeasurementInvalid("the stop was not met")',
        {"errors": 1}, "INVALID", "invalid: the stop was not met", ("error", "invalid"), 10,
    ),
    "invalid value": Case(
        'judge(replace(sag(1), value=float("nan")), at_most="2 mm")',
        {"errors": 1}, "INVALID", "invalid: leg sag", ("error", "invalid"), 10,
    ),
    "bench error": Case(
        STOPPED, {"errors": 1}, "BENCH ERROR", "bench error: the leg was stopped: following error",
        ("error", "bench error"), 11,
    ),
    "caller's mistake": Case(
        'judge(sag(1), at_most="2")',
        {"errors": 1}, "ERROR", "error: limit of sag: 2 has no unit", ("error", "error"), 1,
    ),
    "not judged": Case(
        "pass", {"errors": 1}, "NOT JUDGED", "not judged: this test judged nothing", ("error", "not judged"), 11
    ),
    "not run": Case(
        'raise NotRun("nobody to hang the mass")',
        {"skipped": 1}, "NOT RUN", "NOT RUN [1] test_user.py:10: not run: nobody to hang", ("skipped", "skipped"), 0,
    ),
    "not run but required": Case(
        'raise NotRun("nobody to hang the mass")',
        {"skipped": 1}, "NOT RUN", "required, but not run: ", ("skipped", "skipped"), 1, "@pytest.mark.leg_required",
    ),
    "no limit set": Case(
        "judge(sag(1))",
        {"no_limit": 1}, "NO LIMIT SET", "leg sag      1.00  0.20  mm    -       no limit set",
        ("skipped", "skipped"), 0,
    ),
    "no limit set but required": Case(
        "judge(sag(1))",
        {"no_limit": 1}, "NO LIMIT SET", "required, but no limit set: ", ("skipped", "skipped"), 1,
        "@pytest.mark.leg_required",
    ),
    "one of two without a limit": Case(
        'judge(sag(1)), judge(sag(1), at_most="2 mm")', {"passed": 1}, "PASSED", "no limit set", ("", ""), 0
    ),
    "own assertion after a pass": Case(
        'judge(sag(1), at_most="2 mm")\n    assert 3 == 2',
        {"failed": 1}, "FAILED", "assert 3 == 2", ("failure", "fail"), 1,
    ),
    "own exception": Case("1 / 0", {"failed": 1}, "FAILED", "ZeroDivisionError", ("failure", "fail"), 1),
    "a verdict is not expected away": Case(
        'judge(sag(3), at_most="2 mm")', {"failed": 1}, "FAIL", "fail: leg sag", ("failure", "fail"), 1,
        "@pytest.mark.xfail",
    ),
    "the worst decides: fail": Case(
        'judge(sag(1.9), sag(3), sag(1), at_most="2 mm")', {"failed": 1}, "FAIL", "fail: leg sag 3 mm",
        ("failure", "fail"), 1,
    ),
    "the worst decides: invalid": Case(
        'judge(sag(1.9), replace(sag(1), invalid="it slipped"), sag(1), at_most="2 mm")',
        {"errors": 1}, "INVALID", "it slipped", ("error", "invalid"), 10,
    ),
    "the worst decides: inconclusive": Case(
        'judge(sag(1), sag(1.9), at_most="2 mm")', {"failed": 1}, "INCONCLUSIVE", "inconclusive: leg sag",
        ("failure", "inconclusive"), 10,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_row_of_the_table(case: Case, project: Project) -> None:
    source = f"from dataclasses import replace\n\n{case.mark}\ndef test_it(bench, judge):\n    {case.body}\n"
    done = project.run(source, "-rs")
    assert done.outcomes == case.outcomes, done.out
    assert f"test_user.py::test_it[tarn-hopper] {case.shown}" in done.out
    assert case.said in done.out
    assert done.ret == case.exit_code
    (element,) = done.junit()
    children = [(child.tag, child.get("type", "")) for child in element if child.tag != "system-out"]
    assert children == ([case.junit] if case.junit[0] else [])
    assert element.get("name") == "test_it[tarn-hopper]"
    (ended,) = done.run.tests
    assert (ended.leg, done.run.complete) == ("tarn-hopper", True)


SEVERAL = {
    (0,): "PASS, NOT_RUN",
    (1,): "PASS, FAIL, INCONCLUSIVE, NOT_JUDGED",
    (11,): "INCONCLUSIVE, NOT_JUDGED, PASS",
    (10,): "INCONCLUSIVE, PASS, NOT_RUN",
}


@pytest.mark.parametrize(("code", "kinds"), [(code, kinds) for (code,), kinds in SEVERAL.items()])
def test_exit_code_of_several(code: int, kinds: str, project: Project) -> None:
    bodies = {
        "PASS": 'judge(sag(1), at_most="2 mm")',
        "FAIL": 'judge(sag(3), at_most="2 mm")',
        "INCONCLUSIVE": 'judge(sag(1.9), at_most="2 mm")',
        "NOT_JUDGED": "pass",
        "NOT_RUN": 'raise NotRun("nobody there")',
    }
    tests = [f"def test_{kind.lower()}(bench, judge):\n    {bodies[kind]}\n" for kind in kinds.split(", ")]
    assert project.run("\n".join(tests)).ret == code


def test_judging_never_ends_a_test(project: Project) -> None:
    """A failing verdict comes back and is in the record; the lines after it run, and all verdicts are kept."""
    done = project.run(
        "def test_it(bench, judge):\n"
        '    (first,) = judge(sag(3), at_most="2 mm")\n'
        '    judge(sag(1), at_least="0 mm")\n'
        '    print("went on after", first.word)\n'
        "    assert False, 'my own'\n"
    )
    assert "went on after fail" in done.out
    assert (done.outcomes, done.ret) == ({"failed": 1}, 1)
    assert [judgement.verdict.word.value for judgement in done.run.parts[0].judgements] == ["fail", "pass"]
    assert "my own" in done.run.tests[0].reason


def test_a_teardown_that_goes_wrong_is_not_hidden_by_a_pass(project: Project) -> None:
    done = project.run(
        "@pytest.fixture\ndef lamp(bench):\n    yield\n    raise RuntimeError('the lamp fell off')\n"
        'def test_it(lamp, judge):\n    judge(sag(1), at_most="2 mm")\n'
    )
    assert (done.outcomes, done.ret) == ({"passed": 1, "errors": 1}, 1)
    assert done.run.tests[0].word == "error"
    assert "the lamp fell off" in done.run.tests[0].reason


def test_pytests_own_report_names_leg_and_verdict(project: Project) -> None:
    project.run('def test_it(bench, judge):\n    judge(sag(1.9), at_most="2 mm")\n', "--junitxml=own.xml")
    text = (project.pytester.path / "own.xml").read_text(encoding="utf-8")
    assert '<property name="leg" value="tarn-hopper"' in text
    assert '<property name="legtest" value="inconclusive"' in text
