"""From descriptions to an open bench: simulated, or live if and only if that was asked for.

This is the one door between the bench wing and the simulation wing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from legtest.bench import Bench
from legtest.canbus.link import Link
from legtest.canbus.wiremap import StatusTest
from legtest.description import default_bench, read_bench, read_leg
from legtest.description.model import BenchDescription, JointDescription, LegDescription
from legtest.drives.base import BusTiming
from legtest.drives.cia402 import compile_drive
from legtest.errors import DescriptionError, Problem
from legtest.guard import Interruption
from legtest.hands import Hands
from legtest.kinematics import actuators_of_joints
from legtest.recording import InMemory, Log
from legtest.safety.direct import DirectPort
from legtest.safety.loop import Loop
from legtest.safety.port import LineSink, Port
from legtest.safety.setup import (
    AGE_CYCLES,
    HOST_NODE,
    SPEED_MARGIN_RAD,
    STOP_DECELERATION,
    JointLimits,
    Setup,
    allowed_speed,
    stop_latency_s,
)

if TYPE_CHECKING:
    from legtest.simulation.faults import FaultCase
    from legtest.simulation.rig import Rig

SYNC_ID = 0x080
TRIAL_SHARE = 0.15  # of the peak torque, inside the pre-check
FOLLOWING_RAD = 0.2
LOWER_RAD_S = 0.4
SUPPLY_V = (18.0, 60.0)
TEMPERATURE_C = (-20.0, 90.0)
TEMPERATURE_RATE_K_S = 6.0  # of a winding; at three times its rated torque one of a small drive warms by 4.5 K/s
POWER_SHARE = 0.5  # of what all axes could give at once
VOLTAGE_ENABLED = StatusTest(0x10, 0x10)  # bit 4 of the statusword of CiA 402


def setup_of(leg: LegDescription, bench: BenchDescription) -> Setup:
    """All that the loop must know of a leg on a bench. Raises DescriptionError (EDS missing, unknown protocol)."""
    timing = BusTiming(
        period_ns=round(1e9 / bench.rate_hz),
        host_node=HOST_NODE,
        loss_ns=round(bench.loss_s * 1e9),
        deceleration_rad_s2=STOP_DECELERATION,
        following_rad=FOLLOWING_RAD,
    )
    for joint in leg.joints:
        if joint.drive.protocol != "cia402":
            problem = Problem(leg.path, f"joints.{joint.name}.drive.protocol", "only cia402 is known")
            raise DescriptionError((problem,))
    drives = [compile_drive(joint, timing, _reach(leg, index), leg.path) for index, joint in enumerate(leg.joints)]
    setup = Setup(
        period_ns=timing.period_ns,
        sync_id=SYNC_ID,
        bit_rate=bench.bit_rate,
        axes=tuple(drive.wiremap for drive in drives),
        identity=tuple(drive.identity for drive in drives),
        objects=tuple(drive.objects for drive in drives),
        arm=tuple(drive.arm for drive in drives),
        disarm=tuple(drive.disarm for drive in drives),
        joint_of_actuator=leg.coupling,
        actuator_of_joint=_inverse(leg),
        joints=tuple(_limits(joint, joint.speed_rad_s) for joint in leg.joints),
        torque_Nm=tuple(joint.torque_Nm for joint in leg.joints),
        trial_torque_Nm=tuple(TRIAL_SHARE * joint.torque_Nm for joint in leg.joints),
        heartbeat_ns=round(bench.heartbeat_s * 1e9),
        loss_ns=timing.loss_ns,
        following_rad=FOLLOWING_RAD,
        lower_rad_s=min(LOWER_RAD_S, *(joint.home.speed_rad_s for joint in leg.joints)),
        supply_V=SUPPLY_V,
        temperature_C=TEMPERATURE_C,
        description_sha256=leg.sha256 + bench.sha256,
        power_W=0.0,
        temperature_rate_K_s=TEMPERATURE_RATE_K_S,
        voltage=(VOLTAGE_ENABLED,) * len(leg.joints),
        age_cycles=_age_cycles(bench),
    )
    older_s = (setup.age_cycles - AGE_CYCLES) / bench.rate_hz
    slowest = max(stop_latency_s(setup) + older_s, bench.loss_s)
    capped = tuple(_limits(j, min(j.speed_rad_s, allowed_speed(SPEED_MARGIN_RAD, slowest))) for j in leg.joints)
    power = POWER_SHARE * sum(joint.torque_Nm * j.speed_rad_s for joint, j in zip(leg.joints, capped, strict=True))
    return replace(
        setup, joints=capped, power_W=min(power, bench.power_W or power), supply_switch=_supply_switch(bench)
    )


def _supply_switch(bench: BenchDescription) -> str:
    """The switch in the motor supply that opens by itself, in words; "" = there is none."""
    after_s = bench.protection.supply_switch_s if bench.protection else None
    return "" if after_s is None else f"a supply switch that opens after {after_s * 1e3:g} ms without a heartbeat"


def _age_cycles(bench: BenchDescription) -> int:
    """Cycles after which telemetry is too old. Raises DescriptionError when the drives would act before the host."""
    if bench.max_age_s is None:
        return AGE_CYCLES
    if bench.max_age_s >= bench.loss_s:
        text = f"{bench.max_age_s * 1e3:g} ms is not below heartbeat.loss, {bench.loss_s * 1e3:g} ms"
        raise DescriptionError((Problem(bench.path, "bus.max_age", text),))
    return max(AGE_CYCLES, int(bench.max_age_s * bench.rate_hz))


def _inverse(leg: LegDescription) -> tuple[tuple[float, ...], ...]:
    count = len(leg.joints)
    columns = [actuators_of_joints(leg, [float(i == j) for i in range(count)]) for j in range(count)]
    return tuple(tuple(float(column[i]) for column in columns) for i in range(count))


def _limits(joint: JointDescription, speed_rad_s: float) -> JointLimits:
    return JointLimits(
        joint.name, *joint.limits_rad, *joint.travel_rad, speed_rad_s, joint.home.torque_Nm, joint.home.speed_rad_s
    )


def _reach(leg: LegDescription, index: int) -> tuple[float, float]:
    """Range of one actuator over all joint angles between the end stops, a little widened."""
    import itertools

    corners = itertools.product(*(joint.travel_rad for joint in leg.joints))
    angles = [float(actuators_of_joints(leg, corner)[index]) for corner in corners]
    return min(angles) - 0.2, max(angles) + 0.2


class NullLog:
    """Forgets everything: for scripts that want no record."""

    def movement(self) -> InMemory:
        return InMemory()

    def precheck(self, t_ns: int, report: object, /) -> None: ...
    def setup(self, t_ns: int, setup: str, by: str, /) -> None: ...
    def recorded(self, t_ns: int, recorded: object, method: str, /) -> None: ...
    def measured(self, t_ns: int, measurement: object, /) -> None: ...
    def write(self, data: bytes, /) -> None: ...


def bench_on(
    link: Link,
    leg: LegDescription,
    bench: BenchDescription,
    *,
    hands: Hands,
    by: str,
    log: Log,
    frames: LineSink,
    events: Callable[[str], None],
    may_energise: Callable[[], str] = lambda: "",
    setup: Setup | None = None,
    port: Callable[[Loop, Callable[[], str]], Port] = DirectPort,
) -> Bench:
    """A bench on a link that is already open. port: what the bench holds, made around the loop."""
    setup = setup or setup_of(leg, bench)
    interruption = Interruption()
    made = port(Loop(link, setup, frames, events, host=interruption), may_energise)
    return Bench(
        leg, bench, made, setup.axes, sync_id=setup.sync_id, period_ns=setup.period_ns,
        speed_rad_s=[joint.speed_rad_s for joint in setup.joints], hands=hands, log=log, by=by,
        interruption=interruption,
    )  # fmt: skip


def faults_of(texts: Sequence[FaultCase | str]) -> tuple[FaultCase, ...]:
    """Faults as typed ("backlash@hip=1 deg"), read. Raises UsageError with the nearest name, the unit or the range."""
    from legtest.simulation.faults import parse_fault

    return tuple(parse_fault(fault) if isinstance(fault, str) else fault for fault in texts)


def simulated_rig(leg: LegDescription, bench: BenchDescription, *, seed: int, faults: Sequence[FaultCase] = ()) -> Rig:
    """The simulated bench of a leg, not yet opened."""
    from legtest.simulation.rig import build_rig

    return build_rig(leg, bench, seed=seed, faults=faults)


@contextmanager
def simulated_bench(
    leg: LegDescription | str | Path,
    *,
    bench: BenchDescription | str | Path | None = None,
    seed: int = 1,
    faults: Sequence[FaultCase | str] = (),
) -> Iterator[Bench]:
    """A simulated bench for a script, without a record: `with simulated_bench("leg.yaml") as bench:`.

    leg, bench: descriptions or their files; no bench is the usual simulated one. faults: as for --leg-fault. Power
    goes off at the end of the block. Raises DescriptionError, UsageError.
    """
    if isinstance(leg, str | Path):
        leg = read_leg(leg)
    if bench is None:
        bench = default_bench()
    elif isinstance(bench, str | Path):
        bench = read_bench(bench)
    rig = simulated_rig(leg, bench, seed=seed, faults=faults_of(faults))
    log = NullLog()
    made = bench_on(
        rig.link, leg, bench, hands=rig.person, by="simulated person", log=log, frames=log, events=lambda _: None
    )
    try:
        yield made
    finally:
        made.close()
