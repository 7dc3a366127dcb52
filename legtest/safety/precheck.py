"""The pre-check: ordered steps that earn the right to move. It refuses, it never warns.

It runs on the loop's side, beside the ledger; a host only asks for it. Steps that need a person (emergency stop seen,
each joint moved by hand) belong to the sign-off, not here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import pi, sin

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import DriveError, LegStopped, NotPermitted, PrecheckRefused
from legtest.safety.gate import HEARTBEAT
from legtest.safety.loop import Loop
from legtest.safety.monitor import AxisState
from legtest.safety.permit import TRIAL_NS, Grant, Permit
from legtest.safety.port import PrecheckReport, PrecheckStep
from legtest.safety.selftest import untripped_rules
from legtest.safety.setup import BUS_LOAD_LIMIT, bus_load
from legtest.safety.stretch import Stretch

LISTEN_NS = 300_000_000
TELEMETRY_CYCLES = 100
MOST_LOST = 0.10  # telemetry lost before we refuse; smaller loss is the leg's own figure, judged by a test
TRIAL_RAD = 0.02
TRIAL_FOLLOWING_RAD = 0.08  # a wrong sign runs away: it is cut off well before the limit that motion has
TRIAL_S = 0.6
STOP_SPEED = 0.5  # rad/s, from which the quick stop is measured
STOP_RUN_S = 0.12
START_TRIES, SILENCE_TRIES = 3, 2  # a frame may be lost; how many are lost is judged by a test, not here


def run_precheck(loop: Loop) -> PrecheckReport:
    """Every step in order. Raises PrecheckRefused with step, value, expected and likely cause."""
    begun = loop.link.now_ns()
    loop.ledger.revoke("a new pre-check has begun")
    loop.reasons = ()
    loop.state = loop.state._replace(reaction=None, homed=False, silent=False)
    steps = [_unpowered(loop, name, step) for name, step in UNPOWERED.items()]
    for axis in range(len(loop.setup.axes)):
        steps += [_powered(loop, axis, step) for step in (_trial, _loss_energised, _quick_stop)]
    now = loop.link.now_ns()
    everything = tuple(range(len(loop.setup.axes)))
    grant = Grant("motion", everything, loop.setup.torque_Nm, now + loop.setup.permit_ns)
    return PrecheckReport(tuple(steps), now - begun, loop.ledger.issue(grant, now), grant.end_ns)


def _unpowered(loop: Loop, name: str, step: Callable[[Loop], PrecheckStep]) -> PrecheckStep:
    """One step without power; an objection of the monitor, or of a drive, is a refusal as well."""
    try:
        result = step(loop)
    except (DriveError, NotPermitted) as error:
        raise PrecheckRefused(
            name, str(error), "every drive answers as it should",
            "a drive that lost its supply or its connection meanwhile", False,
        ) from error  # fmt: skip
    if loop.reasons:
        raise PrecheckRefused(
            name, "; ".join(map(str, loop.reasons)), "nothing that would stop a leg",
            "another program on the bus, or a drive that restarted or reported a fault", False,
        )  # fmt: skip
    return result


def _figures(loop: Loop) -> PrecheckStep:
    load = bus_load(loop.setup)
    if load > BUS_LOAD_LIMIT:
        raise PrecheckRefused(
            "set-up", f"bus load {load:.0%}", f"at most {BUS_LOAD_LIMIT:.0%}",
            "the control rate is too high for this bit rate and number of drives", False,
        )  # fmt: skip
    return PrecheckStep("set-up", f"worst bus load {load:.0%}", {"bus_load": load})


def _listening(loop: Loop) -> PrecheckStep:
    frames = loop.listen(LISTEN_NS)
    foreign = [frame for frame in frames if frame.can_id in loop.rules.ours and not frame.flags & SENT]
    nodes = {axis.node for axis in loop.setup.axes}
    strangers = {f.can_id & 0x7F for f in frames if 0x701 <= f.can_id <= 0x77F} - nodes
    if foreign:
        raise PrecheckRefused(
            "listening", f"frame 0x{foreign[0].can_id:X} from another program", "nobody else leads this bus",
            "another program or computer is connected to the bus", False,
        )  # fmt: skip
    if strangers:
        raise PrecheckRefused(
            "listening", f"heartbeat of node {sorted(strangers)}", f"only nodes {sorted(nodes)}",
            "a drive that the leg file does not name is on the bus", False,
        )  # fmt: skip
    loop.forget()  # drives that have just been switched on say so; from here on a boot-up is a restart
    return PrecheckStep("listening", f"{len(frames)} frames, no other master", {"frames": len(frames)})


def _identity(loop: Loop) -> PrecheckStep:
    found = []
    for axis, expected in zip(loop.setup.axes, loop.setup.identity, strict=True):
        for sub, what in enumerate(("vendor", "product", "revision", "serial"), 1):
            want = getattr(expected, what)
            try:
                got = int.from_bytes(loop.access.read(axis.node, 0x1018, sub), "little")
            except DriveError as error:
                raise PrecheckRefused(
                    "identity", str(error), f"node {axis.node} ({axis.axis}) answers",
                    "drive without supply, wrong bit rate, wiring, or missing termination", False,
                ) from error  # fmt: skip
            if want is not None and got != want:
                raise PrecheckRefused(
                    "identity", f"{axis.axis}: {what} {got}", f"{want} (leg file)",
                    "another drive or firmware than the leg file says, or swapped node ids", False,
                )  # fmt: skip
            if what == "serial":
                found.append(f"{axis.axis} {got}")
    return PrecheckStep("identity", "serials " + ", ".join(found), {})


def _off(loop: Loop) -> PrecheckStep:
    for axis in loop.setup.axes:
        if axis.status_object is None:
            continue
        status = int.from_bytes(loop.access.read(axis.node, *axis.status_object), "little")
        if not axis.is_off.holds(status) or axis.is_fault.holds(status):
            for frame in axis.stop[Reaction.OFF_NOW]:
                loop.send(frame)
            raise PrecheckRefused(
                "drives off", f"{axis.axis}: statusword 0x{status:04X}", "off and without fault",
                "another program energised the drive (a disable was sent), or it holds a fault to be cleared by hand",
                False,
            )  # fmt: skip
    return PrecheckStep("drives off", "no axis is energised", {})


def _objects(loop: Loop) -> PrecheckStep:
    count = 0
    for index, writes in enumerate(loop.setup.objects):
        for write in (loop.setup.disarm[index], *writes):
            try:
                loop.access.write(index, write)
            except DriveError as error:
                raise PrecheckRefused(
                    "limits written and read back", str(error), write.what,
                    "the drive does not accept this setting", False,
                ) from error  # fmt: skip
            count += 1
    return PrecheckStep("limits written and read back", f"{count} objects equal", {"objects": count})


def _start(loop: Loop) -> None:
    for _ in range(START_TRIES):
        for axis in loop.setup.axes:
            loop.send(Frame(0, 0x000, bytes((0x01, axis.node))))
        loop.run(4)
        if all(loop.state.cycle - axis.sampled <= 1 for axis in loop.state.axes):
            return


def _telemetry(loop: Loop) -> PrecheckStep:
    _start(loop)
    loop.timing()
    loop.run(TELEMETRY_CYCLES)
    counts = loop.timing()
    step = "telemetry plausible"
    lost = counts.lost / counts.expected
    if lost > MOST_LOST:
        raise PrecheckRefused(
            step, f"{lost:.1%} of the frames missing", f"at most {MOST_LOST:.0%}",
            "bus errors, an adapter that is too slow, or a control rate too high for it", False,
        )  # fmt: skip
    for name, axis, wiremap in zip(loop.rules.names, loop.state.axes, loop.setup.axes, strict=True):
        for what, value, (low, high), unit in (
            ("supply", axis.supply, loop.rules.supply_V, "V"),
            ("temperature", axis.temperature, loop.rules.temperature_C, "degC"),
        ):
            if value is None and any(s.role == what for s in wiremap.feedback):
                raise PrecheckRefused(
                    step, f"{name}: no {what} in {TELEMETRY_CYCLES} cycles", f"one within {low:g}..{high:g} {unit}",
                    "the drive does not send what was mapped, or the adapter loses it", False,
                )  # fmt: skip
            if value is not None and not low <= value <= high:
                raise PrecheckRefused(
                    step, f"{name}: {what} {value:.1f} {unit}", f"{low:g}..{high:g} {unit}",
                    "supply off or wrong, or a broken sensor", False,
                )  # fmt: skip
    return PrecheckStep(step, f"{counts.expected - counts.lost} of {counts.expected} frames in time", {"lost": lost})


def _monitor(loop: Loop) -> PrecheckStep:
    asleep = untripped_rules(loop.state, loop.rules, loop.setup)
    if asleep:
        raise PrecheckRefused(
            "monitor self-test", f"no reaction of: {', '.join(asleep)}", "every rule stops the leg",
            "a fault in this program; do not use it", False,
        )  # fmt: skip
    return PrecheckStep("monitor self-test", "every rule stops the leg", {})


def _loss_unpowered(loop: Loop) -> PrecheckStep:
    """Beat a few times, fall silent, and wait for each drive's emergency message; a lost one is waited for again."""
    step = "communication loss, unpowered"
    loop.state = loop.state._replace(proving=tuple(range(len(loop.setup.axes))))
    heard: dict[int, int] = {}
    for _ in range(SILENCE_TRIES):
        if len(heard) < len(loop.setup.axes):
            heard = _silence(loop) | heard
    for index, name in enumerate(loop.rules.names):
        if index not in heard:
            raise PrecheckRefused(
                step, f"{name}: no emergency message", f"one within {loop.setup.loss_ns / 1e6:g} ms",
                "the drive does not watch the host's heartbeat", False,
            )  # fmt: skip
        loop.access.write(index, loop.setup.disarm[index])
    _start(loop)
    loop.state = loop.state._replace(proving=())
    slowest = max(heard.values())
    return PrecheckStep(step, f"noticed within {slowest / 1e6:.1f} ms", {"loss_s": slowest * 1e-9})


