"""What is fuzzed: every reader of bytes that somebody else may have written, with good documents to start from.

`make(folder)` gives the function that an input is handed to, and that may have a `close`. It may return, or raise one
of the parser's own errors; anything else, a second of time or half a gigabyte of memory is a finding.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from legtest.errors import LegtestError

ROOT = Path(__file__).resolve().parents[2]
FIXTURES = ROOT / "fixtures"
NOW = datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)
Feed = Callable[[bytes], object]


@dataclass(frozen=True)
class Parser:
    """words: of its language. errors: its own. size: inputs in the short form that runs with every test run."""

    name: str
    make: Callable[[Path], Feed]
    seeds: Callable[[], Iterable[bytes]]
    words: tuple[bytes, ...] = ()
    errors: tuple[type[Exception], ...] = (LegtestError,)
    size: int = 2000


class Endless(Exception):
    """The parser asks for more and more."""


def _files(*parts: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted(FIXTURES.joinpath(*parts[:-1]).glob(parts[-1]))]


# ------------------------------------------------------------------ descriptions
YAML_WORDS = (
    b": ", b"- ", b"{", b"}", b"[", b"]", b"own:", b"at_most", b"at_least", b"between", b"deg", b"N*m", b"rad/s", b"mm",
    b"none", b"yes", b"no", b"~", b"null", b"knee", b"hip", b"abduction", b"0x1000", b"%YAML 9\n", b"\n  ", b"\n    ",
)  # fmt: skip


def _laid_out(folder: Path) -> Path:
    """The fixtures beside each other, so that paths inside them lead somewhere."""
    shutil.copytree(FIXTURES, folder / "fixtures", dirs_exist_ok=True)
    return folder / "fixtures"


def _leg(folder: Path) -> Feed:
    from legtest.description import light_read, read_leg

    path = _laid_out(folder) / "legs" / "x.yaml"

    def feed(data: bytes) -> None:
        path.write_bytes(data)
        try:
            light_read(path)
        finally:
            read_leg(path)

    return feed


def _reader(place: str, name: str) -> Callable[[Path], Feed]:
    def make(folder: Path) -> Feed:
        import legtest.description as description

        path = _laid_out(folder) / place / "x.yaml"
        read = getattr(description, name)

        def feed(data: bytes) -> None:
            path.write_bytes(data)
            read(path)

        return feed

    return make


def _eds(folder: Path) -> Feed:
    from legtest.description import read_leg
    from legtest.drives import eds
    from legtest.drives.base import BusTiming
    from legtest.drives.cia402 import compile_drive

    path = folder / "x.eds"
    joint = read_leg(FIXTURES / "legs" / "tarn-fl.yaml").joints[0]
    joint = replace(joint, drive=replace(joint.drive, eds=str(path)))
    timing = BusTiming(4_000_000, 127, 100_000_000, 300.0, 0.2)

    def feed(data: bytes) -> None:
        path.write_bytes(data)
        eds._parsed.cache_clear()
        compile_drive(joint, timing, (-1.0, 1.0), "leg.yaml")

    return feed


def _eds_seeds() -> list[bytes]:
    whole = _files("drives", "*.eds")[0]
    sections = whole.split(b"\n[")
    small = b"\n[".join(section for section in sections if section[:4] in (b"File", b"[Fil", b"Devi", b"1018", b"6040"))
    compact = b"\n[2100]\nParameterName=x\nObjectType=0x8\nCompactSubObj=3\nDataType=5\nAccessType=rw\n"
    return [whole, small, small, compact, compact, small + compact + b"[2100Name]\nNrOfEntries=1\n1=first\n", compact]


EDS_WORDS = (
    b"[1018]", b"[6040sub1]", b"[2100sub1FF]", b"[2100Name]", b"NrOfEntries=999999999", b"CompactSubObj=99999999",
    b"ObjectType=0x9", b"ObjectType=8", b"DataType=0xA0", b"DefaultValue=$NODEID+0x100", b"AccessType=wo",
    b"[Comments]\nLines=99999999\n", b"LowLimit=0x", b"[DeviceComissioning]\nNodeID=300\n",
    b"\n[A0sub1]\nDefaultValue=5", b"SubNumber",
)  # fmt: skip


# ------------------------------------------------------------------ the bus
def _sdo(folder: Path) -> Feed:
    from legtest.safety import sdo

    def feed(data: bytes) -> None:
        """First byte: what is asked. Then answers, each with its length; the last two again and again."""
        ask = data[:1] or b"\0"
        exchange = sdo.read(1, 0x1018, 1) if ask[0] % 2 else sdo.write(1, 0x6072, 0, data[1:5] or b"\0")
        next(exchange)
        answers = [data[n + 1 : n + 1 + min(data[n] % 12, 9)] for n in range(1, len(data), 9)] or [b""]
        try:
            for answer in answers:
                exchange.send(answer)
            for n in range(5_000):
                exchange.send(answers[-2:][n % len(answers[-2:])])
        except StopIteration:
            return
        raise Endless("an answer that never ends is never given up")

    return feed


def _sdo_seeds() -> list[bytes]:
    same = bytes((0x18, 0x10, 1))

    def script(kind: int, *answers: bytes) -> bytes:
        return bytes((kind,)) + b"".join(b"\x08" + answer for answer in answers)

    return [
        script(1, b"\x43" + same + b"\x01\x02\x03\x04"),
        script(1, b"\x41" + same + b"\x09\0\0\0", b"\x00abcdefg", b"\x1bhi\0\0\0\0\0"),
        script(1, b"\x41" + same + b"\x09\0\0\0", b"\x0e\0\0\0\0\0\0\0", b"\x1e\0\0\0\0\0\0\0"),
        script(1, b"\x80" + same + b"\x00\x00\x02\x06"),
        bytes((0, 1)) + b"\x08\x60\x72\x60\x00\0\0\0\0",
        bytes((0, 1)) + b"\x08\x80\x72\x60\x00\x30\x00\x09\x06",
    ]


def _serial_line(folder: Path) -> Feed:
    from legtest.canbus.frame import Frame
    from legtest.simulation.serial_line import AdapterLine

    def feed(data: bytes) -> None:
        sent: list[Frame] = []
        line = AdapterLine(1_000_000, sent.append)
        half = len(data) // 2
        answers = line.feed(b"S8\rO\r") + line.feed(data[:half]) + line.feed(data[half:])
        if len(answers) > 8 * (len(data) + 8) or len(sent) > data.count(b"\r") + 2:
            raise AssertionError("more answers or frames than lines")
        for frame in sent:
            if not (0 <= frame.can_id <= 0x1FFFFFFF and len(frame.data) <= 8):
                raise AssertionError(f"no frame: {frame}")

    return feed


def _slcan(folder: Path) -> Feed:
    """python-can's serial-line interface behind our link, on a pseudo-terminal."""
    import os
    import tty
    from contextlib import suppress

    from legtest.canbus.live import Claim, LiveLink

    class Wire:
        def __init__(self) -> None:
            self.adapter, self.host = os.openpty()
            tty.setraw(self.adapter)
            tty.setraw(self.host)
            os.set_blocking(self.adapter, False)
            self.name = os.ttyname(self.host)
            self.link: LiveLink | None = None

        def __call__(self, data: bytes) -> None:
            if self.link is None:
                self.link = LiveLink("slcan", self.name, 1_000_000, claim=Claim(self.name))
            try:
                for n in range(0, min(len(data), 3000), 512):
                    os.write(self.adapter, data[n : n + 512])
                    self.link.pump(0)
                os.write(self.adapter, b"\r")
                self.link.pump(0)
            except LegtestError:
                self.close()
                raise

        def close(self) -> None:
            link, self.link = self.link, None
            if link is not None:
                link.close()
            with suppress(OSError):
                while os.read(self.adapter, 65536):
                    pass

    return Wire()


