"""Attempts on the wire and by the host's adapter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any
from unittest.mock import patch

from hazards_attempt import OWN_REACTION, Act, Attempt, Defence, rules
from hazards_bench import MS, Scene

from legtest.canbus.frame import ERROR, Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import BusLost
from legtest.safety import monitor, reading
from legtest.safety.state import MonitorState


def struck(blow: Act, seconds: float = 1.0) -> Act:
    """All axes in motion, then the blow, then the host goes on for a while."""

    def act(scene: Scene) -> None:
        scene.in_motion()
        scene.strike(lambda t_ns: blow(scene))
        scene.run(seconds)

    return act


def any_axis(scene: Scene) -> int:
    return scene.random.randrange(len(scene.bodies))


# ---------------------------------------------------------------------- the adapter
def unplugged(scene: Scene) -> None:
    scene.link.fail = BusLost("the adapter is gone")
    scene.violates("adapter unplugged", "drives")


def hangs(scene: Scene) -> None:
    scene.link.busy = True
    scene.hampered(5000 * MS)
    scene.violates("adapter hangs", "drives")


def hangs_a_moment(scene: Scene) -> None:
    """For three cycles it takes nothing."""
    span = 3 * scene.period_ns
    scene.link.busy = True
    scene.hampered(span)
    scene.bus.at(scene.now + span, lambda t_ns: setattr(scene.link, "busy", False))
    scene.violates("adapter hung", "stop", samples=4)


def sends_late(scene: Scene) -> None:
    """What is handed over leaves four periods later, in order, for half a second."""
    delay = 4 * scene.period_ns
    scene.link.tx = lambda frame: [(delay, frame)]
    scene.violates("frames leave late", "stop", samples=9)


def bus_off(scene: Scene) -> None:
    """The controller leaves the bus for two cycles, says so, and comes back by itself."""
    span = 2 * scene.period_ns
    scene.link.hear(Frame(scene.now, 0x40, bytes(8), ERROR))
    scene.link.tx = scene.link.rx = lambda frame: []
    scene.hampered(span)

    def back(t_ns: int) -> None:
        scene.link.tx = scene.link.rx = None

    scene.bus.at(scene.now + span, back)
    scene.violates("bus-off", "stop", samples=3)


def error_burst(scene: Scene) -> None:
    """A loose plug: error frames, one in each millisecond."""
    for n in range(15):
        scene.bus.at(scene.now + n * MS, lambda t_ns: scene.link.hear(Frame(t_ns, 0x08, bytes(8), ERROR)))
    scene.violates("error frames", "stop", extra_ns=11 * MS)


def no_acknowledge(scene: Scene, after_ms: int = 1000) -> None:
    """The cable is off: nothing is acknowledged, the adapter keeps all it is given, and sends it on re-plugging."""
    scene.link.held, scene.link.rx = [], lambda frame: []
    scene.hampered((after_ms + 20) * MS)
    scene.violates("cable off", "drives")

    def closed() -> None:
        scene.link.held, scene.link.fail = [], BusLost("the link is closed")

    scene.link.close = closed  # type: ignore[method-assign]

    def plugged(t_ns: int) -> None:
        scene.link.rx = None
        stale = [f for f in scene.link.held or () if 0x301 <= f.can_id <= 0x37F]
        if len(stale) > len(scene.bodies):
            scene.extra.append(f"{len(stale)} old set-points were waiting in the adapter")
        scene.link.flush()
        scene.bus.at(t_ns + 50 * MS, moved)

    def moved(t_ns: int) -> None:
        if any(body.on for body in scene.bodies):
            scene.extra.append("a drive is on after the cable came back")

    scene.bus.at(scene.now + after_ms * MS, plugged)


# ---------------------------------------------------------------------- telemetry
def lost_telemetry(scene: Scene) -> None:
    """Everything of one drive is lost for 6 to 11 cycles."""
    node = scene.setup.axes[any_axis(scene)].node
    scene.link.rx = lambda frame: [] if frame.can_id & 0x7F == node else [(0, frame)]
    span = scene.random.randint(6, 11) * scene.period_ns
    scene.bus.at(scene.now + span, lambda t_ns: setattr(scene.link, "rx", None))
    scene.violates("telemetry lost", "stop", samples=scene.plan.age_cycles + 1)


def short_frames(scene: Scene) -> None:
    """One answer is cut short, past the checksum."""
    node, left = scene.setup.axes[any_axis(scene)].node, [1]

    def cut(frame: Frame) -> list[tuple[int, Frame]]:
        if frame.can_id == 0x180 + node and left[0]:
            left[0] -= 1
            return [(0, frame._replace(data=frame.data[: scene.random.randrange(8)]))]
        return [(0, frame)]

    scene.link.rx = cut
    scene.violates("short frame", "stop")


def flipped_bits(scene: Scene) -> None:
    """A high bit of a position flips past the checksum."""
    node, bit, left = scene.setup.axes[any_axis(scene)].node, scene.random.randrange(30, 47), [1]

    def flip(frame: Frame) -> list[tuple[int, Frame]]:
        if frame.can_id != 0x180 + node or not left[0]:
            return [(0, frame)]
        left[0] -= 1
        return [(0, frame._replace(data=(int.from_bytes(frame.data, "little") ^ 1 << bit).to_bytes(8, "little")))]

    scene.link.rx = flip
    scene.violates("flipped bit", "off")


def harmless(disturb: Callable[[Scene, Frame], list[tuple[int, Frame]]]) -> Act:
    """A disturbance that must not stop a leg: it is tolerated, and the motion ends as planned."""

    def act(scene: Scene) -> None:
        scene.in_motion()

        def blow(t_ns: int) -> None:
            scene.link.rx = lambda frame: disturb(scene, frame)

        scene.strike(blow)
        scene.run(1.0)
        if scene.loop.reasons or not all(body.on for body in scene.bodies):
            scene.extra.append(f"I17 stopped without cause: {scene.words}")
        scene.link.rx = None
        scene.attempt(scene.port.lower_and_off)
        scene.key = None  # still good, rightly

    return act


def doubled(scene: Scene, frame: Frame) -> list[tuple[int, Frame]]:
    """Every frame comes twice; now and then the one before comes a third time, after its successor."""
    last = scene.__dict__.setdefault("last", {})
    before, last[frame.can_id] = last.get(frame.can_id), frame
    if frame.can_id < 0x180 or frame.can_id > 0x3FF:
        return [(0, frame)]
    again = [(0, before)] if before is not None and scene.random.random() < 0.3 else []
    return [(0, frame), (0, frame), *again]


def some_lost(scene: Scene, frame: Frame) -> list[tuple[int, Frame]]:
    """One to three answers in a row are lost, every half second."""
    period, node = scene.period_ns, scene.setup.axes[0].node
    gap = 3 * period if (scene.now // (30 * period)) % 2 else period
    return [] if frame.can_id == 0x180 + node and scene.now % (30 * period) < gap else [(0, frame)]


# ---------------------------------------------------------------------- the stop itself
def stop_lost(scene: Scene) -> None:
    """The first six frames of a stop never leave."""
    left = [6]

    def lossy(frame: Frame) -> list[tuple[int, Frame]]:
        if 0x201 <= frame.can_id <= 0x203 and left[0]:
            left[0] -= 1
            return []
        return [(0, frame)]

    scene.link.tx = lossy
    scene.hampered(2 * scene.period_ns)
    another_master(scene, extra_cycles=2)


def all_lost(scene: Scene) -> None:
    """From the stop on nothing of ours reaches the wire, and the adapter does not say so."""
    scene.link.tx = lambda frame: []
    scene.stranger.send(Frame(0, scene.setup.sync_id, b""))
    scene.violates("nothing leaves any more", "drives")


def said_once() -> object:
    react = monitor._react

    def once(now_ns: int, cycle: int, axes: object, state: MonitorState, *rest: object) -> object:
        after, frames, reasons = react(now_ns, cycle, axes, state, *rest)  # type: ignore[arg-type]
        return after, frames if state.reaction is None else (), reasons

    return patch.object(monitor, "_react", once)


# ---------------------------------------------------------------------- others on the bus
def another_master(scene: Scene, extra_cycles: int = 0) -> None:
    """Somebody else sends one of the frames that only we may send."""
    node = scene.setup.axes[any_axis(scene)].node
    frame = scene.random.choice(
        (
            Frame(0, scene.setup.sync_id, b""),
            Frame(0, 0x700 + scene.plan.host_node, b"\x05"),
            Frame(0, 0x600 + node, bytes((0x40, 0x41, 0x60, 0, 0, 0, 0, 0))),
            Frame(0, 0x200 + node, b"\x0f\x00"),
        )
    )
    scene.stranger.send(frame)
    scene.violates("another master", "stop", extra_ns=extra_cycles * scene.period_ns)


def flooded(scene: Scene) -> None:
    """A broken station sends frames of the highest priority without end."""

    def more(t_ns: int) -> None:
        scene.stranger.send(Frame(0, 0x001, bytes(8)))
        scene.bus.at(t_ns + 100_000, more)

    more(scene.now)
    scene.hampered(5000 * MS)
    scene.violates("bus flooded", "drives")


def touchy() -> object:
    """A reading that takes an answer said twice for a mistake."""
    fed = reading._fed

    def strict(axis: Any, can_id: int, data: bytes, when: tuple[int, int], state: Any, rules: Any, add: Any) -> Any:
        index, roles, _ = rules.feedback[can_id]
        if state.enabled and roles[0] == "statusword" and when[0] <= axis.sampled:
            add("decode", rules.names[index], "said twice", "once", Reaction.STOP_THEN_OFF)
        return fed(axis, can_id, data, when, state, rules, add)

    return patch.object(reading, "_fed", strict)


ADAPTER, WIRE = "The adapter", "The wire"
NOT_STOPPED = r"I[345] "
ATTEMPTS: tuple[Attempt, ...] = (
    Attempt("adapter-unplugged", ADAPTER, struck(unplugged), "adapter", OWN_REACTION, "I5|I7"),
    Attempt("adapter-hangs", ADAPTER, struck(hangs), "adapter", OWN_REACTION, "I5|I7"),
    Attempt("adapter-hangs-a-moment", ADAPTER, struck(hangs_a_moment), "adapter", rules("adapter"), NOT_STOPPED),
    Attempt("adapter-sends-late", ADAPTER, struck(sends_late), "adapter, host: our own",
            rules("adapter", "telemetry age"), NOT_STOPPED),
    Attempt("bus-off", ADAPTER, struck(bus_off), "bus errors", rules("bus errors"), NOT_STOPPED),
    Attempt("error-frames", WIRE, struck(error_burst), "bus errors", rules("bus errors"), NOT_STOPPED),
    Attempt("cable-off-and-on", WIRE, struck(no_acknowledge, 2.0), "adapter|telemetry age", OWN_REACTION, "I5|I7"),
    Attempt(
        "cable-back-after-long", WIRE, struck(lambda scene: no_acknowledge(scene, 2500), 3.0), "adapter|telemetry age",
        OWN_REACTION, "I5|I7",
    ),
    Attempt("telemetry-lost", WIRE, struck(lost_telemetry), "telemetry age", rules("telemetry age"), NOT_STOPPED),
    Attempt("frame-cut-short", WIRE, struck(short_frames), "decode", rules("decode"), NOT_STOPPED),
    Attempt("bits-flipped", WIRE, struck(flipped_bits), "position jump",
            rules("position jump", "following error", "speed", "position", "power", "encoder slip"), "I[46] "),
    Attempt(
        "frames-doubled-and-reordered", WIRE, harmless(doubled), "",
        Defence("an answer said twice changes nothing", patch=touchy), "I17", stops=False,
    ),
    Attempt(
        "a-few-answers-lost", WIRE, harmless(some_lost), "",
        Defence("three cycles of age are tolerated", change=lambda setup: replace(setup, age_cycles=0)), "I17",
        stops=False,
    ),
    Attempt(
        "stop-frames-lost", WIRE, struck(stop_lost), "foreign master", Defence("stops are repeated", patch=said_once),
        NOT_STOPPED,
    ),
    Attempt("all-frames-lost", WIRE, struck(all_lost), "foreign master", OWN_REACTION, "I5|I7"),
    Attempt("another-master", WIRE, struck(another_master), "foreign master", rules("foreign master"), NOT_STOPPED),
    Attempt("bus-flooded", WIRE, struck(flooded), "", OWN_REACTION, "I5|I7"),
)  # fmt: skip