def _silence(loop: Loop) -> dict[int, int]:
    """After how many ns of silence each axis sent an emergency message, for those that did."""
    for index, write in enumerate(loop.setup.arm):
        loop.access.write(index, write)
    for _ in range(3):
        loop.send(HEARTBEAT)
        loop.listen(loop.setup.heartbeat_ns)
    silent = loop.link.now_ns()
    heard: dict[int, int] = {}
    while len(heard) < len(loop.setup.axes) and loop.link.now_ns() < silent + 3 * loop.setup.loss_ns:
        for frame in loop.listen(1_000_000):
            index = loop.rules.emergencies.get(frame.can_id, -1)
            if index >= 0 and frame.data[:2] != b"\0\0":
                heard.setdefault(index, frame.t_ns - silent)
    return heard


UNPOWERED: dict[str, Callable[[Loop], PrecheckStep]] = {
    "set-up": _figures,
    "listening": _listening,
    "identity": _identity,
    "drives off": _off,
    "limits written and read back": _objects,
    "telemetry plausible": _telemetry,
    "monitor self-test": _monitor,
    "communication loss, unpowered": _loss_unpowered,
}


def _powered(loop: Loop, axis: int, step: Callable[[Loop, int, Permit], PrecheckStep]) -> PrecheckStep:
    """One step under a trial permit; whatever happens, the power is off afterwards."""
    loop.settle()  # before the permit's two seconds begin
    now, rules = loop.link.now_ns(), loop.rules
    key = loop.ledger.issue(Grant("trial", (axis,), loop.setup.trial_torque_Nm, now + TRIAL_NS), now)
    loop.rules = replace(rules, following_rad=min(TRIAL_FOLLOWING_RAD, rules.following_rad))
    try:
        loop.energise(key)
        result = step(loop, axis, key)
    except (LegStopped, DriveError, NotPermitted) as error:
        raise PrecheckRefused(
            f"trial of {loop.rules.names[axis]}", str(error), "a small, capped motion without any objection",
            "wrong sign, swapped motor or encoder cables, a blocked joint, or wrong scaling in the leg file", True,
        ) from error  # fmt: skip
    finally:
        loop.stop(Reaction.STOP_THEN_OFF, "end of a pre-check step")
        loop.rules = rules
    if loop.reasons:
        raise PrecheckRefused(
            result.name, "; ".join(map(str, loop.reasons)), "off in time after its stop",
            "a drive that ignores the quick stop, or one that reported a fault", True,
        )  # fmt: skip
    return result


