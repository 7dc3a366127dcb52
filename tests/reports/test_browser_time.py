"""Slider, zoom, cursors and the moving leg in a real browser: what they show is what was recorded."""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import atan2
from pathlib import Path

import numpy as np
import pytest

from legtest.kinematics import joints_of_actuators
from legtest.records.reading import Part, Run, read_run
from legtest.records.trace import Trace
from legtest.reports import pose
from legtest.reports.plot import LEFT, RIGHT, TOP, WIDTH
from legtest.reports.write import write_reports
from tests.records.make_run import make_run
from tests.reports.browser import Browser, browser
from tests.reports.rich_run import SPIKE, planar_leg

FIGURE = "[...document.querySelectorAll('figure.stage')][{n}]"


def put_slider(page: Browser, figure: str, n: int) -> None:
    move = f"i.value = {n}; i.dispatchEvent(new Event('input'));"
    page.run(f"(() => {{ const i = {figure}.querySelector('input'); {move} }})()")
    page.until(f"{figure}.dataset.at === '{n}'")


def trace_of_figure(run: Run, n: int) -> tuple[Part, Trace]:
    found = [(part, part.samples(name)) for part in run.parts for s in part.segments for name in s.samples]
    ends = [e.test for e in run.tests]
    found.sort(key=lambda pair: ends.index(pair[0].test))
    return found[n]


def sticks(page: Browser, figure: str) -> list[np.ndarray]:
    """The points of the moving drawing in each view, (4, 2)."""
    texts = page.run(f"[...{figure}.querySelectorAll('.stick.now')].map(s => s.getAttribute('points'))")
    return [np.array([[float(x) for x in pair.split(",")] for pair in text.split()]) for text in texts]


def test_the_slider_draws_the_recorded_angles(page: Browser, rich: Run) -> None:
    figure = FIGURE.format(n=1)
    _, trace = trace_of_figure(rich, 1)
    leg = rich.header.legs[0]
    actuators = np.stack([trace.column(f"{name}.position") for name in leg.joint_names], axis=1)
    at = pose.placement(leg, actuators)
    wanted = joints_of_actuators(leg, actuators)
    for n in np.linspace(0, len(trace) - 1, 20).astype(int).tolist():
        put_slider(page, figure, n)
        assert page.run(f"{figure}.querySelector('.clock').textContent") == f"{trace.time_s[n]:.3f} s"
        side, behind = sticks(page, figure)
        # Back from the drawing to angles. Side view, y down: positive joint angles go to the left; the abduction, seen
        # from behind as the direction of hip offset, foreshortens the vertical.
        swing = atan2(behind[0][1] - behind[1][1], behind[0][0] - behind[1][0])
        assert swing == pytest.approx(wanted[n, 0], abs=1e-3)
        (_, hip, knee, foot) = side
        thigh = atan2(hip[0] - knee[0], (knee[1] - hip[1]) / np.cos(wanted[n, 0]))
        shank = atan2(knee[0] - foot[0], (foot[1] - knee[1]) / np.cos(wanted[n, 0]))
        assert thigh == pytest.approx(wanted[n, 1], abs=1e-3)
        assert shank - thigh == pytest.approx(wanted[n, 2], abs=1e-3)
        for drawn, points in zip((side, behind), pose.views(leg, actuators[n : n + 1], at).values(), strict=True):
            np.testing.assert_allclose(drawn, points[0], atol=0.01)


def test_the_read_out_is_what_was_recorded(page: Browser, rich: Run) -> None:
    figure = FIGURE.format(n=0)
    _, trace = trace_of_figure(rich, 0)
    for n in (0, 1, 777, SPIKE, SPIKE + 1, len(trace) - 1):
        put_slider(page, figure, n)
        panels = page.run(f"[...{figure}.querySelectorAll('.panel')].map(p => [p.querySelector('h4').textContent, "
                          "...[...p.querySelectorAll('output')].map(o => o.textContent)])")  # fmt: skip
        shown = {title: reads for title, *reads in panels}
        for axis in trace.axes:
            for title, signals, factor in (
                ("position", ("setpoint", "position"), np.degrees(1.0)), ("torque", ("torque_cap", "torque"), 1.0)
            ):  # fmt: skip
                for text, signal in zip(shown[f"{axis} {title}"], signals, strict=True):
                    recorded = factor * trace.column(f"{axis}.{signal}")[n]
                    if np.isnan(recorded):
                        assert text == "missing"
                    else:
                        assert float(text.split()[0]) == pytest.approx(recorded, rel=1e-4, abs=1e-4)


