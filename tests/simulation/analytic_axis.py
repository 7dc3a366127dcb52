"""An axis without a physics engine: a double integrator behind a position loop with stiffness and damping."""

from __future__ import annotations

from legtest.simulation.axis import Reading

STEP_NS = 250_000


class AnalyticAxis:
    """Inertia and loop of a light leg joint. Set `load_Nm`, `blocked`, `temperature_C`, `supply_V` at will."""

    def __init__(self, inertia: float = 0.05, stiffness: float = 150.0, damping: float = 4.0) -> None:
        self.inertia, self.stiffness, self.damping = inertia, stiffness, damping
        self.position = self.velocity = self.torque = 0.0
        self.load_Nm, self.temperature_C, self.supply_V = 0.0, 25.0, 48.0
        self.blocked = False
        self.on = False
        self.limits = (0.0, 0.0)
        self.calls: list[tuple[object, ...]] = []
        self._t_ns = 0
        self._pushed: float | None = None
        self._forward = 0.0
        self._demand = (0, 0, 0.0, 0.0)

    def read(self, t_ns: int) -> Reading:
        self._advance(t_ns)
        return Reading(self.position, self.velocity, self.torque, self.temperature_C, self.supply_V)

    def enable(self, t_ns: int, on: bool) -> None:
        self._advance(t_ns)
        self.calls.append(("enable", t_ns, on))
        self.on, self._pushed, self._forward = on, None, 0.0
        self._demand = (t_ns, 0, self.position, self.position)

    def limit(self, t_ns: int, negative_Nm: float, positive_Nm: float) -> None:
        self._advance(t_ns)
        self.limits = (negative_Nm, positive_Nm)

    def follow(self, t_ns: int, target_rad: float, over_ns: int, torque_ff_Nm: float) -> None:
        self._advance(t_ns)
        self.calls.append(("follow", t_ns, target_rad, over_ns, torque_ff_Nm))
        start = self.demand_rad(t_ns)
        self._pushed, self._forward = None, torque_ff_Nm
        self._demand = (t_ns, over_ns, start, target_rad)

    def push(self, t_ns: int, torque_Nm: float) -> None:
        self._advance(t_ns)
        self.calls.append(("push", t_ns, torque_Nm))
        self._pushed = torque_Nm

    def demand_rad(self, t_ns: int) -> float:
        if self._pushed is not None:
            return self.position
        since, over, start, end = self._demand
        return end if t_ns >= since + over else start + (end - start) * (t_ns - since) / over

    def _advance(self, t_ns: int) -> None:
        while self._t_ns < t_ns:
            step = min(STEP_NS, t_ns - self._t_ns)
            since, over, start, end = self._demand
            rate = (end - start) * 1e9 / over if self._t_ns < since + over else 0.0
            if not self.on:
                torque = 0.0
            elif self._pushed is not None:
                torque = self._pushed
            else:
                error = self.demand_rad(self._t_ns) - self.position
                torque = self.stiffness * error + self.damping * (rate - self.velocity) + self._forward
            self.torque = min(max(torque, -self.limits[0]), self.limits[1])
            if self.blocked:
                self.velocity = 0.0
            else:
                friction = 0.5 * self.velocity
                self.velocity += (self.torque - self.load_Nm - friction) / self.inertia * step * 1e-9
                self.position += self.velocity * step * 1e-9
            self._t_ns += step
