"""A headless Chromium spoken to over its debugging pipe (Chrome DevTools Protocol), standard library only."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_OPTIONS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--remote-debugging-pipe",
)  # fmt: skip


class Browser:
    """One page. `events`: everything the browser reported so far."""

    def __init__(self, read_fd: int, write_fd: int) -> None:
        self._read, self._write = read_fd, write_fd
        self._buffer, self._number, self._session = b"", 0, ""
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Ask and wait for the answer."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return answer["result"]
            self.events.append(answer)

    def open(self, path: Path) -> None:
        """Load a file and wait until it is complete."""
        self.call("Page.navigate", url=path.as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next())

    def run(self, expression: str) -> Any:
        """The value of a JavaScript expression in the page; a promise is waited for."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def until(self, expression: str) -> None:
        """Wait, frame by frame of the page, until the expression is true."""
        self.run(
            "(async () => { for (let n = 0; n < 2000; n++) { if (" + expression + ") return; "
            "await new Promise((done) => setTimeout(done, 5)); } throw new Error('never true'); })()"
        )

    def width(self, width: int, height: int = 900) -> None:
        """The size of the window, CSS pixels."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def mouse(self, kind: str, x: float, y: float, buttons: int = 0) -> None:
        """A real mouse event: mousePressed, mouseMoved or mouseReleased, of the left button."""
        button = "none" if kind == "mouseMoved" and not buttons else "left"
        clicks = 0 if kind == "mouseMoved" else 1
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button=button, buttons=buttons, clickCount=clicks)

    def key(self, key: str, code: int) -> None:
        """A key pressed and released. code: its Windows virtual key code."""
        text = {"text": key} if len(key) == 1 else {}
        self.call("Input.dispatchKeyEvent", type="keyDown", key=key, windowsVirtualKeyCode=code, **text)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, windowsVirtualKeyCode=code)

    def errors(self) -> list[dict[str, Any]]:
        """Every exception, console line and log entry so far."""
        kinds = ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded")
        return [event for event in self.events if event.get("method") in kinds]

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            chunk = os.read(self._read, 1 << 16)
            assert chunk, "the browser ended"
            self._buffer += chunk
        text, _, self._buffer = self._buffer.partition(b"\0")
        return json.loads(text)


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """Start Chromium with an empty profile; it ends with the block."""
    assert CHROMIUM
    to_read, to_write = os.pipe()
    from_read, from_write = os.pipe()

    def place() -> None:  # the browser reads commands from descriptor 3 and writes answers to 4
        commands, answers = os.dup(to_read), os.dup(from_write)
        os.dup2(commands, 3)
        os.dup2(answers, 4)

    process = subprocess.Popen(
        [CHROMIUM, *_OPTIONS, f"--user-data-dir={profile}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        close_fds=False, preexec_fn=place,  # noqa: PLW1509  (the descriptors must be 3 and 4; no threads here)
    )  # fmt: skip
    os.close(to_read)
    os.close(from_write)
    try:
        yield Browser(from_read, to_write)
    finally:
        process.terminate()
        process.wait(10)
        os.close(to_write)
        os.close(from_read)
