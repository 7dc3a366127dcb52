"""The SDO client against the worked exchanges of tests/references/canopen, and against drives that answer nonsense."""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.frame import Frame
from legtest.errors import DriveError, SdoAbort
from legtest.safety import sdo

REFERENCES = yaml.safe_load((Path(__file__).parents[1] / "references" / "canopen" / "canopen.yaml").read_text())["sdo"]
NODE = 5
DOWNLOADS = {1: "1 byte", 2: "2 bytes", 3: "3 bytes", 4: "4 bytes"}


def frame_of(text: str) -> Frame:
    can_id, data = text.split("#")
    return Frame(0, int(can_id, 16), bytes.fromhex(data))


def carry_out(exchange: sdo.Exchange, answers: Any) -> tuple[list[Frame], bytes]:
    """Hand the answers to the client; its requests and its result."""
    requests = [next(exchange)]
    try:
        for answer in answers:
            requests.append(exchange.send(answer))
    except StopIteration as end:
        return requests, end.value
    raise AssertionError(f"the client still waits after {len(requests)} requests")


def client_for(first: Frame) -> sdo.Exchange:
    """The call that makes this first request."""
    command, index, sub = first.data[0], int.from_bytes(first.data[1:3], "little"), first.data[3]
    if command == 0x40:
        return sdo.read(NODE, index, sub)
    return sdo.write(NODE, index, sub, first.data[4 : 8 - ((command >> 2) & 3)])


def worked() -> list[Any]:
    return [
        pytest.param(case, id=case["what"][:50])
        for case in REFERENCES["worked_transfers"]
        if frame_of(case["frames"][0]).data[0] & 0xE3 != 0x21  # we send no segmented download
    ]


@pytest.mark.parametrize("case", worked())
def test_the_worked_exchanges(case: dict[str, Any]) -> None:
    """Recorded between python-canopen's client and server (see the file's worked_note)."""
    frames = [frame_of(text) for text in case["frames"]]
    client, answers = client_for(frames[0]), [frame.data for frame in frames[1::2]]
    if str(case["result"]).startswith("abort"):
        with pytest.raises(SdoAbort) as caught:
            carry_out(client, answers)
        assert caught.value.code == int(case["result"].removeprefix("abort "), 16)
        assert caught.value.node == NODE
        return
    requests, result = carry_out(client, answers)
    assert requests == frames[0::2]
    if isinstance(case["result"], int):
        assert int.from_bytes(result, "little") == case["result"]
    else:
        assert result.decode() == (case["result"] or "")


def test_all_worked_exchanges_but_the_segmented_download_are_ours() -> None:
    assert len(worked()) == len(REFERENCES["worked_transfers"]) - 1 == 11


def test_identifiers() -> None:
    assert (sdo.request_id(5), sdo.answer_id(5)) == (0x605, 0x585)


@given(st.binary(min_size=1, max_size=4), st.integers(0, 0xFFFF), st.integers(0, 0xFF))
def test_a_write_is_the_command_byte_of_its_size(data: bytes, index: int, sub: int) -> None:
    request = next(sdo.write(NODE, index, sub, data))
    command = int(REFERENCES["command_bytes"]["download_expedited"][DOWNLOADS[len(data)]], 16)
    head = bytes((command, index & 0xFF, index >> 8, sub))
    assert request == Frame(0, 0x605, (head + data).ljust(8, b"\0"))


@pytest.mark.parametrize("data", [b"", b"12345"])
def test_what_is_not_one_to_four_bytes_is_not_written(data: bytes) -> None:
    with pytest.raises(ValueError, match=r"1..4 bytes"):
        next(sdo.write(NODE, 0x6040, 0, data))


@given(st.binary(min_size=1, max_size=300))
def test_segments_of_any_length_are_put_together(data: bytes) -> None:
    """CiA 301: seven bytes a segment, toggle bit from 0, n = unused bytes, c = 1 in the last."""
    answers = [bytes.fromhex("41081000") + len(data).to_bytes(4, "little")]
    for k, start in enumerate(range(0, len(data), 7)):
        part = data[start : start + 7]
        command = (k % 2) << 4 | (7 - len(part)) << 1 | (start + 7 >= len(data))
        answers.append(bytes((command,)) + part.ljust(7, b"\0"))
    requests, result = carry_out(sdo.read(NODE, 0x1008, 0), answers)
    assert result == data
    assert [r.data[0] for r in requests[1:]] == [0x60 | (k % 2) << 4 for k in range(len(answers) - 1)]


