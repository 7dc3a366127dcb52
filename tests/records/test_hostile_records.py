"""Records made to hurt who reads them: nothing beside them is read, hashed or overwritten, and none claims a pass."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner
from make_run import STARTED, Filling, make_bench, make_leg
from spoil import place

from legtest.cli.main import main
from legtest.errors import DecodeError, DescriptionError, LegtestError, Problem, RecordError, SdoTimeout
from legtest.records.files import open_plain, read_whole
from legtest.records.part import PartWriter
from legtest.records.reading import read_run, verify
from legtest.records.run import REPORTS, RunWriter, hashes
from legtest.reports.junit import junit_xml
from legtest.reports.stage import script_json
from legtest.reports.write import write_reports
from tests.source_tree import ROOT, imports, parse

TREES = parse(ROOT / "legtest")


# ------------------------------------------------------------------ links, pipes, ways out of the folder
LINKS = ["run.json", "journal.jsonl", "parts", "part", "sample", "part/journal.jsonl", "part/frames.log"]


@pytest.mark.parametrize("what", LINKS)
def test_a_link_anywhere_in_a_record_is_not_followed(run: Path, tmp_path: Path, what: str) -> None:
    """Also not to the very file that was there before."""
    path = place(run, what)
    path.symlink_to(path.rename(tmp_path / "moved"))
    problems = verify(run)
    assert any("not read: a link" in problem or "not the folder of a part" in problem for problem in problems), problems
    assert CliRunner().invoke(main, ["verify", str(run)]).exit_code == 1


@pytest.mark.parametrize("target", ["/dev/zero", "/proc/self/environ", "/", "missing"])
def test_what_is_added_may_lead_anywhere_and_is_never_read(run: Path, target: str) -> None:
    (run / "parts" / "extra").symlink_to(target)
    assert any("parts/extra: not the folder of a part" in problem for problem in verify(run))
    (run / "parts" / "extra").rename(run / "extra")
    (min((run / "parts").iterdir()) / "more").symlink_to(target)
    problems = verify(run)
    assert sorted(problem.rpartition("/")[2] for problem in problems) == [
        "extra: not there when the run was sealed", "more: not there when the run was sealed"
    ]  # fmt: skip


@pytest.mark.parametrize("what", [name for name in LINKS if name not in ("parts", "part")])
def test_a_pipe_does_not_make_us_wait(run: Path, what: str) -> None:
    path = place(run, what)
    path.unlink()
    os.mkfifo(path)
    assert any("not an ordinary file" in problem for problem in verify(run))


def test_a_run_of_which_only_the_folder_is_a_link_is_read(run: Path, tmp_path: Path) -> None:
    (tmp_path / "latest").symlink_to(run)
    assert verify(tmp_path / "latest") == []


@pytest.mark.parametrize("name", ["../x", "/etc/passwd", "..", "a/../x", ".hidden", "x" * 65, "a b", "é", "", "\x1b"])
def test_names_that_lead_out_are_no_names(run: Path, name: str) -> None:
    part = read_run(run).parts[0]
    with pytest.raises(RecordError, match="cannot name samples"):
        part.samples(name)  # of a record of version 2
    with pytest.raises(RecordError):
        PartWriter(run, "p").save_description(name, b"")


def test_a_path_cannot_leave_its_folder(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "secret").write_text("x")
    for path in (tmp_path / "a" / ".." / "secret", tmp_path / "a"):
        with pytest.raises((RecordError, ValueError)):
            open_plain(path, tmp_path / "a")
    with pytest.raises(RecordError, match="larger than 0 bytes"):
        read_whole(tmp_path / "secret", 0)


def test_where_the_system_cannot_refuse_links_they_are_asked_for(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("legtest.records.files._BY_FOLDER", False)
    assert verify(run) == []
    path = place(run, "sample")
    path.symlink_to(path.rename(run / "moved"))
    assert any("not read: a link" in problem for problem in verify(run))


def test_reports_replace_a_link_and_do_not_follow_it(run: Path, tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("mine")
    for name in REPORTS:
        (run / name).unlink(missing_ok=True)
        (run / name).symlink_to(victim)
        (run / f"{name}.new").symlink_to(victim)
    write_reports(read_run(run))
    assert victim.read_text() == "mine"
    assert not any((run / name).is_symlink() for name in REPORTS)
    assert verify(run) == []


def test_a_folder_in_the_place_of_a_report(run: Path) -> None:
    (run / "report.html").mkdir()
    with pytest.raises(RecordError, match=r"report\.html: the run record cannot be written"):
        write_reports(read_run(run))


def test_a_seal_is_not_put_on_a_record_with_a_link(tmp_path: Path) -> None:
    writer = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    part = writer.part("p")
    part.end(0)
    (part.folder / "descriptions" / "x").symlink_to("/etc")
    with pytest.raises(RecordError, match="a link"):
        writer.seal()
    assert read_run(writer.folder).problem.startswith("not sealed")


def test_a_seal_leaves_out_nothing_that_cannot_be_looked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "closed").mkdir()

    def denied(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(os, "scandir", denied)  # root, whom no mode keeps out, runs tests as well
    with pytest.raises(RecordError, match="cannot be read"):
        hashes(tmp_path)


# ------------------------------------------------------------------ terminals
ESCAPES = "\x1b]0;owned\x07\x1b[2Jleg\u202e\x00\x9b31m\r"


@pytest.mark.parametrize("error", [
    RecordError(ESCAPES), DescriptionError((Problem(ESCAPES, ESCAPES, ESCAPES),)), SdoTimeout(ESCAPES),
    DecodeError(ESCAPES), LegtestError(ESCAPES, ESCAPES),
])  # fmt: skip
def test_no_error_of_ours_carries_control_characters(error: LegtestError) -> None:
    assert str(error).isprintable()
    assert "leg" in str(error)


@pytest.mark.parametrize("command", ["verify", "report", "replay"])
def test_no_command_writes_what_a_record_sends_to_the_terminal(tmp_path: Path, command: str) -> None:
    name = "\x1b[2J\x07leg"
    leg = replace(make_leg(), name=name)
    writer = RunWriter.create(tmp_path / name, now=STARTED, mode="LIVE", legs=[leg], bench=make_bench())
    filling = Filling(writer.part(name), leg, name)
    filling.move(name, name, 5, method=name)
    filling.part.end(0)
    writer.test_end(name, name, leg=name, seconds=0.0, reason=name)
    writer.close()
    done = CliRunner().invoke(main, [command, str(writer.folder)], color=True)
    assert done.exit_code == 1
    assert done.exception is None or isinstance(done.exception, SystemExit)
    assert all(character.isprintable() or character == "\n" for character in done.output)


# ------------------------------------------------------------------ nothing of a record is run
EXECUTING = {"pickle", "_pickle", "marshal", "shelve", "dbm", "code", "codeop", "jsonpickle", "dill"}


def test_no_module_can_run_what_it_reads() -> None:
    """ruff refuses the calls (S102, S301, S302, S307, S506); here the modules themselves."""
    used = {(name, each.target) for name, tree in TREES.items() for each in imports(tree, TREES)}
    assert len(used) > 300
    assert {(name, target) for name, target in used if target.partition(".")[0] in EXECUTING} == set()


@pytest.mark.parametrize("text", ["</script><script>x", "<!--<script>", "]]>", "&lt;", "\u2028", "'\"`"])
def test_json_inside_a_page_cannot_end_its_script(text: str) -> None:
    made = script_json({text: [text]})
    assert not set(made) & set("<>&\u2028")
    assert json.loads(made) == {text: [text]}


def test_junit_holds_only_characters_of_xml(tmp_path: Path) -> None:
    every = "".join(map(chr, [*range(0x20), 0x7F, 0x85, 0xD800, 0xDFFF, 0xFFFE, 0xFFFF, 0x1FFFF]))
    writer = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    writer.test_end(f"t.py::test[{every}]", "fail", leg="tarn-fl", seconds=0.0, reason=every)
    writer.seal()
    found = ET.fromstring(junit_xml(read_run(writer.folder)))
    assert len(found.findall("testsuite/testcase")) == 1
