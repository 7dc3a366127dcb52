"""The EDS reader's bounds: whatever a file from elsewhere holds, it is a list of objects or one clear error."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from legtest.drives.eds import LARGEST_FILE, LONGEST_LINE, MOST_SECTIONS, EdsObject, objects_of
from legtest.errors import DescriptionError

OBJECT = "[{name}]\nParameterName=x\nObjectType=0x7\nDataType=0x6\nAccessType=rw\n"
GOOD = OBJECT.format(name="6040") + OBJECT.format(name="2001")


def eds(tmp_path: Path, text: str | bytes) -> str:
    path = tmp_path / "drive.eds"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def test_objects_with_size_and_access(tmp_path: Path) -> None:
    assert objects_of(eds(tmp_path, GOOD)) == {(0x6040, 0): EdsObject(2, True), (0x2001, 0): EdsObject(2, True)}


def test_names_in_another_encoding_are_no_hindrance(tmp_path: Path) -> None:
    assert objects_of(eds(tmp_path, GOOD.replace("=x", "=Temperatur \xb0C").encode("latin-1")))


@pytest.mark.parametrize(("text", "message"), [
    (GOOD + ";" * LARGEST_FILE, "larger than 1024 kB"),
    (GOOD + "A=" + "x" * LONGEST_LINE, "a line of more than 4096 characters"),
    (GOOD + "".join(f"[x{n}]\n" for n in range(MOST_SECTIONS)), "more than 20000 sections"),
    (GOOD + OBJECT.format(name="2001sub100"), r"\[2001sub100\] is no sub-index from 0 to FF"),
    (GOOD + OBJECT.format(name="2001sub"), r"\[2001sub\] is no sub-index"),
    (GOOD + "[6040]\n", "not a readable EDS file"),
    (GOOD + "\0", "a NUL character"),
    ("[DEFAULT]\n", "no EDS file with objects"),
    ("", "no EDS file with objects"),
    ("<!DOCTYPE x [<!ENTITY a 'b'>]><x>&a;</x>", "not a readable EDS file"),
])  # fmt: skip
def test_what_is_out_of_bounds(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(DescriptionError, match=message):
        objects_of(eds(tmp_path, text))


def test_nothing_is_put_in_for_a_reference(tmp_path: Path) -> None:
    """No interpolation: an access type that refers to another entry is no access type."""
    text = "[DEFAULT]\nall=rw\n" + GOOD.replace("AccessType=rw", "AccessType=%(all)s")
    assert not any(entry.writable for entry in objects_of(eds(tmp_path, text)).values())


def test_other_formats_are_not_taken_by_their_suffix(tmp_path: Path) -> None:
    path = tmp_path / "drive.epf"
    path.write_text("<?xml version='1.0'?><!DOCTYPE x [<!ENTITY a 'aaaa'>]><x>&a;</x>")
    with pytest.raises(DescriptionError, match="not a readable EDS file"):
        objects_of(str(path))


def test_a_file_that_is_none(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.eds")
    for path, message in (
        (tmp_path / "pipe.eds", "not an ordinary file"), (tmp_path, "not an ordinary file"),
        (tmp_path / "none.eds", "No such file"), (tmp_path / "\0.eds", "cannot be read"),
        (Path("/dev/zero"), "not an ordinary file"),
    ):  # fmt: skip
        with pytest.raises(DescriptionError, match=message):
            objects_of(str(path))


def test_an_edited_file_is_read_again(tmp_path: Path) -> None:
    assert len(objects_of(eds(tmp_path, GOOD))) == 2
    assert len(objects_of(eds(tmp_path, OBJECT.format(name="6040")))) == 1


def test_its_names_do_not_reach_the_terminal(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    objects_of(eds(tmp_path, GOOD.replace("=x", "=\x1b[2J").replace("0x6", "0x60")))
    assert "\x1b" not in "".join(capfd.readouterr())
