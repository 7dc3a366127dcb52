"""Broken files: each problem is named with its line, its key and what would be right; never a traceback."""

# ruff: noqa: E501  a table is read by its columns

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from good_leg import BENCH, LEG, STAND

from legtest.description import light_read, read_bench, read_leg, read_stand
from legtest.errors import DescriptionError

Write = Callable[..., Path]

# (text replaced, once; by what; where the problem is marked: this text of the broken file; key; part of the message)
LEG_CASES = [
    # units
    ('torque: "12 N*m"', 'torque: "12 deg"', '"12 deg"', "joints.hip.limits.torque", "'deg' is not a unit of torque (use"),
    ('torque: "12 N*m"', "torque: 12", "12}", "joints.hip.limits.torque", '12 has no unit: write a torque like "9 N*m"'),
    ('speed: "12 rad/s"', 'speed: "fast"', '"fast"', "joints.hip.limits.speed", "'fast' is not an angular velocity"),
    ('speed: "12 rad/s"', 'speed: "12,5 rad/s"', '"12,5', "joints.hip.limits.speed", "a decimal point, not a comma"),
    ('torque: "12 N*m"', 'torque: "nan N*m"', '"nan', "joints.hip.limits.torque", "'nan N*m' is not a torque"),
    ('torque: "12 N*m"', 'torque: ".inf N*m"', '".inf', "joints.hip.limits.torque", "is not a torque"),
    ('"160 mm"', '{a: "1 mm"}', '{a: "1 mm"}', "geometry.thigh", 'expected a value like "172 mm", found a section'),
    ('"160 mm"', '["160 mm"]', '["160 mm"]', "geometry.thigh", "found a list"),
    ('"-80 deg", "81 deg"', '"-80 deg", "81 mm"', '"81 mm"', "joints.hip.travel.1", "'mm' is not a unit of angle"),
    # keys
    ('torque: "12 N*m"', 'torqe: "12 N*m"', "torqe", "joints.hip.limits.torqe", "unknown key; did you mean 'torque'?"),
    ("sign: +1", "", "drive:\n      protocol", "joints.hip.drive.sign", "this key is missing"),
    ("leg: try-1", "comment: x", "comment", "leg", "this key is missing"),
    ("  knee:\n    drive:", "  ankle:\n    drive:", "ankle", "joints.ankle", "the keys here are abduction, hip, knee"),
    ("sign: +1", "sign:", "sign:", "joints.hip.drive.sign", "this key has no value"),
    ("sign: +1", "sign: ~", "sign: ~", "joints.hip.drive.sign", "this key has no value"),
    ("sign: +1", "sign: +1\n      sign: -1", "sign: -1\n      stiff", "joints.hip.drive.sign", "a second time, first in line 11"),
    ("decision: {rule: guarded", "decision: {rule: strict", "strict", "decision.rule", "is not one of: guarded, simple"),
    ("joints:\n", "joints: none\nother:\n", "none\n", "joints", "expected a section with the keys abduction, hip, knee"),
    # whole numbers and words
    ("node: 1\n", "node: 012\n", "012", "joints.hip.drive.node", "'012' begins with a zero; write 12, or 0x..."),
    ("node: 1\n", "node: 127\n", "127", "joints.hip.drive.node", "127 is outside 1 to 126"),
    ("node: 1\n", "node: 1.5\n", "1.5", "joints.hip.drive.node", "'1.5' is not a whole number"),
    ("node: 1\n", "node: yes\n", "yes", "joints.hip.drive.node", "'yes' is not a whole number"),
    ("node: 1\n", "node: 12:30\n", "12:30", "joints.hip.drive.node", "'12:30' is not a whole number"),
    ("node: 1\n", "node: 1_2\n", "1_2", "joints.hip.drive.node", "'1_2' is not a whole number"),
    ("vendor: 0x1F", "vendor: 0x1FFFFFFFF", "0x1FF", "joints.hip.drive.vendor", "is outside 0 to 4294967295"),
    ("sign: +1", "sign: 2", "2\n      stiff", "joints.hip.drive.sign", "'2' is not one of: +1, -1, 1"),
    ("counts_per_turn: 65536", "counts_per_turn: 0", "0\n", "joints.hip.drive.counts_per_turn", "must be more than 0"),
    ("leg: try-1", "leg: ../etc", "../etc", "leg", "is no name"),
    ("leg: try-1", 'leg: "a\\e[31m"', '"a\\e', "leg", "'a?[31m' is no name"),
    ("protocol: cia402", "protocol: serial", "serial", "joints.hip.drive.protocol", "is not one of: cia402"),
    # ranges, and keys that must agree
    ('thigh: "160 mm"', 'thigh: "-160 mm"', '"-160 mm"', "geometry.thigh", "must be more than 0 m"),
    ('thigh: "160 mm"', 'thigh: "160 m"', '"160 m"', "geometry.thigh", "must be at most 2 m"),
    ('"-78 deg", "78 deg"', '"-78 deg", "85 deg"', '["-78', "joints.hip.limits.position", "must lie inside the travel"),
    ('"-78 deg", "78 deg"', '"78 deg", "-78 deg"', '["78', "joints.hip.limits.position", "first value must be below"),
    ('"-78 deg", "78 deg"', '"-78 deg"', '["-78 deg"]', "joints.hip.limits.position", "expected two values in brackets"),
    ('["-78 deg", "78 deg"]', '"78 deg"', '"78 deg"', "joints.hip.limits.position", "expected two values in brackets"),
    ('"-80 deg", "81 deg"', '"1 deg", "2 deg", "3 deg"', '["1', "joints.hip.travel", "expected two values in brackets"),
    ('"1.8 N*m"', '"12 N*m"', '"12 N*m", speed: "0.5', "joints.hip.home.torque", "must be less than limits.torque"),
    ('"0.5 rad/s"', '"14 rad/s"', '"14', "joints.hip.home.speed", "must not be more than limits.speed"),
    ('torque: "12 N*m"', 'torque: "41 N*m"', '"41', "joints.hip.limits.torque", "more than 10 times the drive's rated"),
    ("node: 2", "node: 1", "1\n      eds: axis.eds\n      counts_per_turn: 65536\n      rated_torque: \"4 N*m\"\n      sign: -1",
     "joints.knee.drive.node", "node 1 is already the hip's"),
    ("eds: axis.eds", "eds: nowhere.eds", "nowhere.eds", "joints.hip.drive.eds", "there is no file"),
    ('position: ["-128 deg", "2 deg"]', 'position: ["0 deg", "2 deg"]', "backward", "geometry.knee_bends",
     "a knee that bends backward has negative angles"),
    # coupling
    ("knee: {knee: 1, hip: -1}", "ankle: {knee: 1}", "ankle", "coupling.ankle", "no such joint; this leg has hip, knee"),
    ("knee: {knee: 1, hip: -1}", "knee: {ankle: 1}", "ankle", "coupling.knee.ankle", "no such actuator"),
    ("knee: {knee: 1, hip: -1}", "knee: {hip: -1}", "knee: {hip", "coupling", "cannot be turned round"),
    ("knee: {knee: 1, hip: -1}", "knee: {knee: two}", "two", "coupling.knee.knee", "'two' is not a ratio"),
    ("knee: {knee: 1, hip: -1}", "knee: 1", "1\ndecision", "coupling.knee", "expected factors by actuator"),
    # criteria
    ("  backlash: {at_most", "  bakclash: {at_most", "bakclash", "criteria.bakclash", "did you mean 'backlash'?"),
    ('{at_most: "0.5 deg"}', '{at_most: "0.5 N"}', '"0.5 N"', "criteria.backlash.at_most", "'N' is not a unit of angle"),
    ('{at_most: "0.5 deg"}', '{most: "0.5 deg"}', '{most', "criteria.backlash", "expected one limit: {at_most:"),
    ('{at_most: "0.5 deg"}', '"0.5 deg"', '"0.5 deg"', "criteria.backlash", "expected one limit"),
    ('{between: ["0.9", "1.1"]}', '{between: ["1.1", "0.9"]}', '["1.1', "criteria.holding_torque_ratio.between",
     "'1.1' must be below '0.9'"),
    ('{between: ["0.9", "1.1"]}', '{between: "0.9"}', '"0.9"', "criteria.holding_torque_ratio.between", "expected two values"),
    ('{kind: force, at_least: "3 N"}', '{at_least: "3 N"}', '{at_least: "3', "criteria.own.cable_pull", "needs a kind"),
    ("kind: force", "kind: pull", "pull, at", "criteria.own.cable_pull.kind", "needs a kind, like `kind: force`"),
    ("cable_pull:", "backlash:", "backlash: {kind", "criteria.own.backlash", "is a quantity of legtest"),
    ("coverage: 95 %", "coverage: 95", "95}", "decision.coverage", "must be at most 99.9 %"),
    ('thigh_mass: "700 g"', 'thigh_mass: "700 mm"', '"700 mm"', "simulation.thigh_mass", "is not a unit of mass (use kg, g)"),
    # YAML itself
    ("leg: try-1", "leg: &name try-1", "&name", "leg", "anchor &name: not used here"),
    ("leg: try-1", "leg: !!str try-1", "!!str", "leg", "tag tag:yaml.org,2002:str: types are not written"),
    ("leg: try-1", "leg: *name", "*name", "leg", "alias *name: write the value out"),
    ("leg: try-1", "leg: [try-1", "", "", "this is not YAML: "),
    ("leg: try-1", "leg:\ttry-1\n\t x", "", "", "this is not YAML: "),
    ("leg: try-1", "---\nleg: try-1\n---", "---\ngeometry", "", "a second document (---) begins here"),
    ("leg: try-1", "? [a, b]\n: 1\nleg: try-1", "[a, b]", "", "a key must be a word"),
]  # fmt: skip


