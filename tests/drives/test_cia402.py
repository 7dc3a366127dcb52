"""A CiA 402 drive compiled to plain data, held against CiA 301 and CiA 402 as tests/references/canopen tells them, and
against its own EDS read by an independent reader.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import canopen
import pytest
import yaml
from canopen.objectdictionary import ODVariable
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.wiremap import (
    ObjectWrite,
    Point,
    Reaction,
    feedback_decoders,
    setpoint_decoder,
    setpoint_encoder,
)
from legtest.description import read_leg
from legtest.description.model import JointDescription
from legtest.drives.base import BusTiming, CompiledDrive
from legtest.drives.cia402 import compile_drive, interpolation_time
from legtest.errors import DecodeError, DescriptionError

ROOT = Path(__file__).parents[2]
EDS = ROOT / "fixtures" / "drives" / "axis.eds"
REFERENCES = ROOT / "tests" / "references" / "canopen"
CIA301 = yaml.safe_load((REFERENCES / "canopen.yaml").read_text())
CIA402 = yaml.safe_load((REFERENCES / "cia402.yaml").read_text())
LEG = read_leg(str(ROOT / "fixtures" / "legs" / "tarn-fl.yaml"))
TIMING = BusTiming(4_000_000, 127, 100_000_000, 300.0, 0.2)


def joint(name: str = "hip", **drive: Any) -> JointDescription:
    found = LEG.joint(name)
    return replace(found, drive=replace(found.drive, **drive))


def compiled(name: str = "hip", timing: BusTiming = TIMING, **drive: Any) -> CompiledDrive:
    return compile_drive(joint(name, **drive), timing, (-1.0, 2.0), "leg.yaml")


def writes_of(drive: CompiledDrive) -> list[ObjectWrite]:
    assert drive.wiremap.home is not None
    return [*drive.objects, drive.arm, drive.disarm, *drive.wiremap.home.before, *drive.wiremap.home.after]


def value(drive: CompiledDrive, index: int, sub: int = 0) -> int:
    """What an object holds after all of them are written."""
    return [w.value for w in drive.objects if (w.entry, w.sub) == (index, sub)][-1]


# ---------------------------------------------------------------------- identifiers and mapping


def base(name: str) -> int:
    """Function code of a COB-ID as the reference writes it: "0x180+id"."""
    return int(CIA301["cob_ids"][name].split("+")[0], 16)


@pytest.mark.parametrize("node", [1, 5, 64, 127])
def test_identifiers_are_the_predefined_ones(node: int) -> None:
    wiremap = compiled(node=node).wiremap
    by_role = {signal.role: signal.can_id for signal in wiremap.feedback}
    assert {by_role[r] for r in ("statusword", "position", "torque")} == {base("TPDO1") + node}
    assert {by_role[r] for r in ("velocity", "supply")} == {base("TPDO2") + node}
    assert {by_role[r] for r in ("temperature", "error")} == {base("TPDO3") + node}
    assert {signal.can_id for signal in wiremap.command} == {base("RPDO2") + node}
    assert {step.frame.can_id for step in wiremap.enable} == {base("RPDO1") + node}
    assert wiremap.heartbeat_id == base("heartbeat") + node
    assert wiremap.emergency_id == base("EMCY") + node


PDOS = {
    # PDO: communication object, mapping object, transmission type, entries
    "RPDO1": (0x1400, 0x1600, 255, ["0x60400010"]),
    "RPDO2": (0x1401, 0x1601, 1, ["0x607A0020", "0x60B20010", "0x60720010"]),
    "TPDO1": (0x1800, 0x1A00, 1, ["0x60410010", "0x60640020", "0x60770010"]),
    "TPDO2": (0x1801, 0x1A01, 5, ["0x606C0020", "0x60790020"]),
    "TPDO3": (0x1802, 0x1A02, 25, ["0x20000010", "0x603F0010"]),
}


@pytest.mark.parametrize("name", PDOS)
def test_a_pdo_is_mapped_in_the_order_of_cia_301(name: str) -> None:
    """Off, count 0, entries, count, type, on; index << 16 | sub << 8 | bits (reference: pdo.remap_order)."""
    settings, mapping, kind, entries = PDOS[name]
    drive = compiled(node=5)
    can_id = base(name) + 5
    steps = [(w.entry, w.sub, w.value) for w in drive.objects if w.entry in (settings, mapping)]
    assert steps == [
        (settings, 1, 0x80000000 | can_id),
        (mapping, 0, 0),
        *[(mapping, n, int(entry, 16)) for n, entry in enumerate(entries, 1)],
        (mapping, 0, len(entries)),
        (settings, 2, kind),
        (settings, 1, can_id),
    ]
    assert sum(int(entry, 16) & 0xFF for entry in entries) <= 64


def test_the_mappings_of_the_reference_are_ours() -> None:
    ours = {int(entry, 16) for *_, entries in PDOS.values() for entry in entries}
    examples = CIA301["pdo"]["examples"]
    used = {entry for name, entry in examples.items() if not name.startswith("0x6061")}
    assert len(used) == 6
    assert {int(entry, 16) for entry in used} <= ours


def test_the_reference_s_example_frame_is_read_as_it_says() -> None:
    example = CIA301["pdo"]["example_frame"]
    decoder = feedback_decoders(compiled("hip", node=5).wiremap)[0x185]
    status, position, torque = decoder.values(bytes.fromhex(example["data"]))
    assert status == int(example["values"]["statusword"], 16)
    assert position == pytest.approx(example["values"]["position"] * math.tau / 65536)
    assert torque == pytest.approx(example["values"]["torque"] * 6.0 / 1000)


def test_without_a_temperature_object_there_is_no_third_pdo(tmp_path: Path) -> None:
    text = EDS.read_text()
    drive = compiled(eds=str(without(tmp_path, text, "2000")))
    assert {w.entry for w in drive.objects} & {0x1802, 0x1A02} == set()
    assert {s.role for s in drive.wiremap.feedback} == {"statusword", "position", "torque", "velocity", "supply"}


# ---------------------------------------------------------------------- the state machine of CiA 402


def control(word: int) -> bytes:
    return word.to_bytes(2, "little")


def test_the_way_to_operation_enabled() -> None:
    """Shut down, switch on, enable operation: controlwords 6, 7, 15; states by the masks of the statusword."""
    steps = compiled().wiremap.enable
    assert [step.frame.data for step in steps] == [control(6), control(7), control(15)]
    way = ("ready to switch on", "switched on", "operation enabled")
    assert [(step.mask, step.value) for step in steps] == [STATES[name] for name in way]


def test_the_ways_off() -> None:
    stop = compiled().wiremap.stop
    assert [f.data for f in stop[Reaction.OFF_NOW]] == [control(0)]
    assert [f.data for f in stop[Reaction.STOP_THEN_OFF]] == [control(2)]


STATES = {row["state"]: (int(row["mask"], 16), int(row["value"], 16)) for row in CIA402["statusword_states"]}


@given(st.integers(0, 0xFFFF))
def test_every_statusword_is_read_as_its_state(word: int) -> None:
    states = [name for name, (mask, want) in STATES.items() if word & mask == want]
    wiremap = compiled().wiremap
    if len(states) != 1:
        return  # no state of the table
    state = states[0]
    assert wiremap.is_energised.holds(word) == (state == "operation enabled")
    assert wiremap.is_fault.holds(word) == (state in ("fault", "fault reaction active"))
    if state in ("operation enabled", "quick stop active", "fault reaction active"):
        assert not wiremap.is_off.holds(word), "the power stage may be on"
    if state in ("switch on disabled", "ready to switch on", "fault"):
        assert wiremap.is_off.holds(word)


@given(st.integers(0, 0xFFFF))
def test_energising_controlwords_are_known(word: int) -> None:
    """Enable operation is xxxx 1111, fault reset is bit 7."""
    from legtest.canbus.frame import Frame

    wiremap = compiled().wiremap
    frame = Frame(0, 0x202, control(word))
    assert any(p.matches(frame) for p in wiremap.energising) == (word & 0x0F == 0x0F or bool(word & 0x80))


# ---------------------------------------------------------------------- scales and signs

drives = st.fixed_dictionaries(
    {
        "counts_per_turn": st.floats(1000, 1e7),
        "rated_torque_Nm": st.floats(0.5, 100),
        "sign": st.sampled_from([1, -1]),
    }
)


@given(drives, st.floats(-6, 6), st.floats(-0.9, 0.9), st.floats(0, 3))
def test_a_set_point_comes_back_as_it_went(drive: dict[str, Any], position: float, forward: float, cap: float) -> None:
    """Within half a count and half a per mille of rated torque."""
    wiremap = compiled(**drive).wiremap
    rated = drive["rated_torque_Nm"]
    can_id, encode = setpoint_encoder(wiremap)
    point = Point(position, forward * rated, cap * rated)
    data = encode(point)
    assert (can_id, len(data)) == (0x302, 8)
    back = setpoint_decoder(wiremap)(data)
    assert back.position_rad == pytest.approx(position, abs=math.pi / drive["counts_per_turn"] * 1.001)
    assert back.torque_ff_Nm == pytest.approx(point.torque_ff_Nm, abs=rated / 2000 * 1.001)
    assert back.torque_cap_Nm == pytest.approx(point.torque_cap_Nm, abs=rated / 2000 * 1.001)
    raw = int.from_bytes(data[:4], "little", signed=True)
    assert raw == round(drive["sign"] * position * drive["counts_per_turn"] / math.tau), "counts by hand"
    assert int.from_bytes(data[6:], "little") == round(cap * 1000), "a cap has no sign"


@given(drives, st.integers(-(2**31), 2**31 - 1), st.integers(-32768, 32767))
def test_feedback_has_the_sign_of_the_leg_file(drive: dict[str, Any], counts: int, per_mille: int) -> None:
    wiremap = compiled(**drive).wiremap
    data = b"\x37\x06" + counts.to_bytes(4, "little", signed=True) + per_mille.to_bytes(2, "little", signed=True)
    _, position, torque = feedback_decoders(wiremap)[0x182].values(data)
    assert position == pytest.approx(drive["sign"] * counts * math.tau / drive["counts_per_turn"])
    assert torque == pytest.approx(drive["sign"] * per_mille * drive["rated_torque_Nm"] / 1000)


def test_supply_velocity_and_temperature_have_their_units() -> None:
    """0x606C counts/s, 0x6079 mV (CiA 402), 0x2000 0.1 degC (the EDS)."""
    decoders = feedback_decoders(compiled().wiremap)
    assert decoders[0x282].values((-65536).to_bytes(4, "little", signed=True) + (48123).to_bytes(4, "little")) == (
        pytest.approx(-math.tau),
        pytest.approx(48.123),
    )
    cold = (-105).to_bytes(2, "little", signed=True)
    assert decoders[0x382].values(cold + b"\x11\x86") == (pytest.approx(-10.5), 0x8611)


@pytest.mark.parametrize("point", [Point(3e5, 0, 0), Point(0, 500.0, 0), Point(0, 0, 400.0), Point(0, 0, -0.01)])
def test_what_does_not_fit_its_field_is_not_wrapped(point: Point) -> None:
    _, encode = setpoint_encoder(compiled().wiremap)
    with pytest.raises(ValueError, match="does not fit its field"):
        encode(point)


@pytest.mark.parametrize("length", [0, 7])
def test_a_short_frame_is_not_read(length: int) -> None:
    with pytest.raises(DecodeError, match=f"frame 0x182 has {length} bytes, its map says 8"):
        feedback_decoders(compiled().wiremap)[0x182].values(bytes(length))


# ---------------------------------------------------------------------- what is written


@pytest.mark.parametrize(
    ("rate", "expected"), [(60, (167, -4)), (250, (4, -3)), (500, (2, -3)), (1000, (1, -3)), (50, (20, -3))]
)
def test_interpolation_time(rate: int, expected: tuple[int, int]) -> None:
    """0x60C2: 60 cycles/s are 167 x 10^-4 s, 0.2 % away; whole milliseconds (17) would be 2 % away."""
    mantissa, exponent = interpolation_time(round(1e9 / rate))
    assert mantissa * 10.0**exponent == pytest.approx(expected[0] * 10.0 ** expected[1])
    assert mantissa * 10.0**exponent * rate == pytest.approx(1, abs=0.0021)


@given(st.integers(1_000_000, 100_000_000))
def test_the_interpolation_time_is_the_nearest_there_is(period_ns: int) -> None:
    mantissa, exponent = interpolation_time(period_ns)
    assert 1 <= mantissa <= 255
    assert -6 <= exponent <= -1
    best = min(abs(m * 10.0**e - period_ns * 1e-9) for e in range(-6, 0) for m in range(1, 256))
    assert abs(mantissa * 10.0**exponent - period_ns * 1e-9) == pytest.approx(best, abs=1e-15)


def test_limits_and_options_are_written_as_the_leg_file_and_cia_402_say() -> None:
    drive = compiled("knee")
    turn = 65536 / math.tau
    assert value(drive, 0x6072) == 3000  # 18 N*m of 6 N*m, per mille
    assert value(drive, 0x6085) == pytest.approx(300 * turn, abs=0.5)
    assert value(drive, 0x6065) == pytest.approx(0.4 * turn, abs=0.5)
    options = {0x605A: 2, 0x605B: 0, 0x605C: 1, 0x605D: 2, 0x605E: 2, 0x6007: 3, 0x6060: 8}
    assert {index: value(drive, index) for index in options} == options
    assert (value(drive, 0x60C2, 1), value(drive, 0x60C2, 2)) == (4, -3)
    assert drive.arm.value == 127 << 16 | 100  # 0x1016: node id in bits 16-23, ms in bits 0-15
    assert drive.disarm.value == 0


def test_homing_takes_the_present_position_and_comes_back_to_the_cyclic_mode() -> None:
    """Mode 6, method 37; afterwards mode 8, and the drive's own limits, mirrored for a motor mounted the other way."""
    home, knee = compiled("hip").wiremap.home, compiled("knee").wiremap.home
    assert home is not None
    assert knee is not None
    assert [(w.entry, w.value) for w in home.before] == [(0x6060, 6), (0x6098, 37)]
    assert home.start[0].data == control(0x1F)
    turn = 65536 / math.tau
    assert [w.value for w in home.after] == [8, round(-1.0 * turn), round(2.0 * turn)]
    assert [w.value for w in knee.after] == [8, round(-2.0 * turn), round(1.0 * turn)]