SLCAN_SEEDS = (b"t1232AABB\r", b"T000001238AABBCCDDEEFF0011\r", b"r1234\r", b"R000001230\r", b"z\r", b"\a", b"V0100\r",
               b"F00\r", b"S8\rO\rt1231AA\rC\r", b"t18181237000010270000\rt28182700000000600000\r")  # fmt: skip
SLCAN_WORDS = (b"t", b"T", b"r", b"R", b"\a", b"S7\r", b"L\r", b"C\r", b"N\r", b"t7FF8", b"t8008", b"TFFFFFFFF8")


def _candump(folder: Path) -> Feed:
    from legtest.canbus import candump

    def feed(data: bytes) -> None:
        frame = candump.parse(data)
        if candump.parse(candump.line(frame)) != frame:
            raise AssertionError(f"not the same again: {frame}")

    return feed


CANDUMP_SEEDS = (
    b"(12.004000250) can0 182#3704A1F0FFFF1200 R\n", b"(0.000000000) can0 080# T\n", b"(1.5) vcan1 1FFFFF00#00 R\n",
    b"(1436509052.249713) vcan0 044#2A366C2BBA\n", b"(3.2) can0 123##1AABBCC R\r\n", b"(3.2) can0 123#R4 T\n",
    b"(3.2) can0 20000004#0000000000000000 R\n", b"(9999999999.999999999) can0 7FF#FF T",
)  # fmt: skip


