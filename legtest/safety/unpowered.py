"""The steps of the pre-check without power: they send nothing that could energise a drive."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Reaction, WireMap
from legtest.errors import DriveError
from legtest.safety.gate import HEARTBEAT
from legtest.safety.loop import Loop
from legtest.safety.port import PrecheckStep
from legtest.safety.reading import of_lost_connection
from legtest.safety.refuse import refuse
from legtest.safety.selftest import untripped_rules
from legtest.safety.setup import BUS_LOAD_LIMIT, bus_load
from legtest.safety.state import AxisState

LISTEN_NS = 300_000_000
TELEMETRY_CYCLES = 100
MOST_LOST = 0.10  # telemetry lost before we refuse; smaller loss is the leg's own figure, judged by a test
COLD_C, ALIKE_K = 40.0, 15.0  # below the first, windings have had time to become as warm as each other
OFF_TORQUE_SHARE = 0.1  # of the largest torque: more cannot be read from a drive without current
TIMELY_SHARE = 0.25  # of the period, for 99 of 100 cycles
LOSS_SLACK_NS = 10_000_000  # from the drive's own timer to our stamp of its message
START_TRIES, SILENCE_TRIES, TIMING_TRIES = 3, 2, 3  # what goes wrong once by chance is tried again


def set_up(loop: Loop) -> PrecheckStep:
    """The figures fit: bus load, and every drive stops by itself or behind a switch that does."""
    load = bus_load(loop.setup)
    if load > BUS_LOAD_LIMIT:
        refuse(
            "set-up", f"bus load {load:.0%}", f"at most {BUS_LOAD_LIMIT:.0%}",
            "the control rate is too high for this bit rate and number of drives",
        )  # fmt: skip
    alone = [name for name, arm in zip(loop.rules.names, loop.setup.arm, strict=True) if arm is None]
    if alone and not loop.setup.supply_switch:
        refuse(
            "set-up", f"{', '.join(alone)}: no reaction of its own to lost communication",
            "a drive that stops by itself, or a supply switch that opens when the heartbeat stops",
            "the drive has no heartbeat consumer, and the bench declares no supply switch",
        )  # fmt: skip
    return PrecheckStep("set-up", f"worst bus load {load:.0%}", {"bus_load": load})


def listening(loop: Loop) -> PrecheckStep:
    """Nobody else leads this bus."""
    frames = loop.listen(LISTEN_NS)
    foreign = [frame for frame in frames if frame.can_id in loop.rules.ours and not frame.flags & SENT]
    nodes = {axis.node for axis in loop.setup.axes}
    strangers = {f.can_id & 0x7F for f in frames if 0x701 <= f.can_id <= 0x77F and not f.flags & SENT} - nodes
    if foreign:
        refuse(
            "listening", f"frame 0x{foreign[0].can_id:X} from another program", "nobody else leads this bus",
            "another program or computer is connected to the bus",
        )  # fmt: skip
    if strangers:
        refuse(
            "listening", f"heartbeat of node {sorted(strangers)}", f"only nodes {sorted(nodes)}",
            "a drive that the leg file does not name is on the bus",
        )  # fmt: skip
    loop.forget()  # drives that have just been switched on say so; from here on a boot-up is a restart
    return PrecheckStep("listening", f"{len(frames)} frames, no other master", {"frames": len(frames)})


def identity(loop: Loop) -> PrecheckStep:
    """Every drive is the one of the leg file."""
    found, unnamed = [], []
    for axis, expected in zip(loop.setup.axes, loop.setup.identity, strict=True):
        for sub, what in enumerate(("vendor", "product", "revision", "serial"), 1):
            want = getattr(expected, what)
            try:
                got = int.from_bytes(loop.access.read(axis.node, 0x1018, sub), "little")
            except DriveError as error:
                refuse(
                    "identity", str(error), f"node {axis.node} ({axis.axis}) answers",
                    "drive without supply, wrong bit rate, wiring, or missing termination", by=error,
                )  # fmt: skip
            if want is not None and got != want:
                refuse(
                    "identity", f"{axis.axis}: {what} {got}", f"{want} (leg file)",
                    "another drive or firmware than the leg file says, or swapped node ids",
                )  # fmt: skip
            if want is None:
                unnamed.append(f"{axis.axis} {what}")
            if what == "serial":
                found.append(f"{axis.axis} {got}")
    lost = f"the leg file does not say: {', '.join(unnamed)}" if unnamed else ""
    return PrecheckStep("identity", "serials " + ", ".join(found), {}, lost)


def drives_off(loop: Loop) -> PrecheckStep:
    """No drive is energised, by its own word; one that cannot be asked is looked at in its telemetry."""
    silent = []
    for axis in loop.setup.axes:
        if axis.status_object is None:
            silent.append(axis.axis)
            continue
        status = int.from_bytes(loop.access.read(axis.node, *axis.status_object), "little")
        _check_off("drives off", loop, axis, status)
    lost = f"{', '.join(silent)}: its state is first known from telemetry, once it was started" if silent else ""
    return PrecheckStep("drives off", "no axis is energised", {}, lost)


def _check_off(step: str, loop: Loop, axis: WireMap, status: int) -> None:
    if axis.is_off.holds(status) and not axis.is_fault.holds(status):
        return
    for frame in axis.stop[Reaction.OFF_NOW]:
        loop.send(frame)
    refuse(
        step, f"{axis.axis}: statusword 0x{status:04X}", "off and without fault",
        "another program energised the drive (a disable was sent), or it holds a fault to be cleared by hand",
    )  # fmt: skip


def objects(loop: Loop) -> PrecheckStep:
    """Limits, stop options and maps are in the drives, read back."""
    count = 0
    for index, writes in enumerate(loop.setup.objects):
        disarm = loop.setup.disarm[index]
        for write in (*(() if disarm is None else (disarm,)), *writes):
            try:
                loop.access.write(index, write)
            except DriveError as error:
                refuse(
                    "limits written and read back", str(error), write.what, "the drive does not accept this setting",
                    by=error,
                )  # fmt: skip
            count += 1
    return PrecheckStep("limits written and read back", f"{count} objects equal", {"objects": count})


def start(loop: Loop) -> None:
    """Bring every node into its operational state, in which it sends telemetry."""
    for _ in range(START_TRIES):
        for axis in loop.setup.axes:
            loop.send(Frame(0, 0x000, bytes((0x01, axis.node))))
        loop.run(4)
        if all(loop.state.cycle - axis.sampled <= 1 for axis in loop.state.axes):
            return


class _Oddity(NamedTuple):
    value: str
    expected: str
    cause: str


def telemetry(loop: Loop) -> PrecheckStep:
    """Frames come, and what they say can be true of a leg without power."""
    start(loop)
    loop.timing()
    loop.run(TELEMETRY_CYCLES)
    counts = loop.timing()
    step = "telemetry plausible"
    share = counts.lost / counts.expected
    if share > MOST_LOST:
        refuse(
            step, f"{share:.1%} of the frames missing", f"at most {MOST_LOST:.0%}",
            "bus errors, an adapter that is too slow, or a control rate too high for it",
        )  # fmt: skip
    missing = []
    for index, (axis, wiremap) in enumerate(zip(loop.state.axes, loop.setup.axes, strict=True)):
        _check_off(step, loop, wiremap, axis.status)
        for oddity in (*_slow_oddities(loop, index, axis), *_fast_oddities(loop, index, axis)):
            refuse(step, *oddity)
        missing += [f"{wiremap.axis} {what}" for what in ("supply", "temperature") if getattr(axis, what) is None]
    _check_alike(loop, step)
    lost = f"never watched, for the drive does not send it: {', '.join(missing)}" if missing else ""
    return PrecheckStep(
        step, f"{counts.expected - counts.lost} of {counts.expected} frames in time", {"lost": share}, lost
    )


def _slow_oddities(loop: Loop, index: int, axis: AxisState) -> Iterator[_Oddity]:
    name, wiremap, voltage = loop.rules.names[index], loop.setup.axes[index], loop.rules.voltage[index]
    for what, value, (low, high), unit in (
        ("supply", axis.supply, loop.rules.supply_V, "V"),
        ("temperature", axis.temperature, loop.rules.temperature_C, "degC"),
    ):
        if value is None and any(s.role == what for s in wiremap.feedback):
            yield _Oddity(
                f"{name}: no {what} in {TELEMETRY_CYCLES} cycles", f"one within {low:g}..{high:g} {unit}",
                "the drive does not send what was mapped, or the adapter loses it",
            )  # fmt: skip
        if value is not None and not low <= value <= high:
            yield _Oddity(
                f"{name}: {what} {value:.1f} {unit}", f"{low:g}..{high:g} {unit}",
                "supply off or wrong, or a broken sensor",
            )  # fmt: skip
    if voltage is not None and not voltage.holds(axis.status):
        yield _Oddity(
            f"{name}: statusword 0x{axis.status:04X} without voltage", "motor voltage",
            "motor supply off, or the emergency stop still pressed",
        )  # fmt: skip


def _fast_oddities(loop: Loop, index: int, axis: AxisState) -> Iterator[_Oddity]:
    """Bits that stick: a torque without current, a position at an end of its field."""
    name, most = loop.rules.names[index], OFF_TORQUE_SHARE * loop.rules.torque_Nm[index]
    signal = loop.setup.axes[index].position_signal()
    raw = round((axis.position - signal.offset) / signal.scale)
    low, high = (-(1 << signal.bits - 1), (1 << signal.bits - 1) - 1) if signal.signed else (0, (1 << signal.bits) - 1)
    if abs(axis.torque) > most:
        yield _Oddity(
            f"{name}: torque {axis.torque:+.2f} N*m", f"at most {most:.2f} N*m without power",
            "a current sensor with an offset or stuck bits, or a drive that is energised after all",
        )  # fmt: skip
    if raw in (low, high) and signal.bits > 1:
        yield _Oddity(f"{name}: position {raw} counts", "a number inside its field", "an encoder that is not connected")


def _check_alike(loop: Loop, step: str) -> None:
    """Cold windings are as warm as each other; a sensor that is open or stuck is not."""
    warm = {
        n: a.temperature for n, a in zip(loop.rules.names, loop.state.axes, strict=True) if a.temperature is not None
    }
    if warm and max(warm.values()) <= COLD_C and max(warm.values()) - min(warm.values()) > ALIKE_K:
        refuse(
            step, "temperatures " + ", ".join(f"{name} {celsius:.1f} degC" for name, celsius in warm.items()),
            f"within {ALIKE_K:g} K of each other while none is above {COLD_C:g} degC",
            "a temperature sensor that is open, stuck or not connected",
        )  # fmt: skip


def timing(loop: Loop) -> PrecheckStep:
    """This program keeps its cycles: 99 of 100 begin within a quarter of a period."""
    most = TIMELY_SHARE * loop.setup.period_ns
    late = _lateness_ns(loop)
    for _ in range(TIMING_TRIES - 1):
        late = late if late < most else _lateness_ns(loop)
    if late >= most:
        refuse(
            "host in time", f"1 % of the cycles begin more than {late / 1e6:.2f} ms late",
            f"less than {most / 1e6:g} ms", "other work on this computer, or a control rate too high for it",
        )  # fmt: skip
    return PrecheckStep("host in time", f"99 % within {late / 1e6:.2f} ms", {"lateness_s": late * 1e-9})


def _lateness_ns(loop: Loop) -> int:
    """What 99 of 100 cycles stay below; one that was left out is a period late."""
    loop.timing()
    loop.run(TELEMETRY_CYCLES)
    counts = loop.timing()
    lateness = sorted((*counts.lateness_ns, *[loop.setup.period_ns] * counts.missed))
    return lateness[len(lateness) * 99 // 100 - 1]


def monitor(loop: Loop) -> PrecheckStep:
    """Every rule reacts, and the stop frames are on the wire."""
    step, count = "monitor self-test", 0
    asleep = untripped_rules(loop.state, loop.rules, loop.setup)
    if asleep:
        refuse(
            step, f"no reaction of: {', '.join(asleep)}", "every rule stops the leg",
            "a fault in this program; do not use it",
        )  # fmt: skip
    reactions = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF
    frames = [frame for axis in loop.setup.axes for reaction in reactions for frame in axis.stop[reaction]]
    for frame in frames:
        loop.send(frame)
    seen = {(f.can_id, f.data) for f in loop.listen(2 * loop.setup.period_ns) if f.flags & SENT}
    for frame in frames:
        count += (frame.can_id, frame.data) in seen
    if count < len(frames):
        refuse(
            step, f"{count} of {len(frames)} stop frames on the wire", "all of them within two periods",
            "an adapter that holds back or loses what it is given, or a bus without another station",
        )  # fmt: skip
    return PrecheckStep(step, f"every rule stops the leg, {count} stop frames on the wire", {"stop_frames": count})


def loss(loop: Loop) -> PrecheckStep:
    """Beat a few times, fall silent, and wait for each drive's emergency message; a lost one is waited for again."""
    step = "communication loss, unpowered"
    watching = [index for index, arm in enumerate(loop.setup.arm) if arm is not None]
    loop.state = loop.state._replace(proving=tuple(range(len(loop.setup.axes))))
    heard: dict[int, int] = {}
    for _ in range(SILENCE_TRIES):
        if len(heard) < len(watching):
            heard = _silence(loop, watching) | heard
    for index in watching:
        if heard.get(index, 2 * loop.setup.loss_ns) > 1.5 * loop.setup.loss_ns:
            took = f"one after {heard[index] / 1e6:.1f} ms" if index in heard else "no emergency message"
            refuse(
                step, f"{loop.rules.names[index]}: {took}", f"one within {loop.setup.loss_ns / 1e6:g} ms",
                "the drive does not watch the host's heartbeat",
            )  # fmt: skip
    for index, write in enumerate(loop.setup.disarm):
        if write is not None:
            loop.access.write(index, write)
    start(loop)
    loop.state = loop.state._replace(proving=())
    slowest = max(heard.values(), default=0)
    alone = [name for index, name in enumerate(loop.rules.names) if index not in watching]
    lost = f"{', '.join(alone)}: stops by {loop.setup.supply_switch} alone, which the sign-off proves" if alone else ""
    figures = {"loss_s": slowest * 1e-9} if watching else {}
    return PrecheckStep(step, f"noticed within {slowest / 1e6:.1f} ms", figures, lost)