def test_the_identity_is_the_leg_file_s() -> None:
    assert tuple(compiled("knee").identity) == (3, 0, 1, 0x00010000, 4103)


def test_every_write_says_what_it_is_and_fits_its_size() -> None:
    for write in writes_of(compiled()):
        assert write.what
        low, high = -(1 << (8 * write.size - 1)), (1 << 8 * write.size) - 1
        assert low <= write.value <= high, write


# ---------------------------------------------------------------------- against the EDS


def variables() -> Iterator[ODVariable]:
    for item in canopen.import_od(str(EDS), 5).values():
        if isinstance(item, ODVariable):
            yield item
        else:
            yield from item.values()


def test_every_object_written_is_in_the_eds_with_that_size_and_writable() -> None:
    listed = {(v.index, v.subindex): v for v in variables()}
    for name in LEG.joint_names:
        for write in writes_of(compiled(name)):
            entry = listed[write.entry, write.sub]
            assert len(entry) // 8 == write.size, write
            assert entry.writable, write


def test_every_mapped_object_may_be_mapped_and_has_that_width() -> None:
    text = EDS.read_text()
    listed = {(v.index, v.subindex): v for v in variables()}
    for *_, entries in PDOS.values():
        for entry in entries:
            index, bits = int(entry, 16) >> 16, int(entry, 16) & 0xFF
            assert len(listed[index, 0]) == bits
            section = text.split(f"[{index:X}]")[1].split("[")[0]
            assert "PDOMapping=1" in section


