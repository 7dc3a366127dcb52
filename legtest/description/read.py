"""Leg, stand and bench files to frozen SI descriptions; every problem of a file in one DescriptionError."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from legtest.description import schema
from legtest.description.coupling import coupling_of
from legtest.description.criteria import criteria_of
from legtest.description.instruments import instruments_of
from legtest.description.model import (
    BenchDescription,
    DecisionRule,
    DriveDescription,
    Geometry,
    HomeDescription,
    JointDescription,
    LegDescription,
    StandDescription,
)
from legtest.description.names import JOINTS
from legtest.description.nodes import Document, load, lookup
from legtest.description.protect import check_protection, protection_of
from legtest.description.validate import validate
from legtest.errors import DescriptionError

_PACKAGED_BENCH = Path(__file__).parent / "packaged" / "simulated.yaml"
_FILES: Mapping[str, type[BaseModel]] = {
    "leg": schema.LegFile, "stand": schema.StandFile, "bench": schema.BenchFile
}  # fmt: skip


def read_leg(path: str | Path) -> LegDescription:
    """The leg described by a file. Raises DescriptionError with every problem found."""
    document = load(path)
    file = validate(document, schema.LegFile)
    joints = _joint_names(document)
    coupling = coupling_of(document, joints) if joints else ()
    criteria = criteria_of(document, joints)
    _check_nodes(document, joints)
    _check_eds(document, joints)
    if file is not None:
        _check_knee(document, file)
    document.raise_problems()
    assert file is not None
    sections = {name: getattr(file.joints, name) for name in joints}
    geometry = file.geometry
    return LegDescription(
        name=file.leg,
        path=document.path,
        sha256=document.sha256,
        geometry=Geometry(
            geometry.hip_offset, geometry.thigh, geometry.shank, geometry.knee_bends, geometry.foot_radius or 0.0
        ),
        joints=tuple(_joint(name, section, Path(path).parent) for name, section in sections.items()),
        coupling=coupling,
        criteria=criteria,
        decision=DecisionRule(file.decision.rule, file.decision.coverage),  # type: ignore[arg-type]  # a Choice
        simulation=_given(file.simulation),
    )


def read_stand(path: str | Path) -> StandDescription:
    """The stand described by a file. Raises DescriptionError with every problem found."""
    document = load(path)
    file = validate(document, schema.StandFile)
    document.raise_problems()
    assert file is not None
    return StandDescription(
        name=file.stand,
        path=document.path,
        sha256=document.sha256,
        carriage_mass_kg=file.carriage_mass,
        hip_height_m=file.hip_height,
        measures=file.measures.model_dump(),
        simulation=_given(file.simulation),
    )


def read_bench(path: str | Path) -> BenchDescription:
    """The bench described by a file, with its stand. Raises DescriptionError with the problems of both files."""
    document = load(path)
    file = validate(document, schema.BenchFile)
    stand_text = lookup(document.tree, "stand")
    stand: StandDescription | None = None
    stand_problems: DescriptionError | None = None
    if isinstance(stand_text, str) and stand_text:
        stand_path = Path(path).parent / stand_text
        if not _is_file(stand_path):
            document.report(("stand",), f"there is no file {stand_path}")
        else:
            try:
                stand = read_stand(stand_path)
            except DescriptionError as error:
                stand_problems = error
    check_protection(document, stand)
    if file is not None:
        _check_instruments(document, [instrument.quantity for instrument in file.instruments])
    _raise_both(document, stand_problems)
    assert file is not None
    assert stand is not None
    bus, heartbeat, mass = file.bus, file.heartbeat, file.known_mass
    return BenchDescription(
        name=file.bench,
        path=document.path,
        sha256=document.sha256,
        stand=stand,
        interface=bus.interface,
        channel=bus.channel or "",
        bit_rate=round(bus.bit_rate),
        rate_hz=bus.rate,
        max_age_s=bus.max_age,
        heartbeat_s=heartbeat.every,
        loss_s=heartbeat.loss,
        known_mass_kg=mass.mass if mass else None,
        known_mass_u_kg=mass.uncertainty if mass else 0.0,
        protection=protection_of(file.protection) if file.protection else None,
        instruments=instruments_of(file.instruments),
    )


def default_bench() -> BenchDescription:
    """The packaged simulated bench."""
    return read_bench(_PACKAGED_BENCH)


def json_schema(kind: Literal["leg", "stand", "bench"]) -> dict[str, Any]:
    """JSON Schema of a file for editors: keys, what they mean, patterns and examples of values."""

    def clean(node: Any) -> Any:
        if isinstance(node, dict):
            used_by = isinstance(node.get("used_by"), str)
            hidden = ("used_by", "attribute", "spelt") if used_by else ()
            return {key: clean(value) for key, value in node.items() if key not in hidden}
        return [clean(item) for item in node] if isinstance(node, list) else node

    whole: dict[str, Any] = clean(_FILES[kind].model_json_schema())
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **whole}


def _raise_both(document: Document, other: DescriptionError | None) -> None:
    try:
        document.raise_problems()
    except DescriptionError as error:
        raise DescriptionError((*error.problems, *(other.problems if other else ()))) from None
    if other is not None:
        raise other


def _joint_names(document: Document) -> tuple[str, ...]:
    joints = lookup(document.tree, "joints")
    return tuple(name for name in JOINTS if isinstance(joints, dict) and name in joints)


def _joint(name: str, section: schema.JointSection, folder: Path) -> JointDescription:
    drive, home = section.drive, section.home
    return JointDescription(
        name=name,
        drive=DriveDescription(
            protocol=drive.protocol,
            node=drive.node,
            eds=str(folder / drive.eds),
            counts_per_turn=drive.counts_per_turn,
            rated_torque_Nm=drive.rated_torque,
            sign=drive.sign,
            stiffness_Nm_per_rad=drive.stiffness,
            damping_Nms_per_rad=drive.damping,
            vendor=drive.vendor,
            product=drive.product,
            revision=drive.revision,
            serial=drive.serial,
            declared_firmware=drive.declared_firmware or "",
        ),
        travel_rad=section.travel,
        limits_rad=section.limits.position,
        speed_rad_s=section.limits.speed,
        torque_Nm=section.limits.torque,
        home=HomeDescription(home.stop, home.torque, home.speed),  # type: ignore[arg-type]  # a Choice
    )


def _check_nodes(document: Document, joints: tuple[str, ...]) -> None:
    first: dict[str, str] = {}
    for name in joints:
        node = lookup(document.tree, "joints", name, "drive", "node")
        if not isinstance(node, str):
            continue
        if node in first:
            message = f"node {node} is already the {first[node]}'s; two drives with one id answer at the same time"
            document.report(("joints", name, "drive", "node"), message)
        first.setdefault(node, name)


def _check_eds(document: Document, joints: tuple[str, ...]) -> None:
    for name in joints:
        eds = lookup(document.tree, "joints", name, "drive", "eds")
        if isinstance(eds, str) and eds:
            path = Path(document.path).parent / eds
            if not _is_file(path):
                document.report(("joints", name, "drive", "eds"), f"there is no file {path}")


def _check_instruments(document: Document, quantities: list[str]) -> None:
    for number, quantity in enumerate(quantities):
        if quantity in quantities[:number]:
            document.report(("instruments", number, "quantity"), f"{quantity} is read by an instrument above already")


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name too long, a NUL
        return False


def _check_knee(document: Document, file: schema.LegFile) -> None:
    low, high = file.joints.knee.limits.position
    bends = file.geometry.knee_bends
    if (bends < 0 and low >= 0) or (bends > 0 and high <= 0):
        way, sign = ("backward", "negative") if bends < 0 else ("forward", "positive")
        message = f"a knee that bends {way} has {sign} angles, and limits.position of the knee allows none"
        document.report(("geometry", "knee_bends"), message)


def _given(section: BaseModel) -> dict[str, float]:
    """The keys a simulation section has in the file, by their SI names."""
    fields: dict[str, FieldInfo] = type(section).model_fields
    given: dict[str, float] = {}
    for key in section.model_fields_set:
        extra = fields[key].json_schema_extra
        assert isinstance(extra, dict)
        given[str(extra["attribute"])] = getattr(section, key)
    return dict(sorted(given.items()))
