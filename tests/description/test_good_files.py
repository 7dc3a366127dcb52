"""Correct files, read to the values that stand in them."""

from __future__ import annotations

import configparser
import hashlib
import subprocess
import sys
from collections.abc import Callable
from math import radians
from pathlib import Path

import pytest
from good_leg import BENCH, LEG, STAND

from legtest import description
from legtest.description.model import Limit
from legtest.description.protection import (
    Anchorage,
    Braking,
    Catch,
    EmergencyStop,
    EnablingDevice,
    Protection,
    Supply,
)
from legtest.quantities import QUANTITIES

FIXTURES = Path(__file__).parents[2] / "fixtures"
TARN = str(FIXTURES / "legs" / "tarn-fl.yaml")
Write = Callable[..., Path]


def test_leg(write: Write) -> None:
    path = write(LEG)
    leg = description.read_leg(path)
    assert (leg.name, leg.path) == ("try-1", str(path))
    assert leg.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (leg.geometry.thigh_m, leg.geometry.shank_m, leg.geometry.knee_sign) == (0.16, 0.15, -1)
    assert leg.joint_names == ("hip", "knee")
    assert leg.coupling == ((1.0, 0.0), (-1.0, 1.0))
    hip, knee = leg.joints
    assert hip.travel_rad == (radians(-80), radians(81))
    assert hip.limits_rad == (radians(-78), radians(78))
    assert (hip.speed_rad_s, hip.torque_Nm) == (12.0, 12.0)
    assert (hip.home.stop, hip.home.torque_Nm, hip.home.speed_rad_s) == ("low", 1.8, 0.5)
    drive = hip.drive
    assert (drive.protocol, drive.node, drive.counts_per_turn) == ("cia402", 1, 65536.0)
    assert (drive.rated_torque_Nm, drive.stiffness_Nm_per_rad, drive.damping_Nms_per_rad) == (4.0, 120.0, 2.0)
    assert (drive.vendor, drive.product, drive.revision, drive.serial) == (31, None, None, None)
    assert Path(drive.eds) == path.parent / "axis.eds"
    assert (hip.drive.sign, knee.drive.sign) == (1, -1)
    assert (leg.decision.name, leg.decision.coverage) == ("guarded", 0.95)
    assert leg.simulation == {"thigh_mass_kg": 0.7}


def test_criteria_know_their_line_and_a_joint_goes_before_the_leg(write: Write) -> None:
    criteria = description.read_leg(write(LEG)).criteria
    assert criteria.limit("backlash", "hip") == Limit(None, radians(0.5), "angle", "leg.yaml:35")
    assert criteria.limit("backlash", "knee") == Limit(None, radians(0.7), "angle", "leg.yaml:40")
    assert criteria.limit("holding_torque_ratio", "knee") == Limit(0.9, 1.1, "ratio", "leg.yaml:36")
    assert criteria.limit("cable_pull", "leg") == Limit(3.0, None, "force", "leg.yaml:38")
    assert criteria.limit("carriage_drag", "leg") is None


def test_order_of_joints_is_the_leg_s_own(write: Write) -> None:
    head, hip, knee = LEG[: LEG.index("  hip:\n")], "  hip:\n", "  knee:\n"
    start, middle, end = LEG.index(hip), LEG.index(knee), LEG.index("coupling:")
    swapped = write(head + LEG[middle:end] + LEG[start:middle] + LEG[end:], "swapped.yaml")
    straight = write(LEG)
    assert description.read_leg(swapped).joints == description.read_leg(straight).joints
    assert description.light_read(swapped) == ("try-1", ("hip", "knee"))


def test_without_optional_sections(write: Write) -> None:
    text = LEG[: LEG.index("coupling:")] + "decision: {rule: simple, coverage: 0.9}\n"
    leg = description.read_leg(write(text))
    assert leg.coupling == ((1.0, 0.0), (0.0, 1.0))
    assert leg.criteria.limit("backlash", "knee") is None
    assert leg.simulation == {}
    assert (leg.decision.name, leg.decision.coverage) == ("simple", 0.9)


def test_byte_order_mark_and_windows_lines(write: Write) -> None:
    leg = description.read_leg(write(b"\xef\xbb\xbf" + LEG.replace("\n", "\r\n").encode()))
    assert leg.criteria.limit("backlash", "hip") == Limit(None, radians(0.5), "angle", "leg.yaml:35")


def test_stand_and_bench(write: Write) -> None:
    stand_path, path = write(STAND, "stand.yaml"), write(BENCH, "bench.yaml")
    bench = description.read_bench(path)
    assert bench.stand == description.read_stand(stand_path)
    assert (bench.stand.carriage_mass_kg, bench.stand.hip_height_m) == (1.2, 0.52)
    assert bench.stand.measures["fence"] == "none"
    assert bench.stand.simulation == {"damping_ratio": 0.03, "stiffness_N_per_m": 20000.0}
    assert (bench.interface, bench.channel, bench.bit_rate, bench.rate_hz) == ("slcan", "/dev/ttyACM0", 1_000_000, 250)
    assert (bench.heartbeat_s, bench.loss_s) == (0.02, 0.1)
    assert (bench.known_mass_kg, bench.known_mass_u_kg) == (1.0, 0.002)
    simulated = BENCH[: BENCH.index("known_mass")].replace("slcan, channel: /dev/ttyACM0", "simulated")
    without = description.read_bench(write(simulated, "bench2.yaml"))
    assert (without.known_mass_kg, without.known_mass_u_kg) == (None, 0.0)
    assert (without.protection, without.power_W) == (None, None)


