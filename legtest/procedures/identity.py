"""Identity and configuration: every drive is the one of the leg file, and holds what was written to it. No power.

Sees another drive, swapped node ids, another firmware revision, settings that a drive does not keep. Does not see what
a drive does not show in its objects: its control gains, its motor data, the cable between drive and motor.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from legtest.bench import Bench
from legtest.description.model import DriveDescription, JointDescription
from legtest.description.setup import SetUp
from legtest.errors import PrecheckRefused
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures.accesses import accesses
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded

IDENTITY = 0x1018  # sub 1..4: vendor, product, revision, serial
UNSEEN = 4.7e-11  # share of disturbed frames that the checksum of CAN lets through (ISO 11898-1)
HASH_BITS = 48  # as many as a number of the record holds exactly
Place = tuple[int, int]


def move(bench: Bench) -> Recorded:
    """Ask and write what the pre-check asks and writes before it applies power; a refusal is the finding."""
    bit_rate = bench.description.bit_rate
    with bench.observing(DECLARATION.name, None, DECLARATION.method, bit_rate=bit_rate) as recording:
        recording.keep_frames()
        try:
            bench.look()
        except PrecheckRefused as error:
            recording.found["refused"] = error.step
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Numbers and settings that are not as the leg file and the pre-check want them, counted; a hash of the settings.

    The first HASH_BITS bits of the SHA-256 of all settings read back stand among the covariates: equal settings, equal
    number.
    """
    found = [_look_at(recorded, joint) for joint in recorded.leg.joints]
    refused = str(recorded.arguments.get("refused", ""))
    invalid = f"the pre-check refused at '{refused}'" if refused not in ("", "identity") else ""
    return tuple(
        measurement(
            "identity_mismatches", joint.name, wrong,
            (BudgetLine("frames that CAN lets through", UNSEEN * (asked + 1)),), reference="external",
            covariates={"objects": asked, "settings_hash": settings}, invalid=invalid,
        )
        for joint, (wrong, asked, settings) in zip(recorded.leg.joints, found, strict=True)
    )  # fmt: skip


def _look_at(recorded: Recorded, joint: JointDescription) -> tuple[int, int, int]:
    """Mismatches, objects read, hash of the settings."""
    read: dict[Place, bytes] = {}
    written: dict[Place, bytes] = {}
    for frames in recorded.frames("look"):
        for access in accesses(frames, joint.drive.node, float(recorded.arguments["bit_rate"])):
            (written if access.writes else read)[access.entry, access.sub] = access.data
    kept = sum(read.get(place) != data for place, data in written.items() if place in read)
    settings = {place: data for place, data in read.items() if place in written}
    return _differs(read, joint.drive) + kept, len(read), _hash(settings)


def _differs(read: Mapping[Place, bytes], drive: DriveDescription) -> int:
    """Identity numbers that are not the leg file's; those it leaves open and those not asked for are none."""
    wanted = (drive.vendor, drive.product, drive.revision, drive.serial)
    got = [read.get((IDENTITY, sub)) for sub in (1, 2, 3, 4)]
    return sum(
        want is not None and data is not None and int.from_bytes(data, "little") != want
        for want, data in zip(wanted, got, strict=True)
    )


def _hash(settings: Mapping[Place, bytes]) -> int:
    text = "\n".join(f"{index:04X}:{sub:02X} {data.hex()}" for (index, sub), data in sorted(settings.items()))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[: HASH_BITS // 8], "big")


DECLARATION = Declaration(
    name="identity",
    title="identity and configuration",
    method="every drive is asked who it is and for every setting that was written to it; what differs is counted",
    quantities=("identity_mismatches",),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=0,
    posture="any; no power is applied",
    reference="external: the leg file and the drives' labels",
    duration_s=3.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Count what is not as the leg file says, without power: one `identity_mismatches` for each joint's drive."""
    return run_procedure(DECLARATION, bench)
