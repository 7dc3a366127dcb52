"""Faults of drives, sensors, mechanics and supply."""

from __future__ import annotations

from typing import TYPE_CHECKING

from legtest.campaign.fault import ANYTIME, MOVING, POWERED, Fault, kind
from legtest.simulation.emergency import FOLLOWING_ERROR

if TYPE_CHECKING:
    from legtest.campaign.leg import CampaignLeg


# ---------------------------------------------------------------------------------------------- drives
@kind("drive", on_axis=True, edges=ANYTIME)
def drive_reboots(leg: CampaignLeg, fault: Fault) -> None:
    leg.nodes[fault.axis].reboot(leg.now)


@kind("drive", on_axis=True, edges=ANYTIME)
def drive_fault(leg: CampaignLeg, fault: Fault) -> None:
    leg.nodes[fault.axis].fault(leg.now, FOLLOWING_ERROR)


@kind("drive", on_axis=True)
def drive_drops_out(leg: CampaignLeg, fault: Fault) -> None:
    """A stage goes off by itself and says so in its statusword only."""
    leg.nodes[fault.axis].drop_out(leg.now)


@kind("drive", on_axis=True, edges=ANYTIME, unit="code", size=(0x1000, 0x9000))
def drive_warns(leg: CampaignLeg, fault: Fault) -> None:
    """An emergency message and nothing else."""
    leg.nodes[fault.axis].emergency(int(fault.size))


@kind("drive", on_axis=True, edges=ANYTIME, span_ms=(2, 300))
def drive_mute(leg: CampaignLeg, fault: Fault) -> None:
    """Nothing of it reaches the wire; it still listens."""
    node = leg.nodes[fault.axis]
    node.mute = True
    leg.later(fault.span_ns, lambda: setattr(node, "mute", False))


@kind("drive", on_axis=True, edges=("begin", "enable", "motion"))
def ignores_quick_stop(leg: CampaignLeg, fault: Fault) -> None:
    leg.nodes[fault.axis].deaf_to = 0x02
    leg.observer.obeys(fault.axis, "off")


@kind("drive", on_axis=True, edges=("enable", "motion"))
def ignores_controlwords(leg: CampaignLeg, fault: Fault) -> None:
    leg.nodes[fault.axis].deaf_to = 0x100
    leg.observer.obeys(fault.axis, "silence")


@kind("drive", on_axis=True, unit="times", size=(1.3, 3))
def torque_beyond_limit(leg: CampaignLeg, fault: Fault) -> None:
    """The current control gives more than it was allowed."""
    leg.bodies[fault.axis].over = fault.size
    leg.bodies[fault.axis].push_Nm += 30.0


# ---------------------------------------------------------------------------------------------- sensors
@kind("sensor", on_axis=True, unit="rad", size=(-0.6, 0.6), edges=ANYTIME)
def encoder_steps(leg: CampaignLeg, fault: Fault) -> None:
    leg.bodies[fault.axis].slip_rad += fault.size


@kind("sensor", on_axis=True, unit="rad/s", size=(-3.0, 3.0), span_ms=(50, 500))
def encoder_drifts(leg: CampaignLeg, fault: Fault) -> None:
    body = leg.bodies[fault.axis]
    body.drift_rad_s = fault.size
    leg.later(fault.span_ns, lambda: setattr(body, "drift_rad_s", 0.0))


@kind("sensor", on_axis=True, edges=("motion", "motion", "enable"), span_ms=(20, 900))
def encoder_freezes(leg: CampaignLeg, fault: Fault) -> None:
    """The reading stays what it is, velocity and torque with it."""
    body = leg.bodies[fault.axis]
    body.frozen = body.read(leg.now)
    leg.later(fault.span_ns, lambda: setattr(body, "frozen", None))


@kind("sensor", on_axis=True, unit="rad", size=(1e-3, 0.3), span_ms=(20, 200))
def encoder_noisy(leg: CampaignLeg, fault: Fault) -> None:
    body = leg.bodies[fault.axis]
    before, body.noise_rad = body.noise_rad, fault.size
    leg.observer.distrust()
    leg.later(fault.span_ns, lambda: setattr(body, "noise_rad", before))


@kind("sensor", on_axis=True, unit="times", size=(-2.0, 2.0), edges=("begin", "motion"))
def velocity_wrong(leg: CampaignLeg, fault: Fault) -> None:
    """The drive's velocity is another one than the encoder's."""
    leg.bodies[fault.axis].velocity_factor = fault.size
    leg.observer.distrust()