def _sweep(loop: Loop, axis: int, offsets: list[float]) -> Stretch:
    """A table, one row a period, that moves one axis by offsets from where it is."""
    start = loop.demand()
    rows = tuple(
        tuple(
            p._replace(position_rad=p.position_rad + offset) if i == axis else p for i, p in enumerate(start)
        )
        for offset in offsets
    )  # fmt: skip
    return Stretch(loop.rules.names, tuple(i * loop.setup.period_ns for i in range(len(rows))), rows)


def _trial(loop: Loop, axis: int, key: Permit) -> PrecheckStep:
    name = loop.rules.names[axis]
    cycles = round(TRIAL_S * 1e9 / loop.setup.period_ns)
    start = loop.state.axes
    loop.play(_sweep(loop, axis, [TRIAL_RAD * sin(2 * pi * i / cycles) for i in range(cycles + 1)]), key)
    track = []
    for _ in range(cycles + 6):
        loop.run(1)
        track.append(loop.state.axes)
        _only_this_moves(loop, axis, start)
    moved = [row[axis].position - start[axis].position for row in track]
    third = len(moved) // 2
    gain = (max(moved[:third], default=0.0) - min(moved[third:], default=0.0)) / (2 * TRIAL_RAD)
    if not 0.5 <= gain <= 1.5:
        raise PrecheckRefused(
            f"trial of {name}", f"moved {gain:+.2f} times what was asked", "0.5..1.5 times, same sign",
            "wrong sign, wrong scale, or a blocked joint", True,
        )  # fmt: skip
    return PrecheckStep(f"trial of {name}", f"gain {gain:.2f}", {"gain": gain})