# ------------------------------------------------------------------ texts of the command line
def _fault(folder: Path) -> Feed:
    from legtest.simulation.faults import parse_fault

    return lambda data: str(parse_fault(data.decode("utf-8", "surrogateescape")))


def _fault_seeds() -> list[bytes]:
    from legtest.simulation.faults import FAULTS, FaultCase

    return [str(FaultCase(name, fault.joint, fault.default)).encode() for name, fault in FAULTS.items()]


def _units(folder: Path) -> Feed:
    from legtest.units import KINDS, parse

    return lambda data: parse(data[1:].decode("utf-8", "surrogateescape"), KINDS[(data or b"\0")[0] % len(KINDS)])


def _units_seeds() -> list[bytes]:
    from legtest.units import KINDS, example, units_of

    texts = [(n, example(kind)) for n, kind in enumerate(KINDS)]
    texts += [(n, f"-1.5e-3 {unit}") for n, kind in enumerate(KINDS) for unit in units_of(kind)]
    return [bytes((n,)) + text.encode() for n, text in texts]


def _unit_errors() -> tuple[type[Exception], ...]:
    from legtest.units import UnitError

    return (UnitError,)


BASE = (
    Parser("leg", _leg, lambda: _files("legs", "*.yaml"), YAML_WORDS, size=300),
    Parser("bench", _reader("benches", "read_bench"), lambda: _files("benches", "*.yaml"), YAML_WORDS, size=600),
    Parser("stand", _reader("stands", "read_stand"), lambda: _files("stands", "*.yaml"), YAML_WORDS, size=600),
    Parser("eds", _eds, _eds_seeds, EDS_WORDS, size=600),
    Parser("sdo", _sdo, _sdo_seeds),
    Parser("serial-line", _serial_line, lambda: SLCAN_SEEDS, SLCAN_WORDS),
    Parser("slcan", _slcan, lambda: SLCAN_SEEDS, SLCAN_WORDS),
    Parser("candump", _candump, lambda: CANDUMP_SEEDS, (b"#", b"##", b"#R", b" R", b" T", b"can0")),
    Parser("fault", _fault, _fault_seeds, (b"@knee", b"=", b" deg", b"@", b" %")),
    Parser("units", _units, _units_seeds, (b" ", b"Nm", b"\xc2\xb0", b"\xc2\xb7m", b"e", b"."), _unit_errors()),
)