def drag(page: Browser, plot: str, first: float, last: float) -> None:
    """Drag the mouse across a plot, from and to shares of its width."""
    page.run(f"{plot}.scrollIntoView({{block: 'center'}})")
    box = page.run(
        f"(() => {{ const b = {plot}.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; }})()"
    )
    scale = box[2] / WIDTH
    xs = [box[0] + scale * (LEFT + share * (WIDTH - LEFT - RIGHT)) for share in (first, last)]
    y = box[1] + box[3] / 2
    page.mouse("mouseMoved", xs[0], y)
    page.mouse("mousePressed", xs[0], y, 1)
    page.mouse("mouseMoved", (xs[0] + xs[1]) / 2, y, 1)
    page.mouse("mouseMoved", xs[1], y, 1)
    page.mouse("mouseReleased", xs[1], y)


def test_zoom_shows_every_sample(page: Browser, rich: Run) -> None:
    figure = FIGURE.format(n=0)
    _, trace = trace_of_figure(rich, 0)
    torque = f"[...{figure}.querySelectorAll('.panel')].find(p => p.querySelector('h4').textContent === 'knee torque')"
    plot = f"{torque}.querySelector('svg.plot')"
    drawn = f"[...{figure}.querySelectorAll('svg.plot > *, svg.xy .lines')].filter(e => !e.matches('.cursor'))"
    drawing = f"{drawn}.map(e => e.outerHTML).join('')"
    whole = page.run(drawing)
    drag(page, plot, SPIKE / len(trace) - 0.01, SPIKE / len(trace) + 0.01)
    page.until(f"{figure}.dataset.view !== undefined")
    first, last = map(int, page.run(f"{figure}.dataset.view").split())
    assert 40 <= last - first <= 60  # 2 % of 2500 samples
    assert first < SPIKE < last
    path = page.run(f"{plot}.querySelector('.line.got').getAttribute('d')")
    points = np.array([[float(x), float(y)] for x, y in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", path)])
    assert len(points) == last - first + 1
    period = 10 * (WIDTH - LEFT - RIGHT) / (last - first)
    np.testing.assert_allclose(np.diff(points[:, 0]), period, atol=0.11)
    low = points[:, 1].min()
    high_up = np.flatnonzero(points[:, 1] < low + 50)  # y points down
    assert high_up.tolist() == [SPIKE - first, SPIKE - first + 1]  # two samples, side by side
    numbers = page.run(
        f"[...{plot}.querySelectorAll('.tick text')].map(t => [t.getAttribute('text-anchor'), t.textContent])"
    )
    times = [float(text) for anchor, text in numbers if anchor == "middle"]
    assert all(trace.time_s[first] <= t <= trace.time_s[last] for t in times)
    assert len(times) >= 3
    # All plots show the same stretch of time, and the whole comes back as it was.
    page.run(f"{figure}.querySelector('[data-do=whole]').click()")
    page.until(f"{figure}.dataset.view === undefined")
    assert page.run(drawing) == whole


def test_print_shows_the_whole_after_a_zoom(page: Browser) -> None:
    figure = FIGURE.format(n=0)
    plot = f"{figure}.querySelector('svg.plot')"
    drag(page, plot, 0.3, 0.5)
    page.until(f"{figure}.dataset.view !== undefined")
    zoomed = page.run(f"{figure}.dataset.view")
    page.run(f"addEventListener('beforeprint', () => {{ window.atPrint = {figure}.dataset.view ?? 'whole'; }})")
    page.call("Page.printToPDF", preferCSSPageSize=True)
    assert page.run("window.atPrint") == "whole"
    page.until(f"{figure}.dataset.view === '{zoomed}'")
    page.run(f"{figure}.querySelector('[data-do=whole]').click()")
    page.until(f"{figure}.dataset.view === undefined")


def test_cursors_are_linked(page: Browser) -> None:
    figure = FIGURE.format(n=1)
    plot = f"{figure}.querySelectorAll('svg.plot')[2]"
    page.run(f"{plot}.scrollIntoView({{block: 'center'}})")
    left, top, width = page.run(
        f"(() => {{ const b = {plot}.getBoundingClientRect(); return [b.left, b.top, b.width]; }})()"
    )
    page.mouse("mouseMoved", left + width * (LEFT + 0.6 * (WIDTH - LEFT - RIGHT)) / WIDTH, top + 30)
    page.until(f"Math.abs({figure}.dataset.at - 0.6 * 2499) < 3")
    ds = page.run(f"[...{figure}.querySelectorAll('.cursor')].map(c => c.getAttribute('d'))")
    assert len(set(ds)) == 1
    assert len(ds) == page.run(f"{figure}.querySelectorAll('svg.plot').length")
    assert float(ds[0][1:].split()[0]) == pytest.approx(LEFT + 0.6 * (WIDTH - LEFT - RIGHT), abs=1)
    assert f" {TOP}v" in ds[0]


def test_the_first_violation_is_found_and_shown(page: Browser, rich: Run) -> None:
    figure = FIGURE.format(n=1)
    _, trace = trace_of_figure(rich, 1)
    error = np.degrees(np.abs(trace.column("knee.setpoint") - trace.column("knee.position")))
    first = int(np.flatnonzero(error > 2.5)[0])
    said = page.run(f"{figure}.querySelector('.first').textContent")
    assert said.startswith(f"{trace.time_s[first]:.3f} s: first beyond a limit: knee following error 4.2")
    assert "limit 2.5 deg" in said
    page.run(f"{figure}.querySelector('.first button').click()")
    page.until(f"{figure}.dataset.at === '{first}'")
    place = page.run(f"{figure}.querySelector('.mark.violation').getAttribute('d')")
    cursor = page.run(f"{figure}.querySelector('.cursor').getAttribute('d')")
    assert float(place[1:].split()[0]) == pytest.approx(float(cursor[1:].split()[0]), abs=0.1)


def test_works_without_a_mouse(page: Browser) -> None:
    figure = FIGURE.format(n=0)
    put_slider(page, figure, 100)
    page.run(f"{figure}.querySelector('input').focus()")
    page.key("ArrowRight", 39)
    page.until(f"{figure}.dataset.at === '101'")
    page.key("+", 187)
    page.until(f"{figure}.dataset.view !== undefined")
    first, last = map(int, page.run(f"{figure}.dataset.view").split())
    assert first <= 101 <= last < 2499
    page.key("0", 48)
    page.until(f"{figure}.dataset.view === undefined")
    for _ in range(2):
        page.key("Tab", 9)
    assert page.run("document.activeElement.textContent") == "zoom in"


@pytest.fixture(scope="module")
def planar(chromium: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Browser, Run]]:
    run = read_run(make_run(tmp_path_factory.mktemp("runs"), cycles=120, leg=planar_leg()))
    path: Path = write_reports(run)["report.html"]
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        opened.open(path)
        yield opened, run


def test_a_planar_leg_is_drawn_as_recorded(planar: tuple[Browser, Run]) -> None:
    page, run = planar
    figure = FIGURE.format(n=4)
    _, trace = trace_of_figure(run, 4)
    leg = run.header.legs[0]
    actuators = np.stack([trace.column(f"{name}.position") for name in leg.joint_names], axis=1)
    at = pose.placement(leg, actuators)
    for n in (0, 50, len(trace) - 1):
        put_slider(page, figure, n)
        (side,) = sticks(page, figure)
        (points,) = pose.views(leg, actuators[n : n + 1], at).values()
        np.testing.assert_allclose(side, points[0], atol=0.01)
    assert page.errors() == []
