"""Against worked numbers for ISO 9283:1998 and ISO 230-2:2014 (constructed by hand after the recalled formulas)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from metrology_references import columns, load

from legtest.metrology.positioning import (
    axis_positioning,
    path_accuracy,
    path_repeatability,
    pose_accuracy,
    pose_repeatability,
)

REFERENCE = load("positioning/positioning.yaml")
ISO_9283, ISO_230_2 = REFERENCE["ISO_9283"], REFERENCE["ISO_230_2"]


def test_pose_by_hand():
    x = ISO_9283["pose"]
    assert pose_accuracy(x["attained_mm"], x["command_mm"]) == pytest.approx(x["AP_p"], abs=1e-12)
    rp = pose_repeatability(x["attained_mm"])
    assert (rp.mean_distance, rp.sd_distance, rp.value) == pytest.approx((x["l_bar"], x["S_l"], x["RP_l"]), abs=1e-8)


def test_pose_of_thirty_cycles():
    x, data = ISO_9283["pose_30"], columns("positioning/iso9283-pose-30.csv")
    points = np.column_stack([data["x"], data["y"], data["z"]])
    assert pose_accuracy(points, x["command_mm"]) == pytest.approx(x["AP_p"], abs=1e-8)
    assert pose_repeatability(points).value == pytest.approx(x["RP_l"], abs=1e-8)


def deviations(dz_of_row_3=None):
    dy, dz = np.array(ISO_9283["path"]["dy"]), np.array(ISO_9283["path"]["dz"])
    if dz_of_row_3 is not None:
        dz[2] = dz_of_row_3
    return np.stack([dy.T, dz.T], axis=-1)  # cycles, planes, 2


def test_path():
    x = ISO_9283["path"]
    assert path_accuracy(deviations(), np.zeros((5, 2))) == pytest.approx(x["AT_p"], abs=1e-12)
    assert path_repeatability(deviations()).value == pytest.approx(x["RT_p"], abs=1e-8)
    changed = path_repeatability(deviations([0.3, -0.1, -0.1, -0.1]))
    assert changed.value == pytest.approx(x["variant"]["RT_p"], abs=1e-8)


def test_iso_230_2():
    x = axis_positioning(ISO_230_2["up"], ISO_230_2["down"])
    wanted = ISO_230_2["results"]
    assert (x.B, x.B_mean, x.M) == pytest.approx((wanted["B"], wanted["B_mean"], wanted["M"]), abs=1e-8)
    assert pytest.approx((wanted["R_bi"], wanted["A_bi"], wanted["E_bi"]), abs=1e-6) == (x.R, x.A, x.E)


@pytest.mark.parametrize("directions", [1, 2, 3])
@pytest.mark.parametrize("n", [10, 30])
def test_stated_uncertainty_of_rp_is_its_scatter(directions, n):
    rng = np.random.default_rng(9283)
    results = [pose_repeatability(points) for points in rng.normal(size=(2000, n, directions))]
    scatter = np.std([r.value for r in results])
    assert np.sqrt(np.mean([r.u**2 for r in results])) == pytest.approx(scatter, rel=0.15)


@given(st.integers(0, 2**32 - 1), st.integers(2, 12), st.floats(0, 6.3), st.floats(0.1, 100))
def test_rp_does_not_depend_on_where_and_how_the_axes_lie(seed, n, turn, scale):
    points = np.random.default_rng(seed).normal(size=(n, 2))
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = scale * points @ rotation.T + [100, -50]
    before, after = pose_repeatability(points), pose_repeatability(moved)
    assert after.value == pytest.approx(scale * before.value, rel=1e-6)
    assert after.u == pytest.approx(scale * before.u, rel=1e-6, nan_ok=True)


@given(st.integers(0, 2**32 - 1), st.floats(-5, 5))
def test_a_constant_reversal_is_the_b_of_iso_230_2(seed, backlash):
    down = np.random.default_rng(seed).normal(size=(4, 5))
    x = axis_positioning(down + backlash, down)
    assert pytest.approx(abs(backlash), abs=1e-9) == x.B
    assert x.B_mean == pytest.approx(backlash, abs=1e-9)


def test_one_axis_and_two_poses():
    rp = pose_repeatability([0.1, 0.3])
    assert rp.value == pytest.approx(0.1)  # both lie 0.1 from the mean, so their distances do not scatter
    assert np.isnan(rp.u)


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="at least 2 finite points"):
        pose_repeatability([[1.0, 2.0]])
    with pytest.raises(ValueError, match="finite points"):
        pose_repeatability([1.0, np.nan])
    with pytest.raises(ValueError, match="cycles, points, d"):
        path_repeatability(np.zeros((3, 4)))
    with pytest.raises(ValueError, match="both directions"):
        axis_positioning(np.zeros((3, 4)), np.zeros((2, 4)))
    with pytest.raises(ValueError, match="2 runs"):
        axis_positioning(np.zeros((3, 1)), np.zeros((3, 4)))
