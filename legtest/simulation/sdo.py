"""The SDO server of a simulated drive: expedited and segmented transfers (CiA 301, from memory)."""

from __future__ import annotations

from legtest.simulation.dictionary import COMMAND_UNKNOWN, TOGGLE, TOO_LONG, TOO_SHORT, Abort, Dictionary

_LONGEST_DOWNLOAD = 889  # bytes; no object of the drive is longer


class SdoServer:
    """Answers one client's requests on a dictionary."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._dictionary = dictionary
        self._index = self._sub = 0
        self._upload: bytes | None = None  # what is left to send
        self._download: bytearray | None = None
        self._size: int | None = None  # said by the client
        self._toggle = 0

    def answer(self, request: bytes, t_ns: int) -> bytes | None:
        """The 8 bytes that answer a request frame, or None where none is due (a client's abort, a short frame)."""
        if len(request) != 8:
            return None
        command = request[0]
        if command == 0x80:
            self._end()
            return None
        try:
            match command >> 5:
                case 0:
                    return self._download_segment(request, t_ns)
                case 1:
                    self._begin(request)
                    return self._begin_download(request, t_ns)
                case 2:
                    self._begin(request)
                    return self._begin_upload()
                case 3:
                    return self._upload_segment(command)
            raise Abort(COMMAND_UNKNOWN)
        except Abort as abort:
            if command >> 5 > 3:
                self._index, self._sub = int.from_bytes(request[1:3], "little"), request[3]
            self._end()
            return self._reply(0x80, abort.code.to_bytes(4, "little"))

    def _begin(self, request: bytes) -> None:
        self._end()
        self._index, self._sub = int.from_bytes(request[1:3], "little"), request[3]

    def _end(self) -> None:
        self._upload = self._download = self._size = None
        self._toggle = 0

    def _reply(self, command: int, data: bytes = bytes(4)) -> bytes:
        return bytes((command,)) + self._index.to_bytes(2, "little") + bytes((self._sub,)) + data

    def _begin_download(self, request: bytes, t_ns: int) -> bytes:
        command = request[0]
        sized = bool(command & 1)
        if command & 2:
            data = request[4 : 8 - (command >> 2 & 3 if sized else 0)]
            self._dictionary.write(self._index, self._sub, data, t_ns, sized)
            return self._reply(0x60)
        self._dictionary.writable(self._index, self._sub)
        self._download = bytearray()
        self._size = int.from_bytes(request[4:8], "little") if sized else None
        if self._size is not None and self._size > _LONGEST_DOWNLOAD:
            raise Abort(TOO_LONG)
        return self._reply(0x60)

    def _download_segment(self, request: bytes, t_ns: int) -> bytes:
        command = request[0]
        if self._download is None:
            raise Abort(COMMAND_UNKNOWN)
        self._check_toggle(command)
        self._download += request[1 : 8 - (command >> 1 & 7)]
        if len(self._download) > _LONGEST_DOWNLOAD:
            raise Abort(TOO_LONG)
        if command & 1:
            data, size = bytes(self._download), self._size
            if size is not None and size != len(data):
                raise Abort(TOO_LONG if len(data) > size else TOO_SHORT)
            self._end()
            self._dictionary.write(self._index, self._sub, data, t_ns)
        return bytes((0x20 | command & 0x10,)) + bytes(7)

    def _begin_upload(self) -> bytes:
        data = self._dictionary.read(self._index, self._sub)
        if 0 < len(data) <= 4:
            return self._reply(0x43 | (4 - len(data)) << 2, data.ljust(4, b"\0"))
        self._upload = data
        return self._reply(0x41, len(data).to_bytes(4, "little"))

    def _upload_segment(self, command: int) -> bytes:
        if self._upload is None:
            raise Abort(COMMAND_UNKNOWN)
        self._check_toggle(command)
        part, rest = self._upload[:7], self._upload[7:]
        self._upload = rest or None
        return bytes((command & 0x10 | (7 - len(part)) << 1 | (not rest),)) + part.ljust(7, b"\0")

    def _check_toggle(self, command: int) -> None:
        if command & 0x10 != self._toggle:
            raise Abort(TOGGLE)
        self._toggle ^= 0x10