def _silence(loop: Loop, watching: list[int]) -> dict[int, int]:
    """After how many ns of silence each axis sent an emergency message, for those that did."""
    for index, write in enumerate(loop.setup.arm):
        if write is not None:
            loop.access.write(index, write)
    loop.beating, since = True, len(loop.outbox)
    loop.run(3 * loop.setup.heartbeat_ns // loop.setup.period_ns + 1)
    loop.beating = False
    loop.listen(1_000_000)  # until the last of them has come back
    beats = [frame.t_ns for frame in loop.outbox[since:] if frame.flags & SENT and frame.can_id == HEARTBEAT.can_id]
    silent = max(beats, default=loop.link.now_ns())
    heard: dict[int, int] = {}
    while len(heard) < len(watching) and loop.link.now_ns() < silent + 3 * loop.setup.loss_ns:
        for frame in loop.listen(1_000_000):
            index = loop.rules.emergencies.get(frame.can_id, -1)
            if index >= 0 and of_lost_connection(int.from_bytes(frame.data[:2], "little")):
                heard.setdefault(index, frame.t_ns - silent)
    return heard


UNPOWERED: dict[str, Callable[[Loop], PrecheckStep]] = {
    "set-up": set_up,
    "listening": listening,
    "identity": identity,
    "drives off": drives_off,
    "limits written and read back": objects,
    "telemetry plausible": telemetry,
    "host in time": timing,
    "monitor self-test": monitor,
    "communication loss, unpowered": loss,
}
