"""Inner runs of pytest with the plugin, each in a project of its own."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from legtest.records.reading import Run, read_run

# Loaded in the outer process: an inner run in the same process forgets what it has imported, and a numerical library
# cannot be loaded twice.
for _module in (
    "canopen",
    "hypothesis",
    "jinja2",
    "junit_xml",
    "pyarrow.parquet",
    "xdist.plugin",
    "legtest.procedures.catalogue",
    "legtest.records.samples",
    "legtest.reports.write",
    "legtest.session",
    "legtest.simulation.rig",
):
    import_module(_module)

FIXTURES = Path(__file__).parents[2] / "fixtures"
HOPPER = FIXTURES / "legs/tarn-hopper.yaml"
HEADER = """\
import pytest
from legtest import MeasurementInvalid, NotRun, homing, measured

def sag(value, u=0.1):
    return measured("sag", value, u=u, unit="mm")

"""


@dataclass(frozen=True)
class Inner:
    """An inner run that has ended. folders: of the runs recorded so far."""

    ret: int
    out: str
    outcomes: dict[str, int]
    folders: tuple[Path, ...]

    @property
    def run(self) -> Run:
        """The record of the newest run."""
        return read_run(self.folders[-1])

    def junit(self) -> list[ET.Element]:
        """The cases of its junit.xml."""
        return list(ET.parse(self.folders[-1] / "junit.xml").getroot().iter("testcase"))

    def frame_logs(self) -> dict[str, bytes]:
        """The frame log of each part, by the test it belongs to."""
        return {part.test: (part.folder / "frames.log").read_bytes() for part in self.run.parts}


class Project:
    """A directory with a user's tests. `run` writes `source` to test_user.py and runs pytest on it."""

    def __init__(self, pytester: pytest.Pytester, legs: tuple[Path, ...]) -> None:
        self.pytester, self.legs = pytester, legs
        pytester.makeini("[pytest]\n")

    def run(self, source: str | None, *args: str, legs: tuple[Path, ...] | None = None, apart: bool = False) -> Inner:
        """apart: in a process of its own."""
        if source is not None:
            self.pytester.path.joinpath("test_user.py").write_text(HEADER + source, encoding="utf-8")
        chosen = [f"--leg={leg}" for leg in (self.legs if legs is None else legs)]
        # The outer run has imported the plugin already, so an inner run of this process cannot rewrite its assertions.
        calm = "ignore:Module already imported:pytest.PytestAssertRewriteWarning"
        command = ["-v", "-W", "error", "-W", calm, "-p", "no:cacheprovider", *chosen, *args]
        method = self.pytester.runpytest_subprocess if apart else self.pytester.runpytest_inprocess
        done = method(*command)
        text = done.stdout.str() + "\n" + done.stderr.str()
        try:
            outcomes = done.parseoutcomes()
        except ValueError:  # a usage error counts no tests
            outcomes = {}
        runs = self.pytester.path / "runs"
        folders = tuple(sorted(path for path in runs.iterdir() if path.is_dir())) if runs.exists() else ()
        return Inner(int(done.ret), text, outcomes, folders)


@pytest.fixture
def project(pytester: pytest.Pytester) -> Project:
    """A project with the two-joint leg."""
    return Project(pytester, (HOPPER,))