def test_types_are_those_of_the_profile() -> None:
    """Sizes of what is written, against the object list of CiA 402 in the references."""
    sizes = {"INTEGER8": 1, "UNSIGNED8": 1, "INTEGER16": 2, "UNSIGNED16": 2, "INTEGER32": 4, "UNSIGNED32": 4}
    with (REFERENCES / "cia402-objects.csv").open() as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    listed = {(int(row["index"], 16), int(row["sub"])): sizes[row["type"]] for row in rows if row["type"] in sizes}
    checked = 0
    for write in writes_of(compiled()):
        if (write.entry, write.sub) in listed:
            assert write.size == listed[write.entry, write.sub], write
            checked += 1
    assert checked >= 15


def without(folder: Path, text: str, section: str, **changes: str) -> Path:
    """The EDS without one section (and its entry in the lists), or with changed lines in it."""
    parts = text.split("\n[")
    kept = []
    for part in parts:
        if part.split("]")[0].lower() == section.lower():
            if not changes:
                continue
            for key, new in changes.items():
                lines = [f"{key}={new}" if line.startswith(f"{key}=") else line for line in part.splitlines()]
                part = "\n".join(lines)
        kept.append(part)
    path = folder / f"changed-{section}.eds"
    path.write_text("\n[".join(kept))
    return path


