"""A sign-off walked at a simulated leg: the leg that is there, and the file that may say otherwise of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from legtest.cli.played import PlayedPerson
from legtest.description import read_bench, read_leg
from legtest.description.model import BenchDescription, DriveDescription, LegDescription
from legtest.safety.direct import DirectPort
from legtest.safety.loop import Loop
from legtest.signoff.walk import Walk
from legtest.simulation.rig import Rig, build_rig
from legtest.wiring import NullLog, setup_of

ROOT = Path(__file__).parents[2]
NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
LEG = read_leg(ROOT / "fixtures/legs/tarn-fl.yaml")
BENCH = read_bench(ROOT / "fixtures/benches/streams.yaml")
SERIALS = {joint.name: joint.drive.serial or 0 for joint in LEG.joints}


class Bench:
    """A rig with a port and a person. said: the leg as its file says; there: as it is."""

    def __init__(
        self,
        said: LegDescription = LEG,
        there: LegDescription = LEG,
        bench: BenchDescription = BENCH,
        person: type[PlayedPerson] = PlayedPerson,
        **people: Any,
    ) -> None:
        self.rig: Rig = build_rig(there, bench, seed=1)
        setup = setup_of(said, bench)
        self.loop = Loop(self.rig.link, setup, NullLog(), lambda _: None)
        stop = bench.protection.emergency_stop if bench.protection else None
        logic = stop is not None and stop.cuts == "all supplies"
        self.person = person(self.rig, **{"logic": logic} | people)
        self.port = DirectPort(self.loop, lambda: "a sign-off never moves")
        self.walk = Walk(said, bench, setup, self.port, self.person)


def with_drives(leg: LegDescription, **changes: dict[str, Any]) -> LegDescription:
    """The leg with some of its drives described otherwise: with_drives(leg, hip={"node": 3})."""
    joints = tuple(replace(joint, drive=_changed(joint.drive, changes.get(joint.name, {}))) for joint in leg.joints)
    return replace(leg, joints=joints)


def _changed(drive: DriveDescription, changes: dict[str, Any]) -> DriveDescription:
    return replace(drive, **changes)