def problems_of(read: Callable[[Path], object], path: Path) -> list[tuple[str, str, str]]:
    with pytest.raises(DescriptionError) as caught:
        read(path)
    return [tuple(problem) for problem in caught.value.problems]  # type: ignore[misc]


def check(problems: list[tuple[str, str, str]], path: Path, at: str, key: str, message: str) -> None:
    text = path.read_text()
    found = [problem for problem in problems if problem[1] == key and message in problem[2]]
    assert found, problems
    where = found[0][0]
    assert where.startswith(f"{path}:")
    if at:
        start = text.index(at)
        line, column = text.count("\n", 0, start) + 1, start - text.rfind("\n", 0, start)
        assert where == f"{path}:{line}:{column}"


@pytest.mark.parametrize(("old", "new", "at", "key", "message"), LEG_CASES)
def test_broken_leg(write: Write, old: str, new: str, at: str, key: str, message: str) -> None:
    assert old in LEG
    path = write(LEG.replace(old, new, 1))
    check(problems_of(read_leg, path), path, at, key, message)


STAND_CASES = [
    ("catch: slings", "catch: ", "catch", "measures.catch", "this key has no value"),
    ("catch: slings", 'catch: " "', '" "', "measures.catch", 'empty; write a text like "slings above the carriage"'),
    ("catch: slings", "catch: yes", "yes", "measures.catch", "'yes' says too little; write a text like"),
    ("catch: slings, ", "", "measures", "measures.catch", "this key is missing"),
    ("catch: slings", 'catch: "a\\nb"', '"a', "measures.catch", "one line of at most 200 printable characters"),
    ("catch: slings", f"catch: {'x' * 201}", "xxx", "measures.catch", "one line of at most 200 printable characters"),
    ('"20 N/mm"', '"20 N"', '"20 N"', "simulation.stiffness", "'N' is not a unit of stiffness (use N/m, N/mm, kN/m)"),
    ("damping_ratio: 3 %", "damping_ratio: 130 %", "130", "simulation.damping_ratio", "must be at most 1"),
    ("carriage_mass", "carrige_mass", "carrige", "carrige_mass", "did you mean 'carriage_mass'?"),
]