@kind("sensor", on_axis=True, edges=("begin",))
def encoder_backwards(leg: CampaignLeg, fault: Fault) -> None:
    leg.bodies[fault.axis].turns = -1
    leg.observer.distrust()


@kind("sensor", on_axis=True, unit="times", size=(0.3, 3.0), edges=("begin",))
def encoder_scaled(leg: CampaignLeg, fault: Fault) -> None:
    """The drive follows its own encoder, so its telemetry agrees with its demand: a matter for the hand-move."""
    leg.observer.hidden()
    leg.bodies[fault.axis].scale = fault.size


@kind("sensor", on_axis=True, unit="degC", size=(-60.0, 150.0), edges=ANYTIME)
def temperature_wild(leg: CampaignLeg, fault: Fault) -> None:
    leg.bodies[fault.axis].temperature_C = fault.size


# ---------------------------------------------------------------------------------------------- mechanics
@kind("mechanics", on_axis=True, span_ms=(50, 900), edges=MOVING)
def joint_jams(leg: CampaignLeg, fault: Fault) -> None:
    body = leg.bodies[fault.axis]
    body.blocked = True
    leg.later(fault.span_ns, lambda: setattr(body, "blocked", False))


@kind("mechanics", on_axis=True, unit="N*m", size=(-40.0, 40.0), span_ms=(10, 300))
def hand_pushes(leg: CampaignLeg, fault: Fault) -> None:
    body = leg.bodies[fault.axis]
    body.push_Nm += fault.size
    leg.later(fault.span_ns, lambda: setattr(body, "push_Nm", 0.0))


@kind("mechanics", on_axis=True, unit="rad", size=(0.01, 0.4), edges=MOVING)
def wall_in_the_way(leg: CampaignLeg, fault: Fault) -> None:
    body = leg.bodies[fault.axis]
    way = 1.0 if body.velocity >= 0 else -1.0
    edge = body.position + way * fault.size
    body.stops = (-9.0, edge) if way > 0 else (edge, 9.0)


@kind("mechanics", on_axis=True, unit="times", size=(0.3, 4.0), edges=("begin", "motion"))
def inertia_wrong(leg: CampaignLeg, fault: Fault) -> None:
    leg.bodies[fault.axis].inertia *= fault.size


@kind("mechanics", on_axis=True, unit="N*m", size=(-30.0, 30.0))
def load_swings_loose(leg: CampaignLeg, fault: Fault) -> None:
    """Something heavy is attached, or comes off, and stays so."""
    leg.bodies[fault.axis].gravity_Nm = fault.size


@kind("mechanics", on_axis=True, unit="rad/s", size=(-25.0, 25.0), edges=POWERED)
def joint_struck(leg: CampaignLeg, fault: Fault) -> None:
    """A blow: the joint has another speed at once."""
    leg.bodies[fault.axis].velocity += fault.size
    leg.observer.distrust()


# ---------------------------------------------------------------------------------------------- supply
@kind("supply", unit="V", size=(0.0, 24.0), span_ms=(5, 900), edges=ANYTIME)
def supply_sags(leg: CampaignLeg, fault: Fault) -> None:
    leg.supply(fault.size)
    leg.later(fault.span_ns, lambda: leg.supply(leg.supply_V))


@kind("supply", unit="V", size=(30.0, 75.0), span_ms=(5, 900), edges=ANYTIME)
def supply_surges(leg: CampaignLeg, fault: Fault) -> None:
    leg.supply(fault.size)
    leg.later(fault.span_ns, lambda: leg.supply(leg.supply_V))


@kind("supply", on_axis=True, unit="K/s", size=(2.0, 200.0), span_ms=(400, 1500))
def winding_heats(leg: CampaignLeg, fault: Fault) -> None:
    body = leg.bodies[fault.axis]
    body.heating_K_s = fault.size
    leg.later(fault.span_ns, lambda: setattr(body, "heating_K_s", 0.0))


@kind("operator", edges=ANYTIME)
def emergency_stop(leg: CampaignLeg, fault: Fault) -> None:
    """The motor supply is cut and stays so; the drives' logic lives."""
    leg.supply_V = 0.0
    leg.supply(0.0)


@kind("operator", edges=ANYTIME)
def emergency_stop_of_everything(leg: CampaignLeg, fault: Fault) -> None:
    """Logic and motor supply are cut; both come back later."""
    for node in leg.nodes:
        node.mute = True
        node.reboot(leg.now)

    def back() -> None:
        for node in leg.nodes:
            node.mute = False
            node.reboot(leg.now)

    leg.later(300_000_000, back)


