"""Attempts by sensors and mechanics, and by people who touch the leg."""

from __future__ import annotations

from dataclasses import replace
from math import ceil

from hazards_attempt import Act, Attempt, Defence, rules
from hazards_bench import MS, Scene
from hazards_bus import NOT_STOPPED, any_axis, struck

from legtest.safety.setup import Setup


# ---------------------------------------------------------------------- sensors
def slips(scene: Scene) -> None:
    """The encoder loses its place by 3 to 34 degrees at once."""
    index = any_axis(scene)
    least = 0.03 + 1.8 * 2 * scene.plan.axes[0].speed_rad_s * scene.period_ns * 1e-9
    scene.bodies[index].slip_rad += scene.random.choice((-1, 1)) * scene.random.uniform(least, max(0.6, 1.5 * least))
    scene.violates("encoder slips", "off")


def creeps(scene: Scene) -> None:
    """The encoder slides on its shaft while it turns."""
    body = scene.bodies[any_axis(scene)]
    body.drift_rad_s = scene.random.choice((-1, 1)) * (7.0 if scene.rate_hz < 100 else 4.0)
    scene.violates("encoder creeps", "off", samples=15)


def freezes(scene: Scene) -> None:
    """Every answer of one drive is the same as the last."""
    body = scene.bodies[any_axis(scene)]
    body.frozen = body.read(scene.now)
    still = ceil(0.025 / (0.5 * scene.period_ns * 1e-9))
    scene.violates("telemetry is stuck", "off", samples=max(7, still + 3))


def heats(scene: Scene) -> None:
    scene.bodies[any_axis(scene)].heating_K_s = scene.random.uniform(6.0, 12.0)
    scene.violates("a winding heats", "lower", extra_ns=2400 * MS)


def hot(scene: Scene) -> None:
    scene.bodies[any_axis(scene)].temperature_C = 96.0
    scene.violates("a winding is hot", "lower", samples=26)


# ---------------------------------------------------------------------- mechanics
def gone_astray(what: str, samples: int = 1) -> Act:
    """The leg must stop once an axis is further from its demand than is allowed, or a joint faster."""

    def watch(scene: Scene) -> None:
        plan = scene.plan

        def astray() -> bool:
            speeds = plan.joints([body.velocity for body in scene.bodies])
            behind = any(body.on and abs(body.demand_rad(scene.now) - body.encoder()) > 0.22 for body in scene.bodies)
            return behind or any(abs(v) > 1.3 * a.speed_rad_s for v, a in zip(speeds, plan.axes, strict=True))

        scene.when(astray, lambda: scene.violates(what, "stop", samples=samples))

    return watch


def capped(scene: Scene) -> None:
    """Whatever is in the way, no actuator gives more than the file allows."""

    def look(t_ns: int) -> None:
        for body, axis in zip(scene.bodies, scene.plan.axes, strict=True):
            body.advance(t_ns)
            if abs(body.torque) > 1.05 * axis.cap_Nm:
                scene.extra.append(f"I9 {axis.name} gives {body.torque:.1f} N*m")
                return
        scene.bus.at(t_ns + MS, look)

    look(scene.now)


def jams(scene: Scene) -> None:
    capped(scene)
    scene.bodies[any_axis(scene)].blocked = True
    gone_astray("a joint jams", samples=2)(scene)


def wall(scene: Scene) -> None:
    """Something hard stands 0.05 rad ahead."""
    capped(scene)
    body = scene.bodies[any_axis(scene)]
    if body.velocity > 0:
        body.stops = (-9.0, body.position + 0.05)
    else:
        body.stops = (body.position - 0.05, 9.0)
    gone_astray("contact", samples=2)(scene)


def pushes(scene: Scene) -> None:
    """Somebody pushes harder than the actuator may hold."""
    capped(scene)
    scene.bodies[any_axis(scene)].push_Nm = scene.random.choice((-1, 1)) * scene.random.uniform(30.0, 45.0)
    gone_astray("pushed", samples=4)(scene)


def torn_belt(scene: Scene) -> None:
    """The motor turns, the joint with its encoder does not follow."""
    scene.bodies[any_axis(scene)].turns = 0
    gone_astray("belt torn", samples=2)(scene)


def dragged(scene: Scene) -> None:
    """Something heavy hangs on every joint: more power than the small supply of this bench may give."""
    scene.in_motion()

    def blow(t_ns: int, share: float = 0.05) -> None:
        for body, speed in zip(scene.bodies, scene.way, strict=True):
            body.push_Nm = (-16.5 if speed > 0 else 16.5) * share
        if share < 1.0:
            scene.bus.at(t_ns + 5 * MS, lambda t_ns: blow(t_ns, share + 0.05))

        def much() -> bool:
            return sum(abs(body.torque * body.velocity) for body in scene.bodies) > 1.25 * scene.setup.power_W

        scene.when(much, lambda: scene.violates("too much power", "stop", samples=5))

    scene.strike(blow)
    scene.run(1.0)