BENCH_CASES = [
    ("interface: slcan, channel: /dev/ttyACM0", "interface: slcan", "bus:", "bus.channel", "interface slcan needs one"),
    ('"1 Mbit/s"', '"300 kbit/s"', '"300', "bus.bit_rate", "is not a bit rate of CiA 301; those are 10, 20, 50, 125"),
    ('"250 /s"', '"5 kHz"', '"5 kHz"', "bus.rate", "must be at most 1000 /s"),
    ('loss: "100 ms"', 'loss: "30 ms"', '"30 ms"', "heartbeat.loss", "must be at least twice heartbeat.every"),
    ('uncertainty: "2 g"', 'uncertainty: "0 g"', '"0 g"', "known_mass.uncertainty", "must be more than 0 kg"),
    ('uncertainty: "2 g"', 'uncertainty: "2 kg"', '"2 kg"', "known_mass.uncertainty", "a tenth of the mass or more"),
    ("stand: stand.yaml", "stand: no.yaml", "no.yaml", "stand", "there is no file"),
    ("protection:", "known_mass2:", "known_mass2", "known_mass2", "unknown key; did you mean 'known_mass'?"),
    ("protection:", "known_mass2:", "", "protection", "is missing: a live bench says what protects people and leg"),
    ("emergency_stop: {", "emergency_stop: #", "emergency_stop:", "protection.emergency_stop", "this key has no value"),
    ("  emergency_stop:", "  e_stop:", "protection:", "protection.emergency_stop", "this key is missing"),
    ("  emergency_stop:", "  emergency_stops:", "emergency_stops", "protection.emergency_stops", "mean 'emergency_stop'?"),
    ("actuator: latching, ", "", "emergency_stop:", "protection.emergency_stop.actuator", "this key is missing"),
    ("latching", "good", "good", "protection.emergency_stop.actuator", "is not one of: latching, momentary"),
    ("cuts: all supplies", "cuts: yes", "yes", "protection.emergency_stop.cuts", "one of: motor supply, all supplies"),
    ('distance: "0.6 m"', "distance: 0.6", "0.6", "protection.emergency_stop.distance", "0.6 has no unit"),
    ("positions: 3", "positions: 4", "4, ", "protection.enabling_device.positions", "4 is outside 2 to 3"),
    ("fence: none", "fence: doors", "doors", "protection.fence", "expected a section with the keys distance, sides"),
    ("fence: none", 'fence: {distance: "1 m", sides: all}', "{distance: \"1 m\"", "protection.fence",
     "describes one, but the stand file's measures.fence says 'none'"),
    ('catch: {drop: "15 mm", stretch: "60 mm", rated_force: "400 N"}', "catch: none", "none\n  brake", "protection.catch",
     "says none, but the stand file's measures.catch says 'slings'"),
    ('stretch: "60 mm"', 'stretch: "0 mm"', '"0 mm"', "protection.catch.stretch", "must be more than 0 m"),
    ('"300 N"', '"300 kg"', '"300 kg"', "protection.brake_clamp.holding_force", "'kg' is not a unit of force"),
    ('["23 V", "25 V"]', '["25 V", "23 V"]', '["25 V"', "protection.supply.voltage", "must be below the second"),
    ('["23 V", "25 V"]', '"24 V"', '"24 V"', "protection.supply.voltage", "expected two values in brackets"),
    ('current_limit: "10 A"', "current_limit: 10", "10}", "protection.supply.current_limit", "10 has no unit"),
    ("clamp_power: none", "clamp_power: no", "no,", "protection.braking.clamp_power", "'no' is not a power"),
    ('"10 mF"', '"10 mV"', '"10 mV"', "protection.braking.capacitance", "'mV' is not a unit of capacitance"),
    ('leg_mass: "1.9 kg"', "leg_mass: none", "none\n  emergency", "protection.leg_mass", "'none' is not a mass"),
    ("adapter: serial number 20311", "adapter: yes", "yes", "protection.adapter", "'yes' says too little"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "at", "key", "message"), STAND_CASES)
