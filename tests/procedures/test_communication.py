"""Communication and reactions: reply times, losses, a silent host, the emergency stop."""

from __future__ import annotations

import numpy as np
import pytest
from made_up import LEG, PERIOD_NS, WIREMAPS, moved
from simulated import Simulated, assert_holds, simulated

from legtest.canbus.bits import frame_bits
from legtest.canbus.frame import SENT, Frame
from legtest.errors import LegStopped
from legtest.metrology.combine import expanded
from legtest.metrology.statistics import clopper_pearson
from legtest.metrology.verdict import Word
from legtest.procedures import communication, emergency_stop, homing, loss_reaction
from legtest.quantities import QUANTITIES

NAMES = LEG.joint_names


# ------------------------------------------------------------------ replies and telemetry
def _asked(delays_s: np.ndarray) -> list[Frame]:
    """One read of each drive after the other, answered after these times and the answer's own length on the bus."""
    frames, now = [], 0
    for delay in delays_s:
        for joint in LEG.joints:
            node = joint.drive.node
            answer = bytes((0x43, 0x18, 0x10, 4, 1, 2, 3, 4))
            wire = frame_bits(0x580 + node, answer) * 1000
            frames.append(Frame(now, 0x600 + node, bytes((0x40, 0x18, 0x10, 4)) + bytes(4), SENT))
            now += round(delay * 1e9) + wire
            frames.append(Frame(now, 0x580 + node, answer))
            now += 1_000_000
    return frames


def _watched(rows: int, delay_ns: np.ndarray, lost: int = 0) -> tuple[dict[str, np.ndarray], list[Frame]]:
    columns = {f"{name}.position": np.zeros(rows) for name in NAMES}
    for k in range(lost):
        columns[f"{NAMES[k % 3]}.position"][50 + k] = np.nan
    frames = [
        Frame(k * PERIOD_NS + int(delay_ns[k]), wiremap.position_signal().can_id, bytes(8))
        for k in range(rows)
        for wiremap in WIREMAPS
    ]
    return columns, frames


def _communicated(rows: int = 2000, lost: int = 0) -> dict[str, list[float]]:
    rng = np.random.default_rng(2)
    replies, delays = rng.uniform(50e-6, 60e-6, 200), rng.uniform(200_000, 300_000, rows)
    columns, frames = _watched(rows, delays, lost)
    recorded = moved(
        [("look", {}), ("watch", columns)], {"bit_rate": 1e6, "period_ns": PERIOD_NS},
        frames={"look": _asked(replies), "watch": frames},
    )  # fmt: skip
    found: dict[str, list[float]] = {}
    for m in communication.evaluate(recorded):
        true = {
            "reply_time": 55e-6, "reply_time_p99": 59.9e-6, "telemetry_delay": 250e-6, "telemetry_delay_p99": 299e-6,
            "telemetry_delay_max": float(delays.max()) * 1e-9, "cycle_jitter": 0.0,
        }.get(m.quantity)  # fmt: skip
        if true is not None:
            assert_holds(m, true)
            assert m.u < 3e-6
        found.setdefault(m.quantity, []).extend((m.value, expanded(m, 0.95)))
    return found


def test_times_of_made_up_frames_are_theirs() -> None:
    assert set(_communicated()) == set(communication.DECLARATION.quantities)


@pytest.mark.parametrize("lost", [0, 1, 7])
def test_the_interval_of_a_loss_ends_where_that_of_clopper_and_pearson_does(lost: int) -> None:
    value, room = _communicated(lost=lost)["telemetry_loss"]
    expected = 3 * (2000 - communication.LAST_CYCLES)
    assert value == pytest.approx(lost / expected)
    assert value + room == pytest.approx(clopper_pearson(lost, expected, 0.95)[1], rel=1e-6)


def test_a_handful_of_answers_is_invalid() -> None:
    columns, frames = _watched(100, np.full(100, 250_000.0))
    recorded = moved(
        [("look", {}), ("watch", columns)], {"bit_rate": 1e6, "period_ns": PERIOD_NS},
        frames={"look": _asked(np.full(5, 5e-5)), "watch": frames},
    )  # fmt: skip
    assert {m.quantity for m in communication.evaluate(recorded) if m.invalid} == {"reply_time", "reply_time_p99"}