def small_supply(setup: Setup) -> Setup:
    return replace(setup, power_W=18.0)


def beyond_the_limit(scene: Scene) -> None:
    """The end stop is missing, and a load draws a joint towards where it was while its drive may give little torque."""
    scene.in_motion(speeds=(0.5, 0.0, 0.0), seconds=1.0, cap_Nm=4.0)
    limits, body, plan = scene.plan.axes[0], scene.bodies[0], scene.plan
    scene.run(1.2)
    latency_s = 3 * plan.period_ns * 1e-9 + plan.bus_ns * 1e-9 + 1.5e-3

    def too_far() -> bool:
        v = max(body.velocity, 0.0)
        return body.position + v * latency_s + v**2 / (2 * plan.ramp_rad_s2) > limits.high_rad + 0.005

    def gone() -> None:
        if body.on and body.position > limits.high_rad + 0.1:
            scene.extra.append(f"I11 {limits.name} is at {body.position:.2f} rad and on")

    body.push_Nm = 4.9
    scene.when(too_far, lambda: scene.violates("beyond the limit", "stop"))
    scene.when(lambda: body.position > limits.high_rad + 0.1, gone)
    scene.run(1.0)


def moved_by_hand(scene: Scene) -> None:
    """Between two tests somebody gives a limp joint a push, and power is asked for while it swings."""
    scene.powered()
    scene.attempt(scene.port.lower_and_off)
    body = scene.bodies[0]
    body.velocity = -2.7
    key, peak = scene.key, [0.0]
    assert key is not None

    def look(t_ns: int) -> None:
        body.advance(t_ns)
        if body.on:
            peak[0] = max(peak[0], abs(body.torque))
        scene.bus.at(t_ns + MS, look)

    look(scene.now)
    scene.attempt(lambda: scene.port.energise(key))
    if peak[0] > 1.5:
        scene.extra.append(f"the limp joint was jerked with {peak[0]:.1f} N*m")
    scene.attempt(scene.port.lower_and_off)
    scene.key = None


def no_settling() -> object:
    from unittest.mock import patch

    from legtest.safety.loop import Loop

    return patch.object(Loop, "settle", lambda loop: None)


SENSOR, MECHANICS, PEOPLE = "The sensors", "The mechanics", "People at the leg"
ASTRAY = rules(
    "following error", "torque without motion", "speed", "position", "position jump", "power", "encoder slip",
    "drive fault", "emergency", "stuck telemetry", "drive state",
)  # fmt: skip
ATTEMPTS: tuple[Attempt, ...] = (
    Attempt("encoder-slips", SENSOR, struck(slips), "position jump", rules("position jump"), "I[46] "),
    Attempt(
        "encoder-creeps", SENSOR, struck(creeps), "encoder slip|speed|position",
        rules("encoder slip", "speed", "position", "following error"), "I[46] ",
    ),
    Attempt("telemetry-stuck", SENSOR, struck(freezes), "stuck telemetry", rules("stuck telemetry"), "I[46] "),
    Attempt("winding-heats", SENSOR, struck(heats, 5.0), "temperature rate", rules("temperature rate"), "I[35] "),
    Attempt("winding-hot", SENSOR, struck(hot, 3.0), "temperature", rules("temperature rate", "temperature"), "I[35] "),
    Attempt("joint-jams", MECHANICS, struck(jams), "torque without motion|following error", ASTRAY, NOT_STOPPED,
            stops=False),
    Attempt("wall-in-the-way", MECHANICS, struck(wall), "torque without motion|following error", ASTRAY, NOT_STOPPED,
            stops=False),
    Attempt("belt-torn", MECHANICS, struck(torn_belt), "torque without motion|following error", ASTRAY, NOT_STOPPED,
            stops=False),
    Attempt("too-much-power", MECHANICS, dragged, "power, leg", rules("power"), NOT_STOPPED,
            change=small_supply),
    Attempt("end-stop-missing", MECHANICS, beyond_the_limit, "position, ",
            rules("position", "following error", "speed"), "I[0-9]"),
    Attempt("leg-pushed", PEOPLE, struck(pushes), "following error|speed", ASTRAY, NOT_STOPPED,
            stops=False),
    Attempt(
        "limp-leg-swings", PEOPLE, moved_by_hand, "", Defence("waiting for a limp leg to rest", patch=no_settling),
        "jerked|I[0-9]", stops=False,
    ),
)  # fmt: skip
