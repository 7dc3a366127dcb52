"""Drawings: nothing extreme is thinned away, and the leg drawn is the leg recorded."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from legtest.kinematics import foot_of_joints, joints_of_actuators
from legtest.records.trace import trace_of
from legtest.reports import pose
from legtest.reports.plot import HEIGHT, LEFT, RIGHT, WIDTH, Plot, Series, svg
from legtest.reports.stage import script_json
from legtest.reports.thin import strokes, ticks
from tests.records.make_run import SYNC, make_frames, make_leg, make_wiremap


def lines_of(plot: Plot) -> list[str]:
    """The path of each line of the drawing."""
    paths = ET.fromstring(svg(plot)).iter("path")
    return [path.get("d", "") for path in paths if (path.get("class") or "").startswith("line ")]


def drawn(plot: Plot) -> list[np.ndarray]:
    """The points of each path of the drawing, absolute, in tenths of a unit."""
    lines = []
    for path in lines_of(plot):
        points: list[tuple[int, int]] = []
        for start, moves in re.findall(r"M(-?\d+ -?\d+)l([-\d ]+)", path):
            x, y = map(int, start.split())
            points.append((x, y))
            steps = list(map(int, moves.split()))
            for dx, dy in zip(steps[::2], steps[1::2], strict=True):
                x, y = x + dx, y + dy
                points.append((x, y))
        lines.append(np.array(points))
    return lines


def test_a_spike_of_two_samples_in_an_hour_stays() -> None:
    values = np.zeros(900_000)
    values[412_345:412_347] = 15.0
    (line,) = drawn(Plot("knee torque", "N*m", np.arange(900_000) / 250, (Series("torque", "got", values),)))
    assert line[:, 1].min() < 0.1 * line[:, 1].max()
    spike = line[line[:, 1].argmin()]
    assert abs(spike[0] - 10 * (WIDTH - LEFT - RIGHT) * 412_345 / 900_000) <= 2
    assert len(line) <= 1600


@given(
    arrays(np.float64, st.integers(1, 400), elements=st.floats(-1e6, 1e6) | st.just(float("nan"))), st.integers(2, 60)
)
def test_thinning_keeps_every_bins_extremes_and_nothing_missing(values: np.ndarray, columns: int) -> None:
    runs = strokes(values, columns)
    kept = np.concatenate(runs) if runs else np.empty(0, int)
    assert (np.diff(kept) >= 0).all()
    assert not np.isnan(values[kept]).any()
    size = 1 if len(values) <= 2 * columns else -(-len(values) // columns)
    for start in range(0, len(values), size):
        there = values[start : start + size]
        there = there[~np.isnan(there)]
        shown = values[kept[(kept >= start) & (kept < start + size)]]
        if len(there):
            assert (shown.min(), shown.max()) == (there.min(), there.max())


def test_missing_samples_break_the_line() -> None:
    values = np.sin(np.arange(100) / 9)
    values[40:45] = np.nan
    plot = Plot("p", "deg", np.arange(100.0), (Series("a", "got", values),))
    assert lines_of(plot)[0].count("M") == 2
    assert lines_of(Plot("p", "deg", np.arange(3.0), (Series("a", "got", np.full(3, np.nan)),)))[0].count("M") == 0
    assert "no samples" in svg(Plot("p", "deg", np.empty(0), (Series("a", "got", np.empty(0)),)))


def test_axes_have_units_and_stay_inside() -> None:
    root = ET.fromstring(svg(Plot("p", "<N*m>", np.arange(10.0), (Series("a", "got", np.arange(10.0)),))))
    texts = [t.text for t in root.iter("text")]
    assert "time / s" in texts
    assert "<N*m>" in texts
    for text in root.iter("text"):
        assert 0 <= float(text.get("x", "-1")) <= WIDTH
        assert 0 <= float(text.get("y", "-1")) <= HEIGHT


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(2, 9))
def test_ticks_are_round_and_inside(low: float, width: float, about: int) -> None:
    high = low + width
    found = ticks(low, high, about)
    assert len(found) <= about + 2
    assert all(low - 1e-6 * width - 1e-9 <= t <= high + 1e-6 * width + 1e-9 for t in found)


def test_known_ticks() -> None:
    assert ticks(0.0, 2.0, 5) == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert ticks(-82.1, -20.5, 5) == [-80.0, -60.0, -40.0]
    assert ticks(1.0, 1.0, 5) == []


def test_the_leg_drawn_is_the_leg_recorded() -> None:
    leg = make_leg()
    maps = [make_wiremap(j.name, j.drive.node) for j in leg.joints]
    trace = trace_of(make_frames(maps, 50), maps, SYNC, 0)
    actuators = np.stack([trace.column(f"{name}.position") for name in leg.joint_names], axis=1)
    chain = pose.joint_chain(leg, actuators)
    lengths = np.linalg.norm(np.diff(chain, axis=1), axis=2)
    g = leg.geometry
    np.testing.assert_allclose(lengths, [[g.hip_offset_m, g.thigh_m, g.shank_m]] * 50, atol=1e-12)
    np.testing.assert_allclose(chain[:, 3], foot_of_joints(leg, joints_of_actuators(leg, actuators)), atol=1e-12)
    # Seen from behind, what is on the leg's left (+y) is drawn on the left, and up is up.
    seen = pose.views(leg, actuators)
    behind = seen["from behind"][:, 1:] - seen["from behind"][:, :1]
    scale = pose.HEIGHT_OF_REACH / (g.hip_offset_m + g.thigh_m + g.shank_m)
    np.testing.assert_allclose(behind[:, :, 0], -scale * chain[:, 1:, 1], atol=1e-9)
    np.testing.assert_allclose(behind[:, :, 1], -scale * chain[:, 1:, 2], atol=1e-9)
    # Back from the drawing: the angle between thigh and shank seen from the side. With the leg swung sideways the
    # view shortens both, so the abduction is set to zero here.
    actuators[:, 0] = 0.0
    side = pose.views(leg, actuators)["side"]
    thigh, shank = side[:, 2] - side[:, 1], side[:, 3] - side[:, 2]
    # Positive joint angles move the foot backward (leftward here); y points down in a drawing.
    angle = np.arctan2(-shank[:, 0], shank[:, 1]) - np.arctan2(-thigh[:, 0], thigh[:, 1])
    np.testing.assert_allclose(angle, joints_of_actuators(leg, actuators)[:, 2], atol=1e-9)


def test_json_in_a_script_cannot_end_it() -> None:
    text = script_json(["</script><!--", "&amp;"])
    assert "<" not in text
    assert "&" not in text
    assert text == '["\\u003c/script\\u003e\\u003c!--","\\u0026amp;"]'