def test_a_sound_leg_answers_in_time_without_power() -> None:
    it = simulated("tarn-fl", 4)
    it.bench.energy.allowed = 0
    for m in it.run(communication.DECLARATION, seconds=8.0).values():
        if m.quantity in ("reply_time", "reply_time_p99", "telemetry_loss"):
            assert_holds(m, it.truth(m))
        assert it.verdict(m) is Word.PASS


def test_a_drive_that_answers_late_fails_alone() -> None:
    it = simulated("tarn-fl", 4, "slow-replies")
    found = {(m.quantity, m.subject): m for m in it.run(communication.DECLARATION, seconds=4.0).values()}
    assert it.verdict(found["reply_time", "knee"]) is Word.FAIL
    assert it.verdict(found["reply_time_p99", "knee"]) is Word.FAIL
    assert it.verdict(found["reply_time", "hip"]) is Word.PASS


def test_lost_frames_are_noticed_without_power() -> None:
    it = simulated("tarn-hopper", 4, "dropped-frames")
    assert it.verdict(it.run(communication.DECLARATION, seconds=8.0)["telemetry_loss"]) is Word.FAIL


# ------------------------------------------------------------------ communication loss
def _missed(reaction_ns: int, off_ns: int, energised: bool = True) -> list[Frame]:
    """Beats every 20 ms until 1 s, then a report and a drive that goes off; telemetry every 4 ms."""
    frames = [Frame(t, 0x77F, b"\x05", SENT) for t in range(0, 1_000_000_001, 20_000_000)]
    for wiremap in WIREMAPS:
        position = wiremap.position_signal().can_id
        for t in range(0, 1_300_000_000, PERIOD_NS):
            on = energised and t < 1_000_000_000 + off_ns
            frames.append(Frame(t, position, (0x27 if on else 0x40).to_bytes(2, "little") + bytes(6)))
        report = bytes((0x30, 0x81, 0x11)) + bytes(5)
        wire = frame_bits(wiremap.emergency_id, report) * 1000
        frames.append(Frame(1_000_000_000 + reaction_ns + wire, wiremap.emergency_id, report))
    return sorted(frames)


def _reacted(frames: list[Frame]) -> list[float]:
    recorded = moved([("prove", {})], {"period_ns": PERIOD_NS, "bit_rate": 1e6}, frames={"prove": frames})
    return [m.value for m in loss_reaction.evaluate(recorded) if not m.invalid]


def test_reaction_and_power_off_are_told_from_the_last_beat() -> None:
    found = _reacted(_missed(100_000_000, 110_000_000))
    assert found == pytest.approx([0.100, 0.112 - 0.002] * 3)


def test_a_drive_that_misses_its_host_unpowered_is_no_reaction() -> None:
    assert _reacted(_missed(100_000_000, 110_000_000, energised=False)) == []


@pytest.mark.parametrize("leg", ["tarn-fl", "tarn-hopper"])
def test_the_reaction_of_sound_drives_is_that_of_their_timers(leg: str) -> None:
    it = simulated(leg, 9)
    for m in it.run(loss_reaction.DECLARATION).values():
        if m.quantity == "loss_reaction_time":
            assert_holds(m, it.truth(m))
        assert it.verdict(m) is Word.PASS
    homing.ensure(it.bench)  # the pre-check's permit is good


def test_a_slow_timer_passes_the_precheck_and_fails_here() -> None:
    it = simulated("tarn-fl", 9, "slow-watchdog")
    found = {(m.quantity, m.subject): m for m in it.run(loss_reaction.DECLARATION).values()}
    assert it.verdict(found["loss_reaction_time", "hip"]) is Word.FAIL
    assert it.verdict(found["loss_reaction_time", "knee"]) is Word.PASS


# ------------------------------------------------------------------ emergency stop
def _pressed(off_row: int) -> dict[str, np.ndarray]:
    rows = np.arange(300)
    columns = {}
    for name in NAMES:
        fall = np.where(rows > off_row, 0.3 * (1 - np.exp(-(rows - off_row) / 20.0)), 0.0)
        columns |= {
            f"{name}.statusword": np.where(rows < off_row, 0x27, 0x40),
            f"{name}.position": 0.5 - fall if name == "hip" else np.zeros(300),
        }
    return columns


