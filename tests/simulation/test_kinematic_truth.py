"""The simulated leg against reference poses, gravity torques, Jacobians and inertia of an independent library."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import mujoco
import numpy as np
import pytest
import yaml
from make_leg import make_bench, make_leg

from legtest.simulation.mjcf import mjcf
from legtest.simulation.plant import Link, Plant, StopPlant, plant_of

REFERENCES = Path(__file__).parents[1] / "references" / "kinematics"
# tests/references/kinematics/leg-poses.csv: 20 poses by pinocchio 4.1.0, agreeing with a closed form to 1e-15.
POSES = list(csv.DictReader(row for row in (REFERENCES / "leg-poses.csv").read_text().splitlines() if row[0] != "#"))
DYNAMICS = yaml.safe_load((REFERENCES / "kinematics.yaml").read_text())["dynamics"]
JOINTS = ("abduction", "hip", "knee")


def reference_plant() -> Plant:
    """The leg of the reference file's header, on a stand that does not yield."""
    plant = plant_of(make_leg(), make_bench(), 1)
    links = (
        Link(0.55, (0.0, 0.0305, 0.0), (4e-4, 3e-4, 4e-4)),
        Link(0.90, (0.0, 0.0, -0.0688), (3e-3, 3e-3, 5e-4)),
        Link(0.25, (0.0, 0.0, -0.0658), (1e-3, 1e-3, 5e-5)),
    )
    free = StopPlant(-3.2, 3.2, 0.0, 0.0)
    return replace(plant, hip_offset_m=0.061, thigh_m=0.172, shank_m=0.188, links=links, stops=(free,) * 3)


@pytest.fixture(scope="module")
def leg() -> tuple[mujoco.MjModel, mujoco.MjData]:
    model = mujoco.MjModel.from_xml_string(mjcf(reference_plant()))
    return model, mujoco.MjData(model)


def place(leg: tuple[mujoco.MjModel, mujoco.MjData], row: dict[str, str]) -> list[int]:
    """Put the joints where the row says; the rows of the joints in generalised coordinates."""
    model, data = leg
    dofs = [int(model.joint(name).dofadr[0]) for name in JOINTS]
    data.qvel[:] = 0.0
    for dof, key in zip(dofs, ("a_deg", "h_deg", "k_deg"), strict=True):
        data.qpos[dof] = np.radians(float(row[key]))
    mujoco.mj_forward(model, data)
    return dofs


@pytest.mark.parametrize("row", POSES, ids=lambda row: f"{row['a_deg']},{row['h_deg']},{row['k_deg']}")
def test_pose_jacobian_and_gravity_are_the_reference(
    leg: tuple[mujoco.MjModel, mujoco.MjData], row: dict[str, str]
) -> None:
    model, data = leg
    dofs = place(leg, row)
    foot = model.body("foot").id
    assert data.xpos[foot] == pytest.approx([float(row[k]) for k in "xyz"], abs=1e-9)
    jacobian = np.zeros((3, model.nv))
    mujoco.mj_jacBody(model, data, jacobian, None, foot)
    expected = [[float(row[f"J{axis}{joint}"]) for joint in "ahk"] for axis in "xyz"]
    assert jacobian[:, dofs] == pytest.approx(np.array(expected), abs=1e-9)
    gravity = [float(row[f"g_{joint}"]) for joint in "ahk"]
    assert data.qfrc_bias[dofs] == pytest.approx(gravity, abs=1e-7)


def test_mass_matrix_is_the_reference(leg: tuple[mujoco.MjModel, mujoco.MjData]) -> None:
    # tests/references/kinematics/kinematics.yaml, "dynamics": pinocchio and MuJoCo inverse dynamics agree to 1.3e-9.
    model, data = leg
    q = {key: str(np.degrees(value)) for key, value in zip(("a_deg", "h_deg", "k_deg"), DYNAMICS["q"], strict=True)}
    dofs = place(leg, q)
    full = np.zeros((model.nv, model.nv))
    mujoco.mj_fullM(model, data, full)
    assert full[np.ix_(dofs, dofs)] == pytest.approx(np.array(DYNAMICS["mass_matrix"]), abs=1e-8)
