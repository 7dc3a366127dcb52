"""The page in a real browser: no error, no request, no sideways scrolling, and a slider that tells the truth."""

from __future__ import annotations

import os
from collections.abc import Iterator
from math import atan2
from pathlib import Path

import numpy as np
import pytest

from legtest.kinematics import joints_of_actuators
from legtest.records.reading import Run, read_run
from legtest.reports.write import write_reports
from tests.records.make_run import make_run
from tests.reports.browser import CHROMIUM, Browser, browser

# On a build machine a missing browser is a failure, not a reason to look away.
pytestmark = pytest.mark.skipif(
    CHROMIUM is None and not os.environ.get("CI"), reason="no Chromium: apt-get install chromium"
)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(make_run(tmp_path_factory.mktemp("runs")))


@pytest.fixture(scope="module")
def page(run: Run, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    path = write_reports(run)["report.html"]
    with browser(tmp_path_factory.mktemp("profile")) as open_page:
        open_page.open(path)
        yield open_page


def test_no_error_and_no_request(page: Browser) -> None:
    page.run("document.querySelectorAll('input').forEach(i => i.dispatchEvent(new Event('input')))")
    methods = [event.get("method") for event in page.events]
    assert "Runtime.exceptionThrown" not in methods
    bad = [e for e in page.events if e.get("method") in ("Runtime.consoleAPICalled", "Log.entryAdded")]
    assert bad == []
    urls = [e["params"]["request"]["url"] for e in page.events if e.get("method") == "Network.requestWillBeSent"]
    assert len(urls) == 1
    assert urls[0].endswith("/report.html")


def test_the_page_would_report_an_error(page: Browser) -> None:
    before = len(page.events)
    page.run("void document.body.insertAdjacentHTML('beforeend', '<img src=\"http://127.0.0.1:9/x\">')")
    page.run("1")
    reported = [e for e in page.events[before:] if e.get("method") in ("Log.entryAdded", "Network.requestWillBeSent")]
    assert any("Content Security Policy" in str(event) for event in reported)


@pytest.mark.parametrize("width", [1280, 390, 320])
def test_nothing_scrolls_sideways(page: Browser, width: int) -> None:
    page.call("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False)
    assert page.run("document.documentElement.scrollWidth") <= width


def test_the_slider_draws_the_recorded_angles(page: Browser, run: Run) -> None:
    part = next(p for p in run.parts if "ellipse" in p.name)
    trace = part.samples(part.segments[0].samples[0])
    leg = run.header.legs[0]
    wanted = joints_of_actuators(leg, np.stack([trace.column(f"{n}.position") for n in leg.joint_names], axis=1))
    stage = f"[...document.querySelectorAll('section.test')].find(s => s.innerText.includes({part.test!r}))"
    last = page.run(f"Number({stage}.querySelector('input').max)")
    for n in range(0, last + 1, last // 20):
        page.run(f"(() => {{ const i = {stage}.querySelector('input'); i.value = {n};"
                 " i.dispatchEvent(new Event('input')); })()")  # fmt: skip
        clock = page.run(f"{stage}.querySelector('.time output').textContent")
        row = int(np.abs(trace.time_s - float(clock.removesuffix(" s"))).argmin())
        points = page.run(f"{stage}.querySelector('.stick.now').getAttribute('points')")
        (_, hip, knee, foot) = [tuple(map(float, pair.split(","))) for pair in points.split()]
        # Side view, y down: positive joint angles go to the left. The small abduction foreshortens the vertical.
        thigh = atan2(hip[0] - knee[0], (knee[1] - hip[1]) / np.cos(wanted[row, 0]))
        shank = atan2(knee[0] - foot[0], (foot[1] - knee[1]) / np.cos(wanted[row, 0]))
        # The drawing is kept to a hundredth of a unit; a thigh is about 55 units long.
        assert thigh == pytest.approx(wanted[row, 1], abs=0.001)
        assert shank == pytest.approx(wanted[row, 1] + wanted[row, 2], abs=0.001)
        read = page.run(f"{stage}.querySelector('.legend output[data-unit=deg]').textContent")
        assert read == "missing" or float(read.split()[0]) == pytest.approx(
            np.degrees(trace.column("abduction.setpoint")[row]), abs=0.01
        )


def test_pointing_at_a_plot_moves_everything(page: Browser) -> None:
    page.run(
        "(() => { const p = document.querySelector('svg.plot'); const b = p.getBoundingClientRect(); p."
        "dispatchEvent(new PointerEvent('pointermove', {clientX: b.left + b.width * 0.6, clientY: b.top + 20})); })()"
    )
    slider, most = page.run("(() => { const i = document.querySelector('input'); return [+i.value, +i.max]; })()")
    assert 0.4 < slider / most < 0.7
    assert page.run("document.querySelector('svg.plot .cursor').classList.contains('off')") is False


def test_readable_without_scripts(run: Run, tmp_path: Path) -> None:
    with browser(tmp_path) as plain:
        plain.call("Emulation.setScriptExecutionDisabled", value=True)
        plain.open(run.folder / "report.html")
        text = plain.run("document.body.innerText")
        assert "knee backlash" in text
        assert "move the slider" not in text