def test_the_stop_is_over_with_the_last_drive_and_the_fall_is_the_largest_way() -> None:
    arguments = {
        "pressed_ns": 100 * PERIOD_NS, "within_s": 5e-4, "stopped": "the leg was stopped", "period_ns": PERIOD_NS,
    }  # fmt: skip
    columns = _pressed(105)
    columns["knee.statusword"] = np.where(np.arange(300) < 108, 0x27, 0x40)
    found = {(m.quantity, m.subject): m for m in emergency_stop.evaluate(moved([("x", columns)], arguments))}
    assert_holds(found["emergency_stop_time", "leg"], 7.5 * PERIOD_NS * 1e-9)
    # The knee of this leg counts against the hip's actuator: both joints go the hip's way.
    assert found["emergency_stop_travel", "hip"].value == pytest.approx(0.3, abs=1e-3)
    assert found["emergency_stop_travel", "abduction"].value == pytest.approx(0.0, abs=1e-9)


def test_a_stop_that_does_not_come_is_invalid() -> None:
    (m,) = emergency_stop.evaluate(moved([("x", _pressed(105))], {"period_ns": PERIOD_NS}))
    assert "nothing stopped the leg" in m.invalid


def _press(it: Simulated) -> tuple[dict[tuple[str, str], float], dict[str, Word], list[int]]:
    off: list[int] = []
    for axis in it.rig.axes:
        enable = axis.enable

        def watched(t_ns: int, on: bool, enable=enable) -> None:
            if not on:
                off.append(t_ns)
            enable(t_ns, on)

        axis.enable = watched  # type: ignore[method-assign]
    pressed: list[int] = []
    press = it.rig.person.emergency_stop

    def noted(*, pressed_now: bool) -> tuple[int, float]:
        off.clear()
        pressed.append(it.rig.bus.now_ns)
        return press(pressed=pressed_now)

    it.rig.person.emergency_stop = lambda *, pressed: noted(pressed_now=pressed) if pressed else press(pressed=False)  # type: ignore[method-assign]
    found = list(it.run(emergency_stop.DECLARATION).values())
    last = max(t for t in off if t < pressed[0] + 500_000_000)
    (time,) = [m for m in found if m.quantity == "emergency_stop_time"]
    assert_holds(time, (last - pressed[0]) * 1e-9)
    return {(m.quantity, m.subject): m.value for m in found}, {m.subject: it.verdict(m) for m in found}, off


def test_the_emergency_stop_takes_the_power_and_the_bench_goes_on_afterwards() -> None:
    it = simulated("tarn-hopper", 3)
    values, words, _ = _press(it)
    assert words["leg"] is Word.PASS
    assert values["emergency_stop_travel", "hip"] > 0.1  # a raised leg falls
    assert it.bench.stopped is None
    homing.ensure(it.bench)  # by a pre-check of its own
    assert len(it.bench.prechecks) == 2


@pytest.mark.parametrize("announced", [False, True])
def test_only_the_stop_that_was_asked_for_does_not_stay(announced: bool) -> None:
    it = simulated("tarn-hopper", 3)

    def press() -> None:
        with it.bench.energised():
            if announced:
                it.bench.press_emergency_stop()
            else:
                it.rig.person.emergency_stop(pressed=True)
            it.bench.wait(0.5)

    with pytest.raises(LegStopped):
        press()
    assert (it.bench.stopped is None) == announced


def test_what_is_expected_is_over_when_power_comes_on_again() -> None:
    it = simulated("tarn-hopper", 3)
    it.bench._port.expect_stop()

    def lose_supply() -> None:
        with it.bench.energised():
            it.rig.person.emergency_stop(pressed=True)
            it.bench.wait(0.5)

    with pytest.raises(LegStopped):
        lose_supply()
    assert it.bench.stopped is not None


def test_every_quantity_is_in_the_catalogue() -> None:
    for procedure in (communication, loss_reaction, emergency_stop):
        assert set(procedure.DECLARATION.quantities) <= set(QUANTITIES)
