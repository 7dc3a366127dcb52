"""When a joint is said to stand at its end stop."""

from __future__ import annotations

import pytest

from legtest.bench import Sample
from legtest.procedures.contact import RUN_UP_S, STILL_S, _ContactWatch

PERIOD_NS = 4_000_000
RUN_UP = round(RUN_UP_S * 1e9 / PERIOD_NS)
STILL = round(STILL_S * 1e9 / PERIOD_NS)


def sample(angle: float, torque: float = 1.2) -> Sample:
    return Sample(0, (0.0, angle), (0.0, torque), (False, False))


@pytest.mark.parametrize("stuck", [STILL, RUN_UP - 1])
def test_a_joint_held_by_stiction_while_the_approach_speeds_up_is_at_no_stop(stuck: int) -> None:
    """Near the horizontal gravity alone asks for nearly the cap, and the joint has just turned back."""
    watch = _ContactWatch(1, 1.26, PERIOD_NS)
    assert not any(watch(sample(-1.3)) for _ in range(stuck))
    assert not any(watch(sample(-1.3 - 0.002 * k)) for k in range(100))
    assert [watch(sample(-1.5)) for _ in range(STILL)] == [False] * (STILL - 1) + [True]


def test_little_torque_is_no_contact() -> None:
    watch = _ContactWatch(1, 1.26, PERIOD_NS)
    assert not any(watch(sample(-1.3, 0.5)) for _ in range(200))