def test_broken_stand(write: Write, old: str, new: str, at: str, key: str, message: str) -> None:
    assert old in STAND
    path = write(STAND.replace(old, new, 1), "stand.yaml")
    check(problems_of(read_stand, path), path, at, key, message)


@pytest.mark.parametrize(("old", "new", "at", "key", "message"), BENCH_CASES)
def test_broken_bench(write: Write, old: str, new: str, at: str, key: str, message: str) -> None:
    assert old in BENCH
    write(STAND, "stand.yaml")
    path = write(BENCH.replace(old, new, 1), "bench.yaml")
    check(problems_of(read_bench, path), path, at, key, message)


FILE_CASES = [
    (b"", "", "the file is empty"),
    (b" \n\n", "", "the file is empty"),
    (b"# only a comment\n", ":1:1", "expected keys and values"),
    (b"- a\n- b\n", ":1:1", "expected keys and values"),
    (b"leg: a\nname: \xff\n", ":2:7", "byte 0xff is not UTF-8"),
    (LEG.encode("utf-16"), ":1:1", "is not UTF-8"),
    (b"leg: a\nb\x00c: d\n", ":2:2", "a NUL character"),
    (b"leg: a\nb: \x07\n", "", "this is not YAML"),
    (b"a: " + b"[" * 20 + b"]" * 20, ":1:15", "more than 12 levels"),
    (b"a: " + b"[" * 900, ":1:15", "more than 12 levels"),
    (b"a: " + b"[" * 100_000, ":1:", "exceeded maximum nesting depth"),
    (b"{" * 5000 + b"a: 1" + b"}" * 5000, ":1:", ""),
    (b"x" * (256 * 1024 + 1), "", "larger than 256 kB"),
    (b"a: &a [1]\nb: [*a, *a]\n", ":2:5", "alias *a"),
]


