"""SDO service, against the worked exchanges and abort codes of tests/references/canopen/canopen.yaml (CiA 301)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from drive_host import Aborted, Bench
from hypothesis import given
from hypothesis import strategies as st

from legtest.simulation import dictionary as codes
from legtest.simulation.dictionary import Dictionary
from legtest.simulation.node import Identity
from legtest.simulation.objects import ROWS
from legtest.simulation.sdo import SdoServer

CANOPEN = yaml.safe_load(
    (Path(__file__).parents[1] / "references" / "canopen" / "canopen.yaml").read_text(encoding="utf-8")
)
EXCHANGES = CANOPEN["sdo"]["worked_transfers"]
# The reference's device lets these through and ours refuses them at once, as its own note allows.
REFUSED = {
    "expedited download, 1 byte negative: 0x6098 = -1 (two's complement)": "8098600030000906",
    "segmented download of 10 bytes to 0x1008 (refused at the end or start: const)": "8008100002000106",
}


def split(frames: list[str]) -> list[tuple[str, str]]:
    pairs = [(frames[n], frames[n + 1]) for n in range(0, len(frames), 2)]
    assert all(ask.startswith("605#") and answer.startswith("585#") for ask, answer in pairs)
    return [(ask[4:], answer[4:]) for ask, answer in pairs]


def test_the_reference_is_whole() -> None:
    assert len(EXCHANGES) == 12


@pytest.mark.parametrize("exchange", EXCHANGES, ids=lambda exchange: exchange["what"])
def test_worked_exchanges(exchange: dict[str, Any]) -> None:
    bench = Bench(identity=Identity(name="Sample axis", revision=0x00010000))
    pairs = split(exchange["frames"])
    if exchange["what"] in REFUSED:
        assert bench.request(bytes.fromhex(pairs[0][0])).hex().upper() == REFUSED[exchange["what"]]
        return
    for ask, answer in pairs:
        assert bench.request(bytes.fromhex(ask)).hex().upper() == answer


def test_abort_codes_are_those_of_the_standard() -> None:
    known = {int(code, 16) for code in CANOPEN["sdo"]["abort_codes"]}
    ours = {v for k, v in vars(codes).items() if k.isupper() and isinstance(v, int)}
    assert len(ours) == 13
    assert ours <= known


@pytest.mark.parametrize(
    ("index", "sub", "size", "value", "code"),
    [
        (0x5000, 0, 1, 0, 0x06020000),
        (0x607D, 3, 4, 0, 0x06090011),
        (0x6041, 0, 2, 0, 0x06010002),
        (0x6076, 0, 4, 0, 0x06010002),
        (0x6060, 0, 2, 8, 0x06070012),
        (0x607A, 0, 2, 8, 0x06070013),
        (0x6060, 0, 1, 9, 0x06090030),
        (0x6098, 0, 1, 17, 0x06090030),
        (0x60C2, 2, 1, 3, 0x06090031),
        (0x60C2, 2, 1, -7, 0x06090032),
        (0x1029, 1, 1, 3, 0x06090031),
        (0x1003, 0, 1, 1, 0x06090030),
        (0x1005, 0, 4, 0x40000080, 0x06090030),
    ],
)
def test_refused_writes(index: int, sub: int, size: int, value: int, code: int) -> None:
    bench = Bench()
    with pytest.raises(Aborted) as refused:
        bench.write(index, sub, size, value)
    assert refused.value.args == (code,)


def test_the_answer_comes_after_the_turn_around() -> None:
    bench = Bench()
    bench.log.clear()
    bench.read(0x1000)
    ask, answer = bench.log
    from legtest.canbus.bits import frame_bits

    assert answer.t_ns - ask.t_ns == 20_000 + frame_bits(answer.can_id, answer.data) * 1_000


def server() -> SdoServer:
    return SdoServer(Dictionary(ROWS, 5))


def test_segmented_download() -> None:
    """A number sent in a segment, though it would fit the first frame: allowed by CiA 301."""
    objects = Dictionary(ROWS, 5)
    sdo = SdoServer(objects)
    assert sdo.answer(bytes.fromhex("217A600004000000"), 0) == bytes.fromhex("607A600000000000")
    assert sdo.answer(bytes.fromhex("07C7CFFFFF000000"), 0) == bytes.fromhex("2000000000000000")
    assert objects.number(0x607A) == -12345


def test_toggle_must_alternate() -> None:
    sdo = server()
    sdo.answer(bytes.fromhex("4008100000000000"), 0)
    assert sdo.answer(bytes.fromhex("7000000000000000"), 0) == bytes.fromhex("8008100000000305")


def test_size_must_be_kept() -> None:
    sdo = server()
    sdo.answer(bytes.fromhex("217A600008000000"), 0)
    assert sdo.answer(bytes.fromhex("07C7CFFFFF000000"), 0) == bytes.fromhex("807A600013000706")


def test_block_transfer_and_strays_are_refused() -> None:
    for ask in ("C07A600004000000", "A008100000000000"):
        assert server().answer(bytes.fromhex(ask), 0) == bytes.fromhex("80" + ask[2:8] + "01000405")
    for ask in ("0000000000000000", "6000000000000000"):
        assert server().answer(bytes.fromhex(ask), 0) == bytes.fromhex("8000000001000405")


def test_a_clients_abort_ends_a_transfer() -> None:
    sdo = server()
    sdo.answer(bytes.fromhex("4008100000000000"), 0)
    assert sdo.answer(bytes.fromhex("8008100000000008"), 0) is None
    assert sdo.answer(bytes.fromhex("6000000000000000"), 0) == bytes.fromhex("8008100001000405")


@given(st.lists(st.binary(max_size=9), max_size=20))
def test_any_bytes_get_a_proper_answer_or_none(requests: list[bytes]) -> None:
    sdo = server()
    for request in requests:
        answer = sdo.answer(request, 0)
        assert answer is None or len(answer) == 8