ABORTS = {int(code, 16): text for code, text in REFERENCES["abort_codes"].items()}


@pytest.mark.parametrize("code", sorted(ABORTS))
def test_every_abort_code_is_told_with_its_number(code: int) -> None:
    with pytest.raises(SdoAbort, match=rf"node 5 refused object 0x1017:00: .* .abort code 0x{code:08X}") as caught:
        carry_out(sdo.read(NODE, 0x1017, 0), [b"\x80\x17\x10\x00" + code.to_bytes(4, "little")])
    assert (caught.value.index, caught.value.sub, caught.value.code) == (0x1017, 0, code)


def test_the_words_we_have_are_of_known_codes() -> None:
    assert set(sdo.ABORT_TEXT) <= set(ABORTS)


BAD_READS: dict[str, tuple[Sequence[bytes], str]] = {
    "short answer": ([bytes.fromhex("4B17100064")], "with 5 bytes, not 8"),
    "empty answer": ([b""], "with 0 bytes, not 8"),
    "another object": ([bytes.fromhex("4B18100064000000")], "another object than 0x1017:00"),
    "another sub-index": ([bytes.fromhex("4B17100164000000")], "another object"),
    "answer to a write": ([bytes.fromhex("6017100000000000")], "answered a read with command 0x60"),
    "wrong toggle": ([bytes.fromhex("4117100008000000"), bytes.fromhex("1000000000000000")], "lost the order"),
    "no segment": ([bytes.fromhex("4117100008000000"), bytes.fromhex("4B17100064000000")], "lost the order"),
}


@pytest.mark.parametrize("name", BAD_READS)
def test_a_bad_answer_to_a_read(name: str) -> None:
    answers, message = BAD_READS[name]
    with pytest.raises(DriveError, match=message):
        carry_out(sdo.read(NODE, 0x1017, 0), answers)


def test_the_second_toggle_is_watched_too() -> None:
    segment = bytes.fromhex("0041414141414141")
    with pytest.raises(DriveError, match="lost the order"):
        carry_out(sdo.read(NODE, 0x1008, 0), [bytes.fromhex("4108100000010000"), segment, segment])


def test_endless_segments_end() -> None:
    first = bytes.fromhex("4108100000000000")
    segments = cycle([bytes.fromhex("0041414141414141"), bytes.fromhex("1041414141414141")])
    with pytest.raises(DriveError, match="does not end its answer for 0x1008:00"):
        carry_out(sdo.read(NODE, 0x1008, 0), [first, *islice(segments, 10_000)])


@pytest.mark.parametrize("answer", ["4017100000000000", "6117100000000000", "6018100000000000", "2017100000000000"])
def test_a_bad_answer_to_a_write(answer: str) -> None:
    with pytest.raises(DriveError, match="node 5 answered"):
        carry_out(sdo.write(NODE, 0x1017, 0, b"\x64\x00"), [bytes.fromhex(answer)])


def test_twenty_thousand_nonsense_answers_raise_only_our_own_errors() -> None:
    """Half are near the truth: right object, any command. The client always ends, with bytes or a DriveError."""
    chance = random.Random(301)
    ends = {"value": 0, "refused": 0}
    for _ in range(20_000):
        client = sdo.read(NODE, 0x1018, 4) if chance.random() < 0.5 else sdo.write(NODE, 0x1017, 0, b"\x64\x00")
        head = next(client).data[1:4]
        try:
            for _ in range(700):  # more than the longest answer has segments
                length = 8 if chance.random() < 0.9 else chance.randrange(8)
                near = chance.random() < 0.5
                data = bytes((chance.choice((0x41, 0x43, 0x4B, 0x60, 0x80, 0x00, 0x10, 0x01)),)) + head if near else b""
                client.send((data + chance.randbytes(8))[:length])
            pytest.fail("the client does not end")
        except StopIteration as end:
            ends["value"] += isinstance(end.value, bytes)
        except DriveError:
            ends["refused"] += 1
    assert sum(ends.values()) == 20_000
    assert min(ends.values()) > 100, "the nonsense must reach both ends"
