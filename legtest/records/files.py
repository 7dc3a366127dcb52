"""Opening files of a record that anybody may have written: bounded, ordinary, and inside the record's own folder.

The folder a user names is trusted to be where it is, even through links. Nothing below it may be a link, a device or
a pipe: a record that came by mail must not make us read, hash or overwrite anything beside it.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from io import BufferedReader
from pathlib import Path

from legtest.errors import RecordError

_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
_READ = os.O_RDONLY | _NO_FOLLOW | sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
_FOLDER = os.O_RDONLY | _NO_FOLLOW | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_CLOEXEC", 0)
_BY_FOLDER = bool(_NO_FOLLOW) and os.open in os.supports_dir_fd
_LINK = "not read: a link, or not an ordinary file"


def open_plain(path: Path, within: Path | None = None) -> BufferedReader:
    """An ordinary file for reading; neither it nor any folder between it and `within` may be a link.

    within: a folder above the file (None: the one it lies in). Raises RecordError, FileNotFoundError, and OSError.
    """
    within = path.parent if within is None else within
    parts = path.relative_to(within).parts
    if not parts or ".." in parts:
        raise RecordError(f"{path}: not read: outside of {within}")
    try:
        fd = _walk(within, parts) if _BY_FOLDER else _checked(within, parts)
    except OSError as error:
        # A link where none may be: ELOOP, or ENOTDIR where a folder was asked for (open(2)).
        if error.errno in (errno.ELOOP, errno.ENOTDIR):
            raise RecordError(f"{path}: {_LINK}") from None
        raise
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise RecordError(f"{path}: {_LINK}")
        return os.fdopen(fd, "rb")
    except BaseException:
        os.close(fd)
        raise


def _walk(within: Path, parts: tuple[str, ...]) -> int:
    folder = os.open(within, _FOLDER & ~_NO_FOLLOW)
    try:
        for part in parts[:-1]:
            inner = os.open(part, _FOLDER, dir_fd=folder)
            os.close(folder)
            folder = inner
        return os.open(parts[-1], _READ, dir_fd=folder)
    finally:
        os.close(folder)


def _checked(within: Path, parts: tuple[str, ...]) -> int:
    """Where the system cannot refuse links while it opens: asked just before."""
    path = within
    for part in parts:
        path = path / part
        if path.is_symlink():
            raise RecordError(f"{path}: {_LINK}")
    return os.open(path, _READ)


def read_whole(path: Path, largest: int, within: Path | None = None) -> bytes:
    """The bytes of a file of at most `largest`. Raises RecordError, also for a file that is missing."""
    try:
        with open_plain(path, within) as file:
            # Room for what is there and not for what may be: a read takes as much memory as it is asked for.
            content = file.read(min(os.fstat(file.fileno()).st_size, largest) + 1)
    except OSError as error:
        raise cannot_read(path, error) from None
    if len(content) > largest:
        raise RecordError(f"{path}: not read: larger than {largest} bytes")
    return content


def replace(path: Path, content: bytes) -> None:
    """Put a whole new file in this place, over an old one or a link (which is not followed). Raises RecordError."""
    new = path.with_name(f"{path.name}.new")
    try:
        new.unlink(missing_ok=True)
        # A reader sees the old file or the new one and never half of either.
        with new.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        with suppress(OSError):
            new.unlink()
        raise cannot_write(path, error) from None


def cannot_read(path: Path, error: OSError) -> RecordError:
    """The error for a file of the record that cannot be read."""
    return RecordError(f"{path}: cannot be read: {error.strerror or error}")


def cannot_write(path: Path, error: OSError) -> RecordError:
    """The error for a file of the record that cannot be written, with the way out."""
    reason = error.strerror or str(error)
    return RecordError(
        f"{path}: the run record cannot be written: {reason}; free space there or make it writable, "
        "or name another directory with --leg-runs DIR"
    )
