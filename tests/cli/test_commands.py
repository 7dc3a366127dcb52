"""What each command prints and how it ends."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from legtest.cli.main import main
from legtest.quantities import QUANTITIES
from legtest.records.run import REPORTS
from tests.records.make_run import make_run

ROOT = Path(__file__).parents[2]
LEG, STAND, BENCH = "fixtures/legs/tarn-fl.yaml", "fixtures/stands/streams.yaml", "fixtures/benches/simulated.yaml"


def legtest(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(each) for each in arguments])


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("runs"), cycles=60)


@pytest.fixture
def run(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / finished.name))


# ------------------------------------------------------------------ check
def test_check_sees_what_each_file_is() -> None:
    done = legtest("check", *(ROOT / name for name in (LEG, STAND, BENCH)))
    assert done.exit_code == 0
    assert [line.split(": ", 1)[1] for line in done.output.splitlines()] == [
        "leg tarn-fl: good", "stand streams: good", "bench streams-simulated: good"
    ]  # fmt: skip


def test_check_lists_every_problem_of_every_file_once(tmp_path: Path) -> None:
    for name in (LEG, STAND, BENCH, "fixtures/drives/axis.eds"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, tmp_path / name)
    leg, stand, bench = (tmp_path / name for name in (LEG, STAND, BENCH))
    leg.write_text(leg.read_text().replace('thigh: "172 mm"', 'thigh: "172 kg"').replace("speed: ", "sped: ", 1))
    stand.write_text(stand.read_text().replace('"1.2 kg"', "1.2"))
    bench.write_text(bench.read_text().replace("interface", "interfaze"))
    done = legtest("check", leg, stand, bench, tmp_path / "none.yaml")
    assert done.exit_code == 1
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    for start in (f"{leg}:9:", f"{leg}:", f"{stand}:4:", f"{bench}:6:", f"{tmp_path / 'none.yaml'}: there is no"):
        assert any(line.startswith(start) for line in lines), start
    assert any("sped" in line and "did you mean 'speed'?" in line for line in lines)
    assert len(lines) == len(set(lines))
    assert lines[-1] == f"{len(lines) - 1} problems"


def test_check_reads_the_drives_eds_as_well(tmp_path: Path) -> None:
    assert legtest("new", tmp_path / "p").exit_code == 0
    eds = tmp_path / "p" / "drive.eds"
    eds.write_text(eds.read_text().replace("[607A]", "[607B]"))
    done = legtest("check", tmp_path / "p" / "leg.yaml")
    assert done.exit_code == 1
    assert "607A" in done.stderr.upper()
    assert "drive.eds" in done.stderr


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("colour: blue\n", "neither a leg, a stand nor a bench"),
        ("- 1\n", "expected keys and values"),
        ("leg: x\n", "this key is missing"),
        ("stand: x\n", "carriage_mass: this key is missing"),
        ("bench: x\n", "bus: this key is missing"),
        ("", "the file is empty"),
    ],
)
def test_check_of_what_is_no_description(tmp_path: Path, text: str, complaint: str) -> None:
    path = tmp_path / "f.yaml"
    path.write_text(text)
    done = legtest("check", path)
    assert done.exit_code == 1
    assert complaint in done.stderr


@pytest.mark.parametrize("kind", ["leg", "stand", "bench"])
def test_check_prints_a_schema(kind: str) -> None:
    done = legtest("check", "--schema", kind)
    schema = json.loads(done.stdout)
    assert kind in schema["properties"]
    assert "json-schema.org" in schema["$schema"]


def test_check_needs_to_know_what() -> None:
    assert legtest("check").exit_code == 2
    assert legtest("check", "--schema", "leg", ROOT / LEG).exit_code == 2


# ------------------------------------------------------------------ faults, procedures
def test_faults_with_default_size_and_who_notices() -> None:
    from legtest.simulation.faults import FAULTS, parse_fault

    text, data = legtest("faults").stdout, json.loads(legtest("faults", "--json").stdout)
    assert [each["name"] for each in data] == list(FAULTS)
    for each in data:
        assert parse_fault(each["name"]).size == each["default"]
        assert each["noticed_by"]
        assert f"noticed by: {', '.join(each['noticed_by'])}" in text
        assert FAULTS[each["name"]].size_text(each["default"]) in text


def test_procedures_with_what_they_measure_and_how_to_call_them() -> None:
    from importlib import import_module

    from legtest import __all__ as public_names

    text, data = legtest("procedures").stdout, json.loads(legtest("procedures", "--json").stdout)
    assert len(data) >= 6
    for each in data:
        assert set(each["quantities"]) <= set(QUANTITIES)
        assert each["quantities"]
        assert each["method"] in text
        name = each["module"].rpartition(".")[2]
        assert f"call: {name}.run(bench" in text
        assert f"from legtest import {name}" in text
        assert name in public_names
        assert callable(import_module(each["module"]).run)


# ------------------------------------------------------------------ verify, report, replay
def test_verify_a_whole_run(run: Path) -> None:
    done = legtest("verify", run)
    assert (done.exit_code, done.output) == (0, f"{run}: complete, record version 3\n")


def test_verify_a_changed_run(run: Path) -> None:
    next(run.glob("parts/*/frames.log")).write_bytes(b"")
    (run / "parts" / "more\x1b[2J").mkdir()
    done = legtest("verify", run)
    assert done.exit_code == 1
    assert done.stdout == ""
    assert "\x1b" not in done.stderr
    shutil.rmtree(run / "parts" / "more\x1b[2J")
    done = legtest("verify", run)
    assert done.exit_code == 1
    assert "frames.log: changed since the run was sealed" in done.stderr


def test_verify_an_interrupted_run(tmp_path: Path) -> None:
    done = legtest("verify", make_run(tmp_path, seal=False, cycles=20))
    assert done.exit_code == 1
    assert "not sealed" in done.stderr


def test_report_writes_the_same_again(run: Path) -> None:
    done = legtest("report", run)
    assert done.exit_code == 0
    assert {Path(line) for line in done.stdout.splitlines()} == {run / name for name in REPORTS}
    first = {name: (run / name).read_bytes() for name in REPORTS}
    for name in REPORTS:
        (run / name).unlink()
    assert legtest("report", run).exit_code == 0
    assert {name: (run / name).read_bytes() for name in REPORTS} == first
    assert all(first.values())
    assert legtest("verify", run).exit_code == 0  # reports are no part of the record


def test_report_of_a_run_with_a_changed_frame_says_so(run: Path) -> None:
    """The values come from the journals, so the reports look as before."""
    path = next(run.glob("parts/*/frames.log"))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    done = legtest("report", run)
    assert (done.exit_code, len(done.stdout.splitlines())) == (1, len(REPORTS))
    assert "frames.log: changed since the run was sealed" in done.stderr


def test_replay_of_a_run_whose_values_come_from_nowhere(run: Path) -> None:
    """The made-up values of this run cannot come out of its frames."""
    done = legtest("replay", run)
    assert done.exit_code == 1
    assert "Traceback" not in done.output
    assert "differs" in done.stderr
    assert "differences" in done.stderr
    assert "identical" not in done.output


def test_replay_finds_an_edited_verdict(run: Path) -> None:
    path = next(path for path in run.glob("parts/*/journal.jsonl") if '"word":"fail"' in path.read_text())
    path.write_text(path.read_text().replace('"word":"fail"', '"word":"pass"'))
    done = legtest("replay", run)
    assert done.exit_code == 1
    assert "verdict on knee backlash differs" in done.stderr


@pytest.mark.parametrize("name", ["verify", "report", "replay"])
def test_what_is_no_run(name: str, tmp_path: Path) -> None:
    assert legtest(name).exit_code == 2
    assert legtest(name, tmp_path / "none").exit_code == 2
    done = legtest(name, tmp_path)
    assert done.exit_code == 1
    assert "is the folder of a run?" in done.stderr.replace(str(tmp_path), "it is")


# ------------------------------------------------------------------ new
def test_new_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    done = legtest("new", tmp_path)
    assert done.exit_code == 2
    assert "nothing is overwritten" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    done = legtest("new", tmp_path / "mine.txt")
    assert done.exit_code == 2
    assert "this is a file" in done.stderr
    done = legtest("new", tmp_path / "mine.txt" / "below")
    assert done.exit_code == 2
    assert "cannot be written" in done.stderr


def test_new_makes_good_descriptions(tmp_path: Path) -> None:
    project = tmp_path / "a" / "b"
    assert legtest("new", project).exit_code == 0
    assert (project / "drive.eds").read_bytes() == (ROOT / "fixtures/drives/axis.eds").read_bytes()
    done = legtest("check", *project.glob("*.yaml"))
    assert done.exit_code == 0
    assert len(done.stdout.splitlines()) == 3


@pytest.mark.slow
def test_the_commands_of_the_new_projects_readme_run(tmp_path: Path) -> None:
    project = tmp_path / "my-leg"
    assert legtest("new", project).exit_code == 0
    block = (project / "README.md").read_text().split("```")[1]
    commands = [line.split() for line in block.splitlines() if line]
    assert [words[0] for words in commands] == ["legtest", "pytest", "legtest"]
    start = {"legtest": ["-c", "from legtest.cli.main import main; main()"], "pytest": ["-m", "pytest"]}
    for words in commands:
        done = subprocess.run(
            [sys.executable, *start[words[0]], *words[1:]], cwd=project, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
    (made,) = (project / "runs").glob("*/")
    assert legtest("verify", made).exit_code == 0
    done = legtest("replay", made)
    assert done.exit_code == 0, done.output
    assert "identical: 4 measurements, 4 verdicts" in done.stdout