@pytest.mark.parametrize(("raw", "where", "message"), FILE_CASES, ids=[str(n) for n in range(len(FILE_CASES))])
@pytest.mark.parametrize("read", [read_leg, read_stand, read_bench, light_read])
def test_broken_file(write: Write, read: Callable[[Path], object], raw: bytes, where: str, message: str) -> None:
    path = write(raw)
    problems = problems_of(read, path)
    assert any(found[0].startswith(f"{path}{where}") and message in found[2] for found in problems), problems


@pytest.mark.parametrize("read", [read_leg, read_stand, read_bench, light_read])
def test_not_a_file(tmp_path: Path, read: Callable[[Path], object]) -> None:
    assert problems_of(read, tmp_path) == [(str(tmp_path), "", "this is a directory; name a YAML file in it")]
    missing = tmp_path / "missing.yaml"
    assert problems_of(read, missing) == [(str(missing), "", "there is no such file")]
    device = Path("/dev/zero")
    assert problems_of(read, device) == [("/dev/zero", "", "this is not an ordinary file")]
    assert "cannot be read" in problems_of(read, Path("x" * 5000))[0][2]
    assert "cannot be read" in problems_of(read, Path("a\0b"))[0][2]


def test_all_problems_at_once_in_the_order_of_the_file(write: Write) -> None:
    text = LEG
    for old, new in (
        ('"0 mm"', '"0 deg"'),
        ("node: 1\n", "node: 200\n"),
        ('"-78 deg", "78 deg"', '"-78 deg", "85 deg"'),
        ("node: 2\n", "node: 200\n"),
        ("knee: {knee: 1, hip: -1}", "knee: {knee: 1, hop: -1}"),
        ("coverage: 95 %", "coverage: !!int 95 %"),
        ('backlash: {at_most: "0.5 deg"}', "backlash:"),
        ('"700 g"', '"700 g"\n  thigh_mass: "1 g"'),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    found = [(int(where.rsplit(":", 2)[1]), key) for where, key, _ in problems_of(read_leg, write(text))]
    assert found == [
        (2, "geometry.hip_offset"),
        (7, "joints.hip.drive.node"),
        (21, "joints.knee.drive.node"),
        (21, "joints.knee.drive.node"),
        (32, "coupling.knee.hop"),
        (33, "decision.coverage"),
        (35, "criteria.backlash"),
        (43, "simulation.thigh_mass"),
    ]


def test_a_bench_reports_the_problems_of_its_stand_too(write: Write) -> None:
    stand = write(STAND.replace('"1.2 kg"', '"1.2 N"'), "stand.yaml")
    bench = write(BENCH.replace('"250 /s"', '"250"'), "bench.yaml")
    problems = problems_of(read_bench, bench)
    assert [(where.split(":")[0], key) for where, key, _ in problems] == [
        (str(bench), "bus.rate"),
        (str(stand), "carriage_mass"),
    ]


def test_light_read_names_what_it_needs(write: Write) -> None:
    problems = problems_of(light_read, write("leg: a/b\njoints: {ankle: 1}\n"))
    assert [key for _, key, _ in problems] == ["leg", "joints"]


def test_message_as_a_person_sees_it(write: Write) -> None:
    path = write(LEG.replace('torque: "12 N*m"', "torque: 14", 1))
    with pytest.raises(DescriptionError) as caught:
        read_leg(path)
    assert str(caught.value) == f'{path}:16:74: joints.hip.limits.torque: 14 has no unit: write a torque like "9 N*m"'