NEEDED = [
    "1016sub1", "1017", "1018sub4", "1029sub1", "1400sub1", "1601sub2", "1801sub2", "1A00sub3", "6007", "605A", "6060",
    "6064", "6065", "6072", "6077", "6079", "607A", "607C", "607Dsub2", "6085", "6098", "60B2", "60C2sub1",
]  # fmt: skip


@pytest.mark.parametrize("section", NEEDED)
def test_an_eds_that_lacks_an_object_is_refused_by_name(section: str, tmp_path: Path) -> None:
    path = without(tmp_path, EDS.read_text(), section)
    index, _, sub = section.partition("sub")
    with pytest.raises(DescriptionError) as caught:
        compiled("knee", eds=str(path))
    (problem,) = caught.value.problems
    assert (problem.where, problem.key) == ("leg.yaml", "joints.knee.drive.eds")
    assert str(path) in problem.message
    assert f"0x{index}:{int(sub or '0'):02X} is missing" in problem.message


def test_every_missing_object_is_named_at_once(tmp_path: Path) -> None:
    path = without(tmp_path, without(tmp_path, EDS.read_text(), "6085").read_text(), "605A")
    with pytest.raises(DescriptionError, match="0x605A:00 is missing, 0x6085:00 is missing"):
        compiled(eds=str(path))


