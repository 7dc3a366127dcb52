"""Attempts by the drives, and by the supply that feeds them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from unittest.mock import patch

from hazards_attempt import Attempt, Defence, rules
from hazards_bench import MS, Scene
from hazards_bus import NOT_STOPPED, another_master, any_axis, struck

from legtest.campaign.drive import EVERYTHING, QUICK_STOP
from legtest.safety import monitor
from legtest.safety.rules import Rules


def reboots(scene: Scene) -> None:
    scene.nodes[any_axis(scene)].reboot(scene.now)
    scene.violates("a drive restarts", "stop")


def reboots_unheard(scene: Scene) -> None:
    """Its boot-up message is lost as well: it just falls silent."""
    index = any_axis(scene)
    node = scene.nodes[index].node_id
    scene.link.rx = lambda frame: [] if frame.can_id == 0x700 + node else [(0, frame)]
    scene.nodes[index].reboot(scene.now)
    scene.violates("a drive restarts unheard", "stop", samples=scene.plan.age_cycles + 1)


def faults(scene: Scene) -> None:
    scene.nodes[any_axis(scene)].fault(scene.now, 0x2310)
    scene.violates("a drive faults", "stop")


def drops_out(scene: Scene) -> None:
    """A power stage goes off and only the statusword says so."""
    scene.nodes[any_axis(scene)].drop_out(scene.now)
    scene.violates("a stage goes off", "stop")


def ignores_quick_stop(scene: Scene) -> None:
    index = any_axis(scene)
    scene.nodes[index].deaf_to = QUICK_STOP
    scene.observer.obeys(index, "off")
    another_master(scene)


def ignores_everything(scene: Scene) -> None:
    """It obeys no controlword; only its watch over our heartbeat still works."""
    index = any_axis(scene)
    scene.nodes[index].deaf_to = EVERYTHING
    scene.observer.obeys(index, "silence")
    another_master(scene)


def never_escalates() -> Any:
    return patch.object(Rules, "confirm_ns", lambda self, reaction, speed: 10**12)


def never_silent() -> Any:
    react = monitor._react

    def talking(*args: Any) -> Any:
        after, frames, reasons = react(*args)
        return after._replace(silent=False), tuple(f for f in frames if f.can_id), reasons

    return patch.object(monitor, "_react", talking)


def too_strong(scene: Scene) -> None:
    """The current control gives more than the cap while something holds against it."""
    scene.in_motion(cap_Nm=4.0)
    index = any_axis(scene)
    body = scene.bodies[index]
    way = 1.0 if scene.way[index] > 0 else -1.0

    def told() -> None:
        scene.violates("torque above its cap", samples=4)

    def blow(t_ns: int) -> None:
        body.over, body.push_Nm = 2.0, -way * 6.0
        scene.when(lambda: abs(body.torque) > 1.2 * 4.0 + 0.4, told)

    scene.strike(blow)
    scene.run(1.0)


# ---------------------------------------------------------------------- supply
def sags(scene: Scene) -> None:
    """Still enough for the drives, too little for the leg."""
    scene.supply(17.2)
    scene.violates("supply sags", "stop", samples=6)


def collapses(scene: Scene) -> None:
    """Below the drives' own minimum: they are off before anybody can brake."""
    scene.supply(8.0)
    scene.violates("supply collapses", "stop", samples=1)


def surges(scene: Scene) -> None:
    """Braking energy drives the supply up, and these drives have a higher limit of their own than the leg's file."""
    for node in scene.nodes:
        object.__setattr__(node.config, "supply_max_V", 80.0)
    scene.supply(63.0)
    scene.violates("supply surges", "off", samples=6)


def emergency_stop(scene: Scene) -> None:
    """The motor supply is cut, the logic lives; half a second later the button is released."""
    scene.supply(0.0)
    scene.violates("emergency stop", "stop", samples=1)
    scene.bus.at(scene.now + 500 * MS, lambda t_ns: scene.supply(24.0))


