"""What a permit is worth when nobody tells of it: a pre-check has to have been seen."""

from __future__ import annotations

from plain_wire import PLAN

from legtest.campaign.observer.permission import TRIALS, Permission

S = 1_000_000_000


def ready() -> Permission:
    """Identities are read, and every drive has noticed silence."""
    permission = Permission(PLAN, told=False)
    for axis in (0, 1):
        permission.identity_read(axis)
        permission.silence_noticed(axis)
    return permission


def tried(permission: Permission, axis: int, times: int = TRIALS) -> None:
    for _ in range(times):
        assert permission.refusal(0, axis) == ""
        permission.stage(axis, True)
        permission.stage(axis, False)


def test_nothing_may_be_energised_before_identities_and_silence_were_seen() -> None:
    permission = Permission(PLAN, told=False)
    assert permission.refusal(0, 0) != ""
    permission.identity_read(0)
    permission.identity_read(1)
    permission.silence_noticed(0)
    assert permission.refusal(0, 0) != ""
    permission.silence_noticed(1)
    assert permission.refusal(0, 0) == ""


def test_a_trial_is_one_axis_for_two_seconds_with_little_torque() -> None:
    permission = ready()
    assert permission.refusal(0, 0) == ""
    permission.stage(0, True)
    assert permission.refusal(S, 1) == "another axis is on in the same trial"
    assert permission.refusal(S, 0) == ""
    assert permission.refusal(3 * S, 0) == "its trial has lasted too long"
    assert permission.cap_Nm(0) == PLAN.axes[0].trial_cap_Nm


def test_motion_is_earned_by_three_trials_of_each_axis_and_lost_as_a_whole() -> None:
    permission = ready()
    tried(permission, 0)
    tried(permission, 1, TRIALS - 1)
    assert not permission.motion
    tried(permission, 1, 1)
    assert permission.motion
    assert permission.refusal(100 * S, 0) == permission.refusal(100 * S, 1) == ""
    assert permission.cap_Nm(1) == PLAN.axes[1].cap_Nm
    permission.void()
    assert permission.refusal(100 * S, 0) != ""


def test_what_is_told_ends_when_it_says() -> None:
    permission = Permission(PLAN, told=True)
    assert permission.refusal(0, 0) != ""
    permission.grant((0,), (2.0, 0.0), 5 * S)
    assert permission.refusal(4 * S, 0) == ""
    assert permission.refusal(4 * S, 1) != ""
    assert permission.refusal(5 * S, 0) != ""
    assert (permission.cap_Nm(0), permission.cap_Nm(1)) == (2.0, 0.0)
