"""Attempts that the pre-check has to refuse: another leg, another firmware, crossed plugs, drives that do not obey."""

from __future__ import annotations

from typing import Any
from unittest.mock import patch

from hazards_attempt import Act, Attempt, Defence, nothing, rules, step
from hazards_bench import MS, Scene

from legtest.canbus.frame import Frame
from legtest.safety import precheck, trial
from legtest.safety.port import PrecheckStep
from legtest.safety.service import ObjectAccess


def refused(blow: Act = nothing, powered: bool = False) -> Act:
    """The whole pre-check on a leg that is wrong. powered: trials may begin before it is noticed."""

    def act(scene: Scene) -> None:
        scene.wait(50 * MS)
        blow(scene)
        if not powered:
            scene.forbid()
        passed = scene.attempt(scene.port.precheck)
        if passed:
            scene.extra.append("the pre-check passed")
        if powered:
            scene.forbid()

    return act


def crossed_motor_cables(scene: Scene) -> None:
    """The stage of the first axis turns the second one's motor, and the other way round."""
    first, second = scene.bodies[:2]
    first.turns = second.turns = 0

    def cross(t_ns: int) -> None:
        first.advance(t_ns)
        second.advance(t_ns)
        first.push_Nm, second.push_Nm = second.torque, first.torque
        scene.bus.at(t_ns + MS // 2, cross)

    cross(scene.now)
    away(scene, 0.016)


def wrong_sign(scene: Scene) -> None:
    scene.bodies[0].turns = -1
    away(scene, 0.0015)


def away(scene: Scene, rad: float = 0.042) -> None:
    """Power has to go as soon as an axis leaves its trial, not on the quick stop's ramp."""
    start = [body.position for body in scene.bodies]

    def left() -> bool:
        return any(b.on for b in scene.bodies) and any(
            abs(b.position - a) > rad for a, b in zip(start, scene.bodies, strict=True)
        )

    def told() -> None:
        scene.violates("motion out of control", "off", samples=4)
        scene.when(lambda: not any(b.on for b in scene.bodies), gone)

    def gone() -> None:
        furthest = max(abs(b.position - a) for a, b in zip(start, scene.bodies, strict=True))
        if furthest > 0.12:
            scene.extra.append(f"{furthest:.3f} rad under power in a trial")

    scene.when(left, told)


def hot_sensor(celsius: float) -> Act:
    def blow(scene: Scene) -> None:
        scene.bodies[scene.random.randrange(3)].temperature_C = celsius

    return blow


def deaf_to_silence(scene: Scene) -> None:
    """One drive does not act when the host's heartbeat ends."""
    node = scene.nodes[scene.random.randrange(3)]
    node._heartbeat_watch._lost = lambda t_ns: None


def deaf_to_silence_when_on(scene: Scene) -> None:
    """It reports the lost heartbeat, as it should, and goes on moving."""
    index = scene.random.randrange(3)
    node = scene.nodes[index]
    scene.observer.obeys(index, "nothing")
    node._power.connection_lost = lambda t_ns, code: None  # type: ignore[method-assign]


def forgets_its_limit(scene: Scene) -> None:
    """One drive keeps another quick stop ramp than it was told."""
    entry = scene.nodes[scene.random.randrange(3)]._dictionary[0x6085, 0]
    entry.written = lambda t_ns: setattr(entry, "value", 1000)


def on_already(scene: Scene) -> None:
    """Another program has energised a drive, and has gone."""
    for frame in ((0, b"\x01\x02"), (0x202, b"\x06\x00"), (0x202, b"\x07\x00"), (0x202, b"\x0f\x00")):
        scene.stranger.send(Frame(0, *frame))
        scene.wait(5 * MS)
    assert scene.bodies[1].on
    scene.link.pump(scene.now)  # nobody of ours has heard it


def talks_while_we_listen(scene: Scene) -> None:
    """Another program leads the bus: its SYNC comes every 10 ms."""

    def more(t_ns: int) -> None:
        scene.stranger.send(Frame(0, scene.setup.sync_id, b""))
        scene.bus.at(t_ns + 10 * MS, more)

    more(scene.now)


def believes() -> Any:
    def write(self: ObjectAccess, axis: int, write: Any) -> None:
        from legtest.safety import sdo
        from legtest.safety.gate import payload

        node = self._setup.axes[axis].node
        self._again(lambda: self._carry_out(sdo.write(node, write.entry, write.sub, payload(write)), node))

    return patch.object(ObjectAccess, "write", write)


def blind(name: str) -> Defence:
    """A step with power that is passed without being looked at."""

    def passed(loop: Any, axis: int, key: object) -> PrecheckStep:
        return PrecheckStep(name, "not looked at", {})

    return Defence(f"step {name}", patch=lambda: patch.object(precheck, name, passed))


def deaf() -> Any:
    """It waits as long, and hears nothing."""

    def wait(loop: Any) -> PrecheckStep:
        loop.listen(300 * MS)
        loop.forget()
        return PrecheckStep("listening", "not looked at", {})

    return patch.dict(precheck.UNPOWERED, {"listening": wait})


def strays() -> Any:
    return patch.object(trial, "_only_this_moves", lambda loop, axis, before: None)


LEG, PLUGS, DRIVE, BUS = "The wrong leg or file", "Plugs, signs and scales", "The drives", "The wire"
ENERGISED = "left although|passed|went through"
ATTEMPTS: tuple[Attempt, ...] = (
    Attempt("wrong-leg-file", LEG, refused(), "identity.*serial", step("identity"), ENERGISED, stops=False,
            scene={"identity": {1: {"serial": 9999}}}),
    Attempt("other-firmware", LEG, refused(), "identity.*revision", step("identity"), ENERGISED, stops=False,
            scene={"identity": {2: {"revision": 0x00010001}}}),
    Attempt("swapped-node-ids", PLUGS, refused(), "identity.*serial", step("identity"), ENERGISED, stops=False,
            scene={"node_ids": {1: 3, 2: 2}}),
    Attempt("crossed-motor-cables", PLUGS, refused(crossed_motor_cables, True), "trial of abduction",
            rules("following error").and_(Defence("looking at the other axes", patch=strays)), "I[46]|rad under power",
            stops=False),
    Attempt("wrong-sign", PLUGS, refused(wrong_sign, True), "trial of abduction", rules("following error"),
            "I[46]|rad under power"),
    Attempt("temperature-sensor-open", "The sensors", refused(hot_sensor(-40.0)), "telemetry plausible",
            step("telemetry plausible"), ENERGISED, stops=False),
    Attempt("temperature-sensor-stuck", "The sensors", refused(hot_sensor(5.0)), "telemetry plausible",
            step("telemetry plausible"), ENERGISED, stops=False),
    Attempt("heartbeat-not-watched", DRIVE, refused(deaf_to_silence), "communication loss",
            step("communication loss, unpowered"), ENERGISED, stops=False),
    Attempt("no-reaction-to-silence", DRIVE, refused(deaf_to_silence_when_on, True), "communication loss of",
            blind("loss_energised"), "passed", stops=False),
    Attempt("setting-not-kept", DRIVE, refused(forgets_its_limit), "limits written and read back",
            Defence("reading back", patch=believes), ENERGISED, stops=False),
    Attempt("energised-by-another", DRIVE, refused(on_already), "drives off", step("drives off"), "I9",
            stops=False),
    Attempt("another-master-before", BUS, refused(talks_while_we_listen), "listening|foreign master",
            Defence("step listening", patch=deaf).and_(rules("foreign master")), ENERGISED, stops=False),
)  # fmt: skip