def _only_this_moves(loop: Loop, axis: int, start: Sequence[AxisState]) -> None:
    """Looked at in every cycle: a motor that is not under control must not turn on until the end of the trial."""
    for other, (now, before) in enumerate(zip(loop.state.axes, start, strict=True)):
        stray = abs(now.position - before.position)
        if other != axis and stray > 2 * TRIAL_RAD:
            raise PrecheckRefused(
                f"trial of {loop.rules.names[axis]}", f"{loop.rules.names[other]} moved {stray:.3f} rad",
                "only the driven axis moves", "swapped node ids or cables", True,
            )  # fmt: skip


def _loss_energised(loop: Loop, axis: int, _key: Permit) -> PrecheckStep:
    """No heartbeat: the drive must leave operation enabled by itself."""
    step = f"communication loss of {loop.rules.names[axis]}, energised"
    setup = loop.setup
    loop.run(2 * setup.heartbeat_ns // setup.period_ns + 1)
    before = loop.state.axes[axis].position
    loop.state = loop.state._replace(proving=(axis,))
    loop.beating = False
    begun = loop.link.now_ns()
    end = begun + setup.loss_ns + loop.rules.confirm_ns(Reaction.STOP_THEN_OFF, 0.0) + setup.heartbeat_ns
    while loop.setup.axes[axis].is_energised.holds(loop.state.axes[axis].status) and loop.link.now_ns() < end:
        loop.run(1)
    took = loop.link.now_ns() - begun
    still = loop.setup.axes[axis].is_energised.holds(loop.state.axes[axis].status)
    moved = abs(loop.state.axes[axis].position - before)
    loop.stop(Reaction.OFF_NOW, "end of the communication loss step")
    _start(loop)
    loop.state = loop.state._replace(proving=())
    if still or moved > TRIAL_RAD:
        raise PrecheckRefused(
            step, f"after {took / 1e6:.0f} ms {'still energised' if still else f'moved {moved:.3f} rad'}",
            f"off within {(end - begun) / 1e6:.0f} ms", "the drive does not act on a lost heartbeat", True,
        )  # fmt: skip
    return PrecheckStep(step, f"off after {took / 1e6:.1f} ms", {"loss_s": took * 1e-9})


def _quick_stop(loop: Loop, axis: int, key: Permit) -> PrecheckStep:
    """Stop from a small speed; an unhomed leg may rest against a stop, so the other direction is tried as well."""
    name, period_s = loop.rules.names[axis], loop.rules.period_s
    cycles = round(STOP_RUN_S / period_s)
    speed = 0.0
    for sense in (1.0, -1.0):
        loop.play(_sweep(loop, axis, [sense * STOP_SPEED * i * period_s for i in range(cycles + 1)]), key)
        loop.run(cycles)
        speed = abs(loop.state.axes[axis].velocity)
        if speed > 0.5 * STOP_SPEED:
            break
        back = loop.state.axes[axis].position - loop.demand()[axis].position_rad
        loop.play(_sweep(loop, axis, [back * i / cycles for i in range(cycles + 1)]), key)
        loop.run(2 * cycles)
    begun = loop.link.now_ns()
    loop.stop(Reaction.STOP_THEN_OFF, "quick stop measured by the pre-check")
    took = (loop.link.now_ns() - begun) * 1e-9
    if speed < 0.5 * STOP_SPEED or loop.reasons:
        why = "; ".join(map(str, loop.reasons)) or "it hardly moved"
        raise PrecheckRefused(
            f"quick stop of {name}", f"from {speed:.2f} rad/s: {why}",
            f"a stop from {STOP_SPEED:g} rad/s, confirmed in time",
            "a blocked joint, or a drive that ignores the stop", True,
        )  # fmt: skip
    found = f"from {speed:.2f} rad/s, off after {took * 1e3:.0f} ms"
    return PrecheckStep(f"quick stop of {name}", found, {"stop_s": took})
