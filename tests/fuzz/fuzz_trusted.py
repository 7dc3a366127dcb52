"""Parsers of what our own processes write, and somebody else could as well: sign-off, latch, the keeper's pipe."""

from __future__ import annotations

import json
from math import sin
from pathlib import Path
from typing import Any

from fuzz_parsers import FIXTURES, NOW, Feed, Parser

LEG, BENCH = FIXTURES / "legs" / "tarn-fl.yaml", FIXTURES / "benches" / "streams.yaml"


# ------------------------------------------------------------------ sign-off
def _signoff(folder: Path) -> Feed:
    from legtest.description import read_bench, read_leg
    from legtest.signoff.document import digest
    from legtest.signoff.reading import read_signoff

    path = folder / "signoff.json"
    leg, bench = read_leg(LEG), read_bench(BENCH)

    def feed(data: bytes) -> None:
        # Signed anew, or its hash would hide what stands behind it.
        try:
            document = json.loads(data)
            if isinstance(document, dict) and "sha256" in document:
                data = json.dumps(document | {"sha256": digest(document)}).encode()
        except (ValueError, RecursionError):
            pass
        path.write_bytes(data)
        path.chmod(0o600)
        read_signoff(path, leg, bench, NOW)

    return feed


def _signoff_seeds() -> list[bytes]:
    from legtest.description import read_bench, read_leg
    from legtest.signoff.document import digest, evidence_json
    from legtest.signoff.evidence import HandMove, StopSeen
    from legtest.signoff.reading import boot_id

    leg, bench = read_leg(LEG), read_bench(BENCH)
    names = leg.joint_names
    t = tuple(0.1 * n for n in range(20))
    moves = [
        HandMove(joint, t, {name: tuple(0.5 * sin(x) * (name == joint) for x in t) for name in names})
        for joint in names
    ]
    stop = [StopSeen(name, 1.0, 3.0, 0.2) for name in names]
    base: dict[str, Any] = {
        "by": "A. Person", "REHEARSAL": True, "leg_sha256": leg.sha256, "bench_sha256": bench.sha256,
        "boot_id": boot_id(), "made_at": "2031-03-04T05:00:00+00:00", "valid_until": "2031-03-04T09:00:00+00:00",
        "serials": {joint.name: joint.drive.serial or 7 for joint in leg.joints},
    }  # fmt: skip
    whole = base | {
        "REHEARSAL": False, "stand_sha256": bench.stand.sha256, "grade": "torque-capped", "attended": True,
        "carriage": "caught", "evidence": evidence_json([("scan", "ok")], moves, stop, {"pins out": "yes"}),
    }  # fmt: skip
    return [json.dumps(each | {"sha256": digest(each)}).encode() for each in (base, whole, whole)] + [
        json.dumps(base).encode()
    ]


# ------------------------------------------------------------------ keeper
def _latch(folder: Path) -> Feed:
    from legtest.keeper import latch

    path = folder / "latch.json"

    def feed(data: bytes) -> None:
        path.write_bytes(data)
        if latch.read(path) is None:
            raise AssertionError("a file that is there latches, whatever stands in it")

    return feed


def _latch_seeds() -> list[bytes]:
    from legtest.keeper.codec import to_json
    from legtest.keeper.latch import Latched

    return [to_json(Latched("usb:1:2:3", ("torque: knee 14 N*m", "host: no beat"), "2031-03-04T05:06:07+00:00"))]


def _messages() -> list[Any]:
    from legtest.canbus.frame import SENT, Frame
    from legtest.canbus.wiremap import Point, Reaction
    from legtest.description import read_bench, read_leg
    from legtest.keeper import messages as m
    from legtest.safety.permit import Permit
    from legtest.safety.port import PrecheckReport, PrecheckStep
    from legtest.wiring import setup_of

    setup = setup_of(read_leg(LEG), read_bench(FIXTURES / "benches" / "rehearsal.yaml"))
    axes = tuple(wiremap.axis for wiremap in setup.axes)
    steps = (PrecheckStep("identity", "as the files say", {"serial": 4101.0}),)
    point = tuple(Point(0.1 * n, 0.0, 2.0) for n in range(len(axes)))
    return [
        m.Open(setup, "slcan", "/dev/ttyX", 1_000_000, True, 100_000_000),
        m.Beat(4_000_000),
        m.Ask(1, "precheck"),
        m.Rows((0, 4_000_000), (point, point)),
        m.Stop(3, Reaction.STOP_THEN_OFF, "the test ended"),
        m.Hello(5),
        m.Frames(7, (Frame(1, 0x181, b"\x37\x12abcdef"), Frame(2, 0x80, b"", SENT), Frame(3, 0x1FFFFF00, b"x"))),
        m.Event("a word"),
        m.Stopped("torque: knee"),
        m.Energise(4, Permit(bytes(16), "motion")),
        m.Done(1, PrecheckReport(steps, 9_000_000, Permit(bytes(16), "motion"), 10_000_000)),
        m.Done(2, steps),
        m.Refused(3, "PrecheckRefused", ("identity", "1", "2", "another drive"), False),
    ]


def _message_seeds() -> list[bytes]:
    from legtest.keeper.messages import encode

    return [encode(message) for message in _messages()]


def _message(folder: Path) -> Feed:
    from legtest.keeper.messages import decode, encode

    def feed(data: bytes) -> None:
        message = decode(data)
        if decode(encode(message)) != message:
            raise AssertionError(f"not the same again: {message}"[:80])

    return feed


def _setup(folder: Path) -> Feed:
    from legtest.keeper.codec import from_json
    from legtest.safety.setup import Setup

    return lambda data: from_json(Setup, data)


def _setup_seeds() -> list[bytes]:
    from legtest.keeper.codec import to_json

    return [to_json(_messages()[0].setup)]


TRUSTED = (
    Parser("sign-off", _signoff, _signoff_seeds, (b"null", b"true", b"{}", b"[]", b"free motion"), size=600),
    Parser("latch", _latch, _latch_seeds, (b"[", b"]", b"null", b'""')),
    Parser("messages", _message, _message_seeds, (b"[", b"]", b"null", b'"17"')),
    Parser("setup", _setup, _setup_seeds, (b"[", b"]", b"null", b"{}"), size=600),
)