def test_an_object_of_another_size_or_without_write_access_is_refused(tmp_path: Path) -> None:
    narrow = without(tmp_path, EDS.read_text(), "6085", DataType="0x0006")
    with pytest.raises(DescriptionError, match="0x6085:00 has 2 bytes, not 4"):
        compiled(eds=str(narrow))
    fixed = without(tmp_path, EDS.read_text(), "6072", AccessType="ro")
    with pytest.raises(DescriptionError, match="0x6072:00 cannot be written"):
        compiled(eds=str(fixed))


@pytest.mark.parametrize("content", [None, "", "not an EDS", "[1018\n", "\x00\xff" * 50])
def test_what_is_no_eds_is_refused(content: str | None, tmp_path: Path) -> None:
    path = tmp_path / "drive.eds"
    if content is not None:
        path.write_text(content, encoding="latin-1")
    with pytest.raises(DescriptionError, match=r"drive\.eds"):
        compiled(eds=str(path))


@pytest.mark.parametrize("protocol", ["cia402", "other"])
def test_every_leg_of_the_fixtures_compiles_or_says_why(protocol: str) -> None:
    from legtest.description import default_bench
    from legtest.wiring import setup_of

    for path in sorted((ROOT / "fixtures" / "legs").glob("*.yaml")):
        leg = read_leg(str(path))
        if protocol == "cia402":
            assert len(setup_of(leg, default_bench()).axes) == len(leg.joints)
            continue
        joints = tuple(replace(j, drive=replace(j.drive, protocol=protocol)) for j in leg.joints)
        with pytest.raises(DescriptionError, match="only cia402 is known"):
            setup_of(replace(leg, joints=joints), default_bench())
