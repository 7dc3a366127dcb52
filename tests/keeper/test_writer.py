"""The record's writer: nothing is lost in order, and a disk that fails is told and never waited for."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from legtest.keeper import writer as module
from legtest.keeper.writer import Writer


def test_everything_in_order(tmp_path: Path) -> None:
    fd = os.open(tmp_path / "file", os.O_WRONLY | os.O_CREAT)
    called: list[str] = []
    writer = Writer()
    for n in range(1000):
        writer.write(fd, b"%d\n" % n)
    writer.call(lambda: called.append("done"))
    writer.end()
    os.close(fd)
    assert (tmp_path / "file").read_bytes() == b"".join(b"%d\n" % n for n in range(1000))
    assert (called, writer.problem) == (["done"], "")


def test_a_full_disk_is_told_and_nothing_more_is_written() -> None:
    fd = os.open("/dev/full", os.O_WRONLY)
    writer = Writer()
    writer.write(fd, b"a")
    writer.end()
    os.close(fd)
    assert "No space left" in writer.problem
    writer.write(fd, b"b")  # and does not raise


def test_a_disk_that_hangs_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that nobody reads stands for it."""
    monkeypatch.setattr(module, "_END_WAIT_S", 0.05)
    out, into = os.pipe()
    writer = Writer()
    for _ in range(200):
        writer.write(into, bytes(65_536))
    assert "does not keep up" in writer.problem
    writer.end()
    os.close(out)
    writer._thread.join(5.0)
    os.close(into)


def test_what_it_was_asked_to_do_may_fail() -> None:
    def fails() -> None:
        raise PermissionError(13, "Permission denied")

    writer = Writer()
    writer.call(fails)
    writer.end()
    assert writer.problem == "Permission denied"
