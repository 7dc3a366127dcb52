"""A sign-off is read: one that was walked holds, and nothing else of it does."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from walking import BENCH, LEG, NOW, SERIALS, Bench

from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import UsageError
from legtest.signoff import SignOff, read_signoff
from legtest.signoff.document import digest, write_signoff

Document = dict[str, Any]


@cache
def _walked() -> str:
    bench = Bench()
    bench.walk.run()
    return json.dumps(bench.walk.document(NOW, rehearsal=False))


def walked() -> Document:
    document: Document = json.loads(_walked())
    return document


def read(path: Path, leg: LegDescription = LEG, bench: BenchDescription = BENCH, **when: int) -> SignOff:
    return read_signoff(path, leg, bench, NOW + timedelta(**(when or {"minutes": 1})))


def forged(path: Path, change: Callable[[Document], object]) -> Path:
    """Changed by somebody who knows how the hash is made."""
    document = walked()
    change(document)
    write_signoff(path, document)
    return path


def test_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "signoff.json"
    write_signoff(path, walked())
    signoff = read(path)
    assert (signoff.by, signoff.rehearsal, signoff.grade) == ("simulated person", False, Grade.FREE_MOTION)
    assert (signoff.attended, signoff.carriage) == (True, "caught")
    assert signoff.serials == tuple(SERIALS.values())
    assert [move.joint for move in signoff.moves] == list(LEG.joint_names)
    assert [seen.axis for seen in signoff.stop] == list(LEG.joint_names)
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.stat().st_size < 40_000  # read whole, 64 kB at most


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "signoff.json"
    path.write_text("something")
    with pytest.raises(UsageError, match="move the old one away"):
        write_signoff(path, walked())
    assert path.read_text() == "something"
    with pytest.raises(UsageError, match="cannot be written"):
        write_signoff(tmp_path / "no" / "folder.json", walked())


def test_every_single_change_by_hand_is_noticed(tmp_path: Path) -> None:
    """Of the whole document, hash included, key by key."""
    path = tmp_path / "signoff.json"
    write_signoff(path, walked())
    good = json.loads(path.read_text())
    changed = {"serials": {**good["serials"], "hip": 4102 + 1}, "sha256": "0" * 64, "by": "somebody else"}
    for key in good:
        bad = copy.deepcopy(good)
        bad[key] = changed.get(key, not bad[key] if isinstance(bad[key], bool) else [])
        path.write_text(json.dumps(bad))
        with pytest.raises(UsageError):
            read(path)
        del bad[key]
        path.write_text(json.dumps(bad))
        with pytest.raises(UsageError):
            read(path)
    path.write_text(json.dumps(good))
    read(path)


def scaled(factor: float) -> Callable[[Document], object]:
    def change(document: Document) -> None:
        tracks = document["evidence"]["hand_moves"][1]["angles_rad"]
        tracks["hip"] = [angle * factor for angle in tracks["hip"]]

    return change


def only_ends(document: Document) -> None:
    for move in document["evidence"]["hand_moves"]:
        for name, track in move["angles_rad"].items():
            move["angles_rad"][name] = [track[0]] * 50 + [track[-1]] * (len(track) - 50)


def _evidence(path: str, value: object) -> Callable[[Document], object]:
    """Set one place in the evidence, like "hand_moves/0/t_s"."""

    def change(document: Document) -> None:
        node = document["evidence"]
        *way, last = [int(part) if part.isdigit() else part for part in path.split("/")]
        for part in way:
            node = node[part]
        node[last] = value

    return change


FORGERIES: list[tuple[str, Callable[[Document], object], str]] = [
    ("half the range", scaled(0.5), "hip (node 2): moved +0."),
    ("the other way", scaled(-1.0), "wrong sign"),
    ("4 % more", scaled(1.04), "moved +1.0"),
    ("two ends only", only_ends, "jumps by"),
    ("a joint left out", lambda d: d["evidence"]["hand_moves"].pop(), "one hand-move for each of"),
    ("a joint twice", lambda d: d["evidence"]["hand_moves"].__setitem__(2, d["evidence"]["hand_moves"][1]), "for each"),
    ("no moves", _evidence("hand_moves", []), "one hand-move for each of"),
    ("few samples", _evidence("hand_moves/0/t_s", [0, 1]), "at least 20 samples"),
    ("time stands still", _evidence("hand_moves/0/t_s", [0.0] * 100), "not in the order of time"),
    ("no stop seen", _evidence("emergency_stop", []), "the emergency stop as seen by each"),
    ("stop too short", _evidence("emergency_stop/0/back_s", 0.1), "silent for"),
    ("back before lost", _evidence("emergency_stop/0/lost_s", 0.6), "had it back after"),
    ("no number", _evidence("emergency_stop/0/lost_s", "0"), "not in the form"),
    ("not finite", _evidence("hand_moves/0/t_s/3", float("nan")), "not in the form"),
    ("huge", _evidence("hand_moves/0/t_s/3", 10**400), "not in the form"),
    ("no list", _evidence("hand_moves", 5), "not in the form"),
    ("no section", lambda d: d.update(evidence=[]), "evidence: expected a section"),
    ("unknown grade", lambda d: d.update(grade="all"), "grade: expected one of unpowered, torque-capped, free-motion"),
    ("unknown carriage", lambda d: d.update(carriage="held"), "carriage: expected one of caught, clamped, lowest"),
    ("attended by a number", lambda d: d.update(attended=1), "attended: expected true or false"),
    ("another stand", lambda d: d.update(stand_sha256="0" * 64), "streams.yaml has changed since"),
    ("no stand", lambda d: d.pop("stand_sha256"), "stand_sha256: expected a text"),
    ("another drive", lambda d: d["serials"].update(hip=1), "signed off with 1, the leg file says 4102"),
    ("more than a day's work", lambda d: d.update(valid_until=(NOW + timedelta(hours=9)).isoformat()), "8 hours"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "why"), [f[1:] for f in FORGERIES], ids=[f[0] for f in FORGERIES])
def test_evidence_must_show_what_is_claimed(tmp_path: Path, change: Any, why: str) -> None:
    with pytest.raises(UsageError) as caught:
        read(forged(tmp_path / "signoff.json", change))
    assert why in str(caught.value)
    assert "legtest signoff" in str(caught.value)


def test_a_rehearsal_s_evidence_is_looked_at_when_it_is_there(tmp_path: Path) -> None:
    """Without any it may be left out: nobody stands before the leg, and a rehearsal must prove to be one."""

    def rehearsed(document: Document) -> None:
        document["REHEARSAL"] = True

    assert read(forged(tmp_path / "good.json", rehearsed)).moves

    def spoilt(document: Document) -> None:
        rehearsed(document)
        scaled(0.5)(document)

    with pytest.raises(UsageError, match=r"moved \+0\.[45]"):
        read(forged(tmp_path / "bad.json", spoilt))

    def bare(document: Document) -> None:
        rehearsed(document)
        for key in ("evidence", "grade", "attended", "carriage", "stand_sha256"):
            del document[key]

    assert read(forged(tmp_path / "bare.json", bare)).moves == ()
    with pytest.raises(UsageError, match="grade: expected"):
        read(forged(tmp_path / "real.json", lambda d: (bare(d), d.update(REHEARSAL=False))))


def test_a_sign_off_belongs_to_its_leg_and_its_hours(tmp_path: Path) -> None:
    path = tmp_path / "signoff.json"
    write_signoff(path, walked())
    with pytest.raises(UsageError, match="has changed since"):
        read(path, leg=replace(LEG, sha256="0" * 64))
    with pytest.raises(UsageError, match="has changed since"):
        read(path, bench=replace(BENCH, sha256="0" * 64))
    with pytest.raises(UsageError, match="it holds from"):
        read(path, hours=8)
    with pytest.raises(UsageError, match="it holds from"):
        read(path, seconds=-1)
    read(path, hours=7, minutes=59)


def test_a_grade_needs_a_stop_on_this_bench(tmp_path: Path) -> None:
    path = tmp_path / "signoff.json"
    write_signoff(path, walked())
    assert BENCH.protection is not None
    without = replace(BENCH, protection=BENCH.protection._replace(emergency_stop=None))
    with pytest.raises(UsageError, match="free-motion without an emergency stop"):
        read(path, bench=without)




json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.data())
def test_whatever_stands_in_it(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Any value at any place, hash made anew: read, or refused in words."""
    document = walked()
    node: Any = document
    for _ in range(data.draw(st.integers(0, 4))):
        keys = list(node) if isinstance(node, dict) else list(range(len(node))) if isinstance(node, list) else []
        inner = [key for key in keys if isinstance(node[key], dict | list) and node[key]]
        if not inner:
            break
        node = node[data.draw(st.sampled_from(inner))]
    key = data.draw(st.sampled_from(list(node) if isinstance(node, dict) else list(range(len(node)))))
    node[key] = data.draw(json_values)
    path = tmp_path_factory.mktemp("fuzz") / "signoff.json"
    write_signoff(path, document)
    with suppress(UsageError):
        read(path)


def test_the_hash_is_over_everything_but_itself() -> None:
    document = walked()
    assert digest(document) == digest(document | {"sha256": "anything"})
    assert digest(document) != digest(document | {"by": "x"})