def emergency_stop_of_everything(scene: Scene) -> None:
    """Logic and motor supply are cut; half a second later the drives boot."""
    scene.violates("emergency stop of everything", "stop", samples=scene.plan.age_cycles + 1)
    for node in scene.nodes:
        node.mute = True
        node.reboot(scene.now)

    def back(t_ns: int) -> None:
        for node in scene.nodes:
            node.mute = False
            node.reboot(t_ns)

    scene.bus.at(scene.now + 500 * MS, back)


def at_rest(blow: Callable[[Scene], None], after_s: float = 0.3) -> Callable[[Scene], None]:
    """The same between two tests: a permit is alive, the leg has no power. Then somebody asks for power."""

    def act(scene: Scene) -> None:
        scene.in_motion(seconds=0.2)
        scene.run(0.25)
        scene.attempt(scene.port.lower_and_off)
        blow(scene)
        scene.run(after_s + 0.5)
        scene.forbid()
        key = scene.key
        assert key is not None
        scene.attempt(lambda: scene.port.energise(key))

    return act


def cut_between_tests(scene: Scene) -> None:
    scene.supply(0.0)
    scene.bus.at(scene.now + 300 * MS, lambda t_ns: scene.supply(24.0))


def reboot_between_tests(scene: Scene) -> None:
    scene.nodes[any_axis(scene)].reboot(scene.now)


DRIVE, SUPPLY, ESTOP = "The drives", "The supply", "The emergency stop"
OFF_BY_ITSELF = rules("emergency", "drive fault", "drive state", "supply", "boot-up", "telemetry age")
ATTEMPTS: tuple[Attempt, ...] = (
    Attempt(
        "drive-restarts", DRIVE, struck(reboots), "boot-up", rules("boot-up", "telemetry age", "drive state"),
        NOT_STOPPED,
    ),
    Attempt(
        "drive-restarts-unheard", DRIVE, struck(reboots_unheard), "telemetry age",
        rules("telemetry age", "drive state", "following error"), NOT_STOPPED,
    ),
    Attempt(
        "drive-faults", DRIVE, struck(faults), "emergency|drive fault",
        rules("emergency", "drive fault", "drive state"), NOT_STOPPED,
    ),
    Attempt("stage-drops-out", DRIVE, struck(drops_out), "drive state", rules("drive state"), NOT_STOPPED),
    Attempt(
        "quick-stop-ignored", DRIVE, struck(ignores_quick_stop), "not confirmed|faster again",
        Defence("escalation to power off", patch=never_escalates), "I5",
    ),
    Attempt(
        "controlwords-ignored", DRIVE, struck(ignores_everything, 2.0), "PRESS THE EMERGENCY STOP",
        Defence("silence and NMT stop at the end of an escalation", patch=never_silent), "I[58]",
    ),
    Attempt("torque-above-its-cap", DRIVE, too_strong, "torque, ", rules("torque"), NOT_STOPPED),
    Attempt("supply-sags", SUPPLY, struck(sags), "supply, ", rules("supply"), NOT_STOPPED),
    Attempt("supply-collapses", SUPPLY, struck(collapses), "emergency|supply|drive", OFF_BY_ITSELF, NOT_STOPPED),
    Attempt("supply-surges", SUPPLY, struck(surges), "supply, ", rules("supply"), NOT_STOPPED),
    Attempt("emergency-stop", ESTOP, struck(emergency_stop), "emergency|supply|drive", OFF_BY_ITSELF, NOT_STOPPED),
    Attempt(
        "emergency-stop-of-everything", ESTOP, struck(emergency_stop_of_everything), "boot-up|telemetry age|drive",
        OFF_BY_ITSELF, NOT_STOPPED,
    ),
    Attempt(
        "emergency-stop-between-tests", ESTOP, at_rest(cut_between_tests), "void", rules("supply", "emergency"),
        "left although|I14|went through", stops=False,
    ),
    Attempt(
        "restart-between-tests", DRIVE, at_rest(reboot_between_tests), "void",
        rules("boot-up", "telemetry age", "position", "position jump", "speed"),
        "left although|I14|went through", stops=False,
    ),
)  # fmt: skip
