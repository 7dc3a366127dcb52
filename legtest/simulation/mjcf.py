"""The MuJoCo model of a Plant, as an MJCF string.

World frame: x forward, y left, z up, origin at the hip when the carriage is clamped. Zero pose: leg straight down.
Per actuator there is a rotor, a hinge of its own, in the coordinates the drive believes in; a fixed tendon couples it
to the joints. The tendon is an elastic spring with a dead band: stiffness, damping and backlash of gear and belt.
"""

from __future__ import annotations

import math

from legtest.simulation.plant import Link, Plant, Vector

STEP_NS = 500_000
FOOT_RADIUS_m = 0.010

# Semi-implicit Euler, because MuJoCo's implicit integrators drop the cross terms of a damper between two kinematic
# trees: each transmission would add step x damping to the inertia on both its sides (0.65 % in a pendulum's period).
_INTEGRATOR = "Euler"
# impratio 100 keeps a foot that stands from sliding: 0.1 mm instead of 8 mm in 2 s.
# Friction loss is a soft constraint: with MuJoCo's defaults a joint at three quarters of its stiction creeps by
# 14 mrad/s, which would let the leg forget where friction holds it. These leave 0.013 mrad/s.
_STIFF_FRICTION = 'solreffriction="0.002 1" solimpfriction="0.999 0.999 0.001"'
_STOP = 'solreflimit="0.002 1" solimplimit="0.95 0.99 0.002"'
_CLAMP = 'solref="0.004 1" solimp="0.99 0.999 0.001"'


def mjcf(plant: Plant) -> str:
    """The model of a plant; joints `stand_x`, `stand_y`, `rail`, the leg's joints, then `rotor_<name>` each."""
    return f"""<mujoco><compiler angle="radian"/>
<option timestep="{STEP_NS * 1e-9!r}" integrator="{_INTEGRATOR}" gravity="0 0 -9.80665" cone="elliptic" impratio="100"
 iterations="20" tolerance="1e-10"><flag island="disable"/></option>
<default><geom contype="0" conaffinity="0"/></default>
<worldbody>
<geom name="floor" type="plane" size="1 1 0.1" pos="0 0 {-plant.stand.hip_height_m!r}" contype="1" conaffinity="1"/>
{_stand(plant)}
{_rotors(plant)}
</worldbody>
<tendon>{_transmissions(plant)}</tendon>
<equality>{_clamps(plant)}</equality>
<actuator>{_actuators(plant)}</actuator>
</mujoco>"""


def _stand(plant: Plant) -> str:
    s = plant.stand
    swinging = s.moving_mass_kg + s.carriage_mass_kg + sum(link.mass_kg for link in plant.links)
    damping = 2 * s.damping_ratio * math.sqrt(s.stiffness_N_per_m * swinging)
    spring = f'stiffness="{s.stiffness_N_per_m!r}" damping="{damping!r}"'
    return f"""<body name="stand">
<joint name="stand_x" type="slide" axis="1 0 0" {spring}/><joint name="stand_y" type="slide" axis="0 1 0" {spring}/>
{_inertial(Link(s.moving_mass_kg, (0.0, 0.0, 0.0), (0.1, 0.1, 0.1)))}
<body name="carriage">
<joint name="rail" type="slide" axis="0 0 1" damping="{s.rail_damping_Ns_per_m!r}" frictionloss="{s.rail_friction_N!r}"
 {_STIFF_FRICTION} limited="true" range="-10 10" {_STOP}/>
{_inertial(Link(s.carriage_mass_kg, (0.0, 0.0, 0.0), (0.01, 0.01, 0.01)))}
{_leg(plant)}
</body></body>"""


def _leg(plant: Plant) -> str:
    *hip, thigh, shank = plant.links
    top = (0.0, plant.hip_offset_m, 0.0)
    # The foot is a body of its own so that a mass can be hung from it and a force applied at its centre.
    foot = f"""<body name="foot" pos="0 0 {-plant.shank_m!r}">
{_inertial(Link(1e-9, (0.0, 0.0, 0.0), (1e-12, 1e-12, 1e-12)))}
<geom name="foot" type="sphere" size="{FOOT_RADIUS_m!r}" mass="0" contype="1" conaffinity="1" friction="1 0.005 0.0001"
 solref="0.006 1" solimp="0.95 0.99 0.001"/></body>"""
    lower = f"""<body name="shank" pos="0 0 {-plant.thigh_m!r}">{_joint(plant, "knee", "0 1 0")}{_inertial(shank)}
{foot}</body>"""
    upper = f"""<body name="thigh" pos="{_text(top)}">{_joint(plant, "hip", "0 1 0")}{_inertial(thigh)}
{lower}</body>"""
    if not hip:
        return upper
    return f"""<body name="hip">{_joint(plant, "abduction", "1 0 0")}{_inertial(hip[0])}
{upper}</body>"""


def _joint(plant: Plant, name: str, axis: str) -> str:
    stop = plant.stops[plant.joints.index(name)]
    return (
        f'<joint name="{name}" type="hinge" axis="{axis}" limited="true" {_STOP} '
        f'range="{stop.low_rad!r} {stop.high_rad!r}"/>'
    )


def _inertial(link: Link) -> str:
    return f'<inertial pos="{_text(link.centre_m)}" mass="{link.mass_kg!r}" diaginertia="{_text(link.inertia_kgm2)}"/>'


def _rotors(plant: Plant) -> str:
    return "\n".join(
        f'<body name="rotor_{a.name}"><joint name="rotor_{a.name}" type="hinge" axis="0 1 0" '
        f'armature="{a.rotor_inertia_kgm2!r}" damping="{a.viscous_Nms_per_rad!r}" frictionloss="{a.friction_Nm!r}" '
        f"{_STIFF_FRICTION}/>{_inertial(Link(1e-9, (0.0, 0.0, 0.0), (1e-12, 1e-12, 1e-12)))}</body>"
        for a in plant.axes
    )


def _transmissions(plant: Plant) -> str:
    out = []
    for axis, row in zip(plant.axes, plant.actuator_of_joint, strict=True):
        half = axis.backlash_rad / 2
        terms = [
            f'<joint joint="{joint}" coef="{factor!r}"/>'
            for joint, factor in zip(plant.joints, row, strict=True)
            if factor
        ]
        out.append(
            f'<fixed name="{axis.name}" stiffness="{axis.transmission_Nm_per_rad!r}" '
            f'damping="{axis.transmission_Nms_per_rad!r}" springlength="{-half!r} {half!r}">{"".join(terms)}'
            f'<joint joint="rotor_{axis.name}" coef="{-1 / axis.gear_scale!r}"/></fixed>'
        )
    return "".join(out)


def _clamps(plant: Plant) -> str:
    return "".join(
        f'<joint name="clamp_{joint}" joint1="{joint}" polycoef="0 0 0 0 0" active="false" {_CLAMP}/>'
        for joint in ("rail", *plant.joints)
    )


def _actuators(plant: Plant) -> str:
    return "".join(
        f'<pid name="{a.name}" joint="rotor_{a.name}" input="pos vel ff" '
        f'kp="{a.stiffness_Nm_per_rad * a.torque_scale!r}" '
        f'kv="{a.damping_Nms_per_rad * a.torque_scale!r}" slewmax="1" forcerange="-1 1" forcelimited="true"/>'
        for a in plant.axes
    )


def _text(vector: Vector) -> str:
    return " ".join(repr(x) for x in vector)
