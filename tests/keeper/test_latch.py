"""The latch of a bench, and the name of its adapter."""

from __future__ import annotations

import os
import pwd
from pathlib import Path

import pytest

from legtest.errors import UsageError
from legtest.keeper import latch
from legtest.keeper.identity import identity_of

WHEN = "2031-05-06T07:08:09+00:00"


def test_it_stays_until_somebody_clears_it(tmp_path: Path) -> None:
    path = tmp_path / "new" / "latch-1.json"
    assert latch.read(path) is None
    latch.prepare(path)
    assert latch.read(path) is None
    latch.set(path, "serial:/dev/ttyX", ("speed, hip: 9 rad/s",), WHEN)
    latch.set(path, "serial:/dev/ttyX", ("speed, hip: 9 rad/s", "supply, knee: 3 V"), "later")
    assert latch.read(path) == latch.Latched("serial:/dev/ttyX", ("speed, hip: 9 rad/s", "supply, knee: 3 V"), WHEN)
    latch.clear(path, "A. Person", WHEN)
    latch.clear(path, "A. Person", WHEN)
    assert latch.read(path) is None
    (kept,) = (tmp_path / "new").iterdir()
    assert "A. Person" in kept.read_text()
    assert "speed, hip: 9 rad/s" in kept.read_text()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"identity": 1}', "\0"])
def test_a_latch_that_cannot_be_read_is_set(text: str, tmp_path: Path) -> None:
    path = tmp_path / "latch.json"
    path.write_text(text)
    found = latch.read(path)
    assert found is not None
    assert "not understood" in found.reasons[0]
    path.unlink()
    path.mkdir()
    found = latch.read(path)
    assert found is not None
    assert "cannot be read" in found.reasons[0]


def test_a_place_where_it_could_not_be_set_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="make it writable"):
        latch.prepare(tmp_path / "file" / "latch.json")


def test_the_environment_says_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("HOME", "XDG_STATE_HOME", "TMPDIR"):
        monkeypatch.setenv(name, str(tmp_path))
    home = pwd.getpwuid(os.geteuid()).pw_dir
    assert str(latch.path_for("socketcan:can0")).startswith(f"{home}/.local/state/legtest/latch-")
    assert latch.path_for("socketcan:can0") != latch.path_for("socketcan:can1")
    assert latch.path_for("rehearsal:/tmp/x/adapter") == Path("/tmp/x/adapter.latch.json")


def test_an_adapter_is_the_same_by_any_name(tmp_path: Path) -> None:
    assert identity_of("socketcan", "can0") == "socketcan:can0"
    assert identity_of("slcan", "/dev/ttyNONE9") == "serial:/dev/ttyNONE9"
    (tmp_path / "mine").symlink_to("/dev/ttyNONE9")
    assert identity_of("slcan", str(tmp_path / "mine")) == "serial:/dev/ttyNONE9"
    master, slave = os.openpty()
    (tmp_path / "adapter").symlink_to(os.ttyname(slave))
    assert identity_of("slcan", str(tmp_path / "adapter")) == f"rehearsal:{tmp_path / 'adapter'}"
    assert identity_of("slcan", os.ttyname(slave)) == f"serial:{os.ttyname(slave)}"
    os.close(master)
    os.close(slave)
    assert identity_of("slcan", str(tmp_path / "gone")) == f"rehearsal:{tmp_path / 'gone'}"
