"""Samples made a second at a time are those made at once; and none of an hour's frames is kept."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_run import PERIOD_NS, SYNC, make_frames, make_wiremap

from legtest.canbus.frame import Frame
from legtest.errors import DecodeError, RecordError
from legtest.records.trace import Trace, trace_of
from legtest.records.tracer import InMemory, Tracer, spans_of, traced

MAPS = [make_wiremap("hip", 2), make_wiremap("knee", 3)]
FRAMES = make_frames(MAPS, 1200)


def assert_same(a: Trace, b: Trace) -> None:
    assert a.t_ns.tolist() == b.t_ns.tolist()
    assert a.sync.tolist() == b.sync.tolist()
    assert (a.first_frame, a.last_frame, dict(a.units)) == (b.first_frame, b.last_frame, dict(b.units))
    assert list(a.columns) == list(b.columns)
    for name in a.columns:
        assert a.columns[name].tobytes() == b.columns[name].tobytes(), name


@given(st.integers(0, 2**32), st.integers(0, 300), st.integers(0, 8400), st.sampled_from([0, 0.02, 0.3]))
@settings(max_examples=40, deadline=None)
def test_any_loss_in_any_pieces(seed: int, first: int, count: int, loss: float) -> None:
    rng = random.Random(seed)
    frames = [frame for frame in FRAMES[first : first + count] if rng.random() >= loss]
    kept = InMemory()
    tracer = Tracer(MAPS, SYNC, 77, lambda rows: kept.add(rows, rows.sync))
    at = 0
    while at < len(frames):
        step = rng.randrange(1, rng.choice((3, 30, 4000)))
        tracer.add(frames[at : at + step])
        at += step
    tracer.finish()
    whole = trace_of(frames, MAPS, SYNC, 77)
    assert_same(kept.whole(77, tracer.last_frame), whole)
    assert_same(traced(iter(frames), MAPS, SYNC, 77), whole)


def test_a_slow_signal_that_is_long_gone_keeps_its_value() -> None:
    frames = [f for f in FRAMES if f.can_id != 0x382 or f.t_ns < 100 * PERIOD_NS]
    whole = trace_of(frames, MAPS, SYNC, 0)
    assert_same(traced(frames, MAPS, SYNC, 0), whole)
    assert np.unique(whole.column("hip.temperature")[100:]).size == 1


def test_what_comes_every_cycle_is_settled_by_the_first_second() -> None:
    """A signal that begins slow stays slow, whatever it does later."""
    often = [Frame(k * PERIOD_NS + 900_000, 0x382, bytes(4)) for k in range(400, 1200)]
    frames = sorted([*FRAMES, *often])
    whole = trace_of(frames, MAPS, SYNC, 0)
    assert not np.isnan(whole.column("hip.temperature")).any()
    assert_same(traced(frames, MAPS, SYNC, 0), whole)


def test_a_frame_that_its_map_does_not_fit_is_told_at_the_end() -> None:
    rows: list[Trace] = []
    tracer = Tracer(MAPS, SYNC, 0, rows.append)
    tracer.add([f._replace(data=b"\0") if f.can_id == 0x383 and f.t_ns == 900_000 + 80_000 else f for f in FRAMES])
    with pytest.raises(DecodeError, match=r"frame 0x383 \(number \d+ of the log\) has 1 bytes"):
        tracer.finish()


def test_only_a_second_of_frames_waits() -> None:
    waiting = []
    tracer = Tracer(MAPS, SYNC, 0, lambda rows: None)
    for at in range(0, len(FRAMES), 10):
        tracer.add(FRAMES[at : at + 10])
        waiting.append(len(tracer._waiting))
    assert max(waiting) < 3 * 250 * len(FRAMES) / 1200  # less than three seconds' at 250 cycles/s


def test_a_movement_that_no_memory_should_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("legtest.records.tracer.MOST_BYTES", 100_000)
    with pytest.raises(RecordError, match="more than 100000 bytes of samples: cut it in two"):
        traced(FRAMES, MAPS, SYNC, 0)


@pytest.mark.parametrize(("spans", "expected"), [
    ([], [-1, -1, -1, -1]),
    ([(0, 5)], [0, 0, -1, -1]),
    ([(1, 4), (4, 5), (9, 20)], [-1, 0, -1, 2]),
    ([(5, 9)], [-1, -1, 0, -1]),
])  # fmt: skip
def test_which_span_a_row_lies_in(spans: list[tuple[int, int]], expected: list[int]) -> None:
    assert spans_of(np.array([0, 3, 8, 12]), spans).tolist() == expected
