"""A PostgreSQL server of its own: started in a temporary folder, reached through a socket there, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def programs() -> Path | None:
    """Where initdb and postgres are, None = nowhere."""
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((place for place in places if (place / "initdb").exists() and (place / "postgres").exists()), None)


@contextmanager
def server(where: Path) -> Iterator[str]:
    """Start a server with the programs in `where`; gives the URL of an empty database."""
    # Not below pytest's folder, into which nobody else may look: the server refuses to run as root.
    folder = Path(tempfile.mkdtemp(prefix="legtest-pg-"))
    other = _other_user()
    if other is not None:
        os.chown(folder, *other)
    user = {} if other is None else {"user": other[0], "group": other[1], "extra_groups": []}
    data = folder / "data"

    def run(*command: object) -> None:
        words = [str(word) for word in command]
        with (folder / "log").open("a") as log:
            subprocess.run(words, check=True, stdout=log, stderr=log, cwd=folder, timeout=120, **user)  # type: ignore[call-overload]

    try:
        run(where / "initdb", "-D", data, "-U", "legtest", "--auth=trust", "--no-sync", "-E", "UTF8", "--locale=C")
        options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
        run(where / "pg_ctl", "-D", data, "-o", options, "-l", folder / "server.log", "-w", "-t", "60", "start")
        try:
            yield f"postgresql://legtest@/postgres?host={folder}"
        finally:
            run(where / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _other_user() -> tuple[int, int] | None:
    """Somebody else, where we are root."""
    if os.getuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            found = pwd.getpwnam(name)
        except KeyError:
            continue
        return found.pw_uid, found.pw_gid
    raise RuntimeError("no ordinary user to run the server as")