def test_protection(write: Write) -> None:
    write(STAND, "stand.yaml")
    bench = description.read_bench(write(BENCH, "bench.yaml"))
    assert bench.protection == Protection(
        leg_mass_kg=1.9,
        emergency_stop=EmergencyStop(True, 0.6, "all supplies"),
        enabling_device=EnablingDevice(3, "motor supply"),
        fence=None,
        catch=Catch(0.015, 0.06, 400.0),
        brake_clamp_N=300.0,
        supply=Supply((23.0, 25.0), 10.0),
        braking=Braking(0.01, 56.0, None, 0.012),
        anchorage=Anchorage(500.0, 150.0),
        supply_switch_s=0.08,
        adapter="serial number 20311",
    )
    assert bench.power_W == 230.0  # 10 A at the lowest 23 V


def test_every_line_of_the_protection_may_be_none_but_the_leg_s_mass(write: Write) -> None:
    write(STAND.replace("slings", "none").replace("screw clamp", "none").replace("button", "none"), "stand.yaml")
    head, section = BENCH.split("protection:\n")
    lines = [line.split(":")[0] + ": none" for line in section.splitlines()]
    text = "\n".join([head + "protection:", '  leg_mass: "1.9 kg"', *lines[1:]])
    bench = description.read_bench(write(text, "bench.yaml"))
    assert bench.protection == Protection(1.9, *[None] * 10)
    assert bench.power_W is None


def test_a_supply_without_a_limit_has_no_power(write: Write) -> None:
    write(STAND, "stand.yaml")
    bench = description.read_bench(write(BENCH.replace('current_limit: "10 A"', "current_limit: none"), "bench.yaml"))
    assert bench.power_W is None


@pytest.mark.parametrize("name", ["streams", "streams-fenced", "rehearsal"])
def test_live_fixture_benches_say_what_protects(name: str) -> None:
    assert description.read_bench(FIXTURES / "benches" / f"{name}.yaml").protection is not None


def test_packaged_bench_is_simulated_and_as_capable_as_the_streams_bench() -> None:
    packaged = description.default_bench()
    streams = description.read_bench(FIXTURES / "benches" / "simulated.yaml")
    assert packaged.interface == streams.interface == "simulated"
    assert packaged.stand.simulation == streams.stand.simulation
    for attribute in ("bit_rate", "rate_hz", "heartbeat_s", "loss_s", "known_mass_kg", "known_mass_u_kg"):
        assert getattr(packaged, attribute) == getattr(streams, attribute)


def test_rehearsal_bench() -> None:
    bench = description.read_bench(FIXTURES / "benches" / "rehearsal.yaml")
    assert (bench.interface, bench.channel) == ("slcan", "/tmp/legtest-rehearsal")


@pytest.mark.parametrize("name", ["tarn-fl", "tarn-hopper"])
def test_fixture_legs(name: str) -> None:
    leg = description.read_leg(FIXTURES / "legs" / f"{name}.yaml")
    assert leg.name == name
    for joint in leg.joints:
        assert joint.travel_rad[0] < 0 < joint.travel_rad[1]  # hanging straight down is inside the travel
        assert joint.limits_rad[0] - joint.travel_rad[0] >= radians(1.5)
        assert joint.travel_rad[1] - joint.limits_rad[1] >= radians(1.5)
    joints = [joint.name for joint in leg.joints]
    judged = {quantity for quantity in QUANTITIES if any(leg.criteria.limit(quantity, joint) for joint in joints)}
    assert set(QUANTITIES) - judged == WITHOUT_LIMIT | (ONLY_FL if name == "tarn-hopper" else set())


# Shown without a limit, on purpose: friction and not the loop decides when a step has settled, the phase need not cross
# -90 deg where the excitation ends, and the travel of an emergency stop and the time of a winding are the bench's.
WITHOUT_LIMIT = {
    "step_settling", "phase_bandwidth", "small_phase_bandwidth", "emergency_stop_travel", "winding_time",
}  # fmt: skip
ONLY_FL = {"apparent_inertia", "gravity_moment", "foot_stiffness", "path_accuracy", "path_repeatability"}


@pytest.mark.parametrize("name", ["tarn-fl", "tarn-hopper"])
def test_fixture_drives_are_the_ones_of_their_eds(name: str) -> None:
    leg = description.read_leg(FIXTURES / "legs" / f"{name}.yaml")
    for drive in (joint.drive for joint in leg.joints):
        eds = configparser.ConfigParser(interpolation=None)
        eds.read(drive.eds)
        device = eds["DeviceInfo"]
        expected = [int(device[key], 0) for key in ("VendorNumber", "ProductNumber", "RevisionNumber")]
        assert [drive.vendor, drive.product, drive.revision] == expected


def test_light_read_equals_the_full_read() -> None:
    path = FIXTURES / "legs" / "tarn-fl.yaml"
    leg = description.read_leg(path)
    assert description.light_read(path) == (leg.name, leg.joint_names)


@pytest.mark.parametrize(
    ("statement", "absent"),
    [
        ("import legtest.description.model, legtest.units, legtest.quantities", ["yaml", "pydantic", "numpy"]),
        (f"import legtest.description as d; d.light_read({TARN!r})", ["pydantic", "numpy"]),
        ("import legtest.description as d; d.default_bench()", ["numpy"]),
    ],
)
def test_imports_stay_light(statement: str, absent: list[str]) -> None:
    check = f"import sys; {statement}; print([m for m in {absent!r} if m in sys.modules])"
    command = [sys.executable, "-c", check]
    run = subprocess.run(command, capture_output=True, text=True, cwd=FIXTURES.parent, check=False)
    assert run.stdout.strip() == "[]", run.stderr


def test_public_names() -> None:
    for name in description.__all__:
        assert callable(getattr(description, name))
    with pytest.raises(AttributeError, match="has no attribute 'read_robot'"):
        _ = description.read_robot
