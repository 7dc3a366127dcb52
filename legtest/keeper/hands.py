"""The socket beside a rehearsal's channel: asked for the proof that it is one, and for hand steps."""

from __future__ import annotations

import json
import os
import socket
import struct
from collections.abc import Mapping

PROOF_S = 2.0
_LONGEST_ANSWER = 4096


class RehearsalHands:
    """A connection to the person of a rehearsal. Raises OSError when nobody is there, or another user."""

    def __init__(self, channel: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(PROOF_S)
            self._socket.connect(f"{channel}.hands")
            _, user, _ = struct.unpack("3i", self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
            if user not in (0, os.geteuid()):
                raise PermissionError(f"it is served by another user ({user})")
        except OSError:
            self._socket.close()
            raise

    def ask(self, request: Mapping[str, object], wait_s: float = PROOF_S) -> str:
        """One request; why it was refused, "" = done. Raises OSError, ValueError."""
        self._socket.settimeout(wait_s)
        self._socket.sendall(json.dumps(request).encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            data = self._socket.recv(_LONGEST_ANSWER)
            answer += data
            if not data or len(answer) > _LONGEST_ANSWER:
                raise ConnectionError("it has ended")
        match json.loads(answer):
            case {"done": True}:
                return ""
            case {"refused": str(why)}:
                return why
        raise ValueError("what it answers is not understood")

    def close(self) -> None:
        self._socket.close()
