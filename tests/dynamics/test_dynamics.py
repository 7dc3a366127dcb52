"""Torques of motion against pinocchio's values (tests/references/kinematics, agreed by MuJoCo and closed forms)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml

from legtest.description import read_leg
from legtest.dynamics import independent, names, regressor

ROOT = Path(__file__).parents[2]
REFERENCES = ROOT / "tests/references/kinematics"
FL = read_leg(ROOT / "fixtures/legs/tarn-fl.yaml")  # 172, 188 and 61 mm, as the reference leg
LINKS = (  # mass, centre, principal inertias about it: the reference leg, by the heads of its files
    (0.55, (0.0, 0.0305, 0.0), (4e-4, 3e-4, 4e-4)),
    (0.90, (0.0, 0.0, -0.0688), (3e-3, 3e-3, 5e-4)),
    (0.25, (0.0, 0.0, -0.0658), (1e-3, 1e-3, 5e-5)),
)


def parameters(links: tuple[tuple[float, tuple[float, ...], tuple[float, ...]], ...]) -> np.ndarray:
    """Ten for each link; the inertia moved from the centre to the origin (Steiner)."""
    out = []
    for mass, centre, inertia in links:
        c = np.array(centre)
        moved = np.diag(inertia) + mass * (c @ c * np.eye(3) - np.outer(c, c))
        off = (moved[0, 1], moved[0, 2], moved[1, 2])
        out += [mass, *(mass * c), *np.diag(moved), *off]
    return np.array(out)


def test_gravity_torques_of_twenty_poses() -> None:
    lines = [line for line in (REFERENCES / "leg-poses.csv").read_text().splitlines() if not line.startswith("#")]
    head = lines[0].split(",")
    rows = np.array([[float(x) for x in line.split(",")] for line in lines[1:]])
    q = np.radians(rows[:, :3])
    torque = regressor(FL, q, 0 * q, 0 * q) @ parameters(LINKS)
    assert torque == pytest.approx(rows[:, [head.index(f"g_{j}") for j in "ahk"]], abs=1e-7)


def test_mass_matrix_and_inverse_dynamics() -> None:
    x = yaml.safe_load((REFERENCES / "kinematics.yaml").read_text())["dynamics"]
    p = parameters(LINKS)
    still = [0.0, 0.0, 0.0]
    mass = np.stack([(regressor(FL, x["q"], still, e, gravity=0.0) @ p)[0] for e in np.eye(3)], axis=1)
    assert mass == pytest.approx(np.array(x["mass_matrix"]), abs=1e-8)
    torque = (regressor(FL, x["q"], x["v"], x["a"]) @ p)[0]
    assert torque == pytest.approx(x["inverse_dynamics"], abs=1e-8)


def test_only_some_parameters_act_on_the_joints() -> None:
    """A pendulum shows mx, mz and Iyy of its link; two of them in a plane three more (textbook, e.g. Khalil/Dombre)."""
    hopper = read_leg(ROOT / "fixtures/legs/tarn-hopper.yaml")
    rng = np.random.default_rng(2)
    q, v, a = (rng.normal(size=(50, 2)) for _ in range(3))
    kept = independent(regressor(hopper, q, v, a)[:, 1])
    assert [names(hopper)[i] for i in kept] == ["knee.mx", "knee.mz", "knee.Iyy"]
    whole = regressor(hopper, q, v, a).reshape(100, 20)
    assert len(independent(whole)) == np.linalg.matrix_rank(whole) == 6


def test_columns_that_depend_on_others_are_left_out() -> None:
    x = np.random.default_rng(1).normal(size=(20, 2))
    assert independent(np.column_stack([x[:, 0], 2 * x[:, 0], x[:, 1], x.sum(axis=1), np.zeros(20)])) == [0, 2]


def test_a_longer_thigh_is_felt() -> None:
    longer = replace(FL, geometry=replace(FL.geometry, thigh_m=0.2))
    q = np.array([[0.1, 0.5, -0.8]])
    at_rest = np.zeros((1, 3))
    torques = [(regressor(leg, q, at_rest, at_rest) @ parameters(LINKS))[0, 1] for leg in (FL, longer)]
    assert torques[1] - torques[0] == pytest.approx(0.25 * 9.80665 * 0.028 * np.cos(0.1) * np.sin(0.5), abs=1e-12)
