"""Samples from frames, held against the wire map's own decoder, one frame at a time."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_run import PERIOD_NS, SYNC, make_frames, make_wiremap

from legtest.canbus.frame import EXTENDED, SENT, Frame
from legtest.canbus.wiremap import Signal, WireMap, feedback_decoders, setpoint_decoder
from legtest.errors import DecodeError
from legtest.records.trace import Trace, trace_of

MAPS = [make_wiremap("hip", 2), make_wiremap("knee", 3)]


def by_hand(frames: list[Frame], m: WireMap) -> dict[str, list[float]]:
    """The same columns by a plain loop over the frames and the decoders the monitor uses."""
    decoders = feedback_decoders(m)
    setpoint = setpoint_decoder(m)
    fast = m.position_signal().can_id
    command_id = m.command[0].can_id
    rows: list[dict[str, float]] = []
    sent: list[dict[str, float]] = []
    held: dict[str, float] = {}
    for f in frames:
        if f.can_id == SYNC and f.flags == SENT:
            rows.append({role: held.get(role, nan) for role in ("velocity", "supply", "temperature", "error")})
            sent.append({})
        elif f.can_id in decoders and f.flags == 0:
            decoder = decoders[f.can_id]
            found = dict(zip(decoder.roles, decoder.values(f.data), strict=True))
            if f.can_id != fast:
                held.update(found)
            if rows:
                rows[-1].update(found)
        elif f.can_id == command_id and f.flags == SENT and sent:
            point = setpoint(f.data)
            sent[-1] = {
                "setpoint": point.position_rad,
                "torque_ff": point.torque_ff_Nm,
                "torque_cap": point.torque_cap_Nm,
            }
    for k, row in enumerate(rows):
        row.update(sent[k - 2] if k >= 2 else {})
    names = ("statusword", "position", "torque", "velocity", "supply", "temperature", "error",
             "setpoint", "torque_ff", "torque_cap")  # fmt: skip
    return {f"{m.axis}.{name}": [row.get(name, nan) for row in rows] for name in names}


def check(frames: list[Frame], trace: Trace) -> None:
    expected = {name: column for m in MAPS for name, column in by_hand(frames, m).items()}
    assert set(expected) == set(trace.columns)
    for name, column in expected.items():
        np.testing.assert_array_equal(trace.column(name), column, err_msg=name)  # exact, NaN equal to NaN


@given(st.data())
def test_any_loss_any_cut_equals_the_plain_loop(data: st.DataObject) -> None:
    frames = make_frames(MAPS, 12)
    lost = data.draw(st.sets(st.integers(0, len(frames) - 1), max_size=30))
    kept = [f for n, f in enumerate(frames) if n not in lost]
    cut = data.draw(st.integers(0, len(kept)))
    # Slow frames must stay slow whatever is lost: at most 3 of 4 rows.
    rows = sum(f.can_id == SYNC for f in kept[cut:])
    if any(sum(f.can_id == i for f in kept[cut:]) >= 0.75 * rows for i in (0x282, 0x283, 0x382, 0x383)):
        return
    check(kept[cut:], trace_of(kept[cut:], MAPS, SYNC, cut))


def test_rows_times_and_frame_numbers() -> None:
    frames = make_frames(MAPS, 40)
    trace = trace_of(iter(frames), MAPS, SYNC, 1000)
    check(frames, trace)
    assert trace.t_ns.tolist() == [k * PERIOD_NS for k in range(40)]
    assert trace.time_s[3] == 0.012
    assert (trace.first_frame, trace.last_frame) == (1000, 1000 + len(frames))
    assert trace.axes == ("hip", "knee")
    assert trace.units["knee.position"] == "rad"
    assert trace.units["knee.torque_cap"] == "N*m"


def test_a_missing_position_is_nan_and_a_slow_value_is_held() -> None:
    frames = [f for f in make_frames(MAPS, 30) if not (f.can_id == 0x183 and f.t_ns // PERIOD_NS == 7)]
    trace = trace_of(frames, MAPS, SYNC, 0)
    assert np.flatnonzero(np.isnan(trace.column("knee.position"))).tolist() == [7]
    assert not np.isnan(trace.column("knee.supply")).any()
    assert np.isnan(trace.column("knee.setpoint")[:2]).all()
    assert not np.isnan(trace.column("knee.setpoint")[2:]).any()


def test_frames_that_only_look_alike_are_not_taken() -> None:
    frames = make_frames(MAPS, 5)
    other = [f._replace(flags=f.flags | EXTENDED) for f in frames] + [Frame(0, 0x183, bytes(8), SENT)]
    mixed = [f for pair in zip(frames, other, strict=False) for f in pair]
    a, b = trace_of(frames, MAPS, SYNC, 0), trace_of(mixed, MAPS, SYNC, 0)
    for name, column in a.columns.items():
        np.testing.assert_array_equal(column, b.column(name))


def test_a_payload_of_the_wrong_length_is_an_error_with_its_number() -> None:
    frames = make_frames(MAPS, 5)
    frames[1] = frames[1]._replace(data=b"\x00")
    with pytest.raises(DecodeError, match=r"0x182 \(number 71 of the log\) has 1 bytes, its map says 8"):
        trace_of(frames, MAPS, SYNC, 70)


@given(st.integers(1, 64), st.data())
def test_any_bit_width_and_place(bits: int, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, 64 - bits))
    signed = data.draw(st.booleans())
    signal = Signal("position", 0x183, start, bits, signed, 0.25, -3.0)
    m = replace(MAPS[1], feedback=(signal,))
    length = (start + bits + 7) // 8
    payloads = data.draw(st.lists(st.binary(min_size=length, max_size=length), min_size=1, max_size=5))
    frames = [f for p in payloads for f in (Frame(0, SYNC, b"", SENT), Frame(0, 0x183, p))]
    decoder = feedback_decoders(m)[0x183]
    assert trace_of(frames, [m], SYNC, 0).column("knee.position").tolist() == [decoder.values(p)[0] for p in payloads]


def test_no_frames_and_no_sync() -> None:
    assert len(trace_of([], MAPS, SYNC, 0)) == 0
    frames = [f for f in make_frames(MAPS, 5) if f.can_id != SYNC]
    assert len(trace_of(frames, MAPS, SYNC, 0)) == 0
    with pytest.raises(KeyError, match=r"no column 'knee.speed'; it has hip.statusword"):
        trace_of([], MAPS, SYNC, 0).column("knee.speed")
