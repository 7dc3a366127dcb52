"""Which adapter a bench means, whatever name was typed: the key of its lock and of its latch."""

from __future__ import annotations

import os
import stat
from pathlib import Path

PTS_MAJORS = range(136, 144)  # pseudo-terminals in Linux' list of device numbers (admin-guide/devices.txt)
_USB_NAMES = ("idVendor", "idProduct", "serial")
_USB_DEPTH = 6  # folders between a serial port and the USB device it belongs to


def identity_of(interface: str, channel: str) -> str:
    """The adapter's own name: serial number where it has one, else the device or the interface.

    A channel outside /dev is a rehearsal's, by its full path.
    """
    if channel.startswith("/") and not channel.startswith("/dev/"):
        real = os.path.realpath(channel)
        if not real.startswith("/dev/") or real.startswith("/dev/pts/"):
            return f"rehearsal:{channel}"
    if channel.startswith("/"):
        real = os.path.realpath(channel)
        return _usb_name(Path("/sys/class/tty") / Path(real).name / "device") or f"serial:{real}"
    return f"{interface}:{channel}"


def _usb_name(device: Path) -> str:
    """Vendor, product and serial number of the USB device above a serial port, "" where there is none."""
    folder = device.resolve()
    for _ in range(_USB_DEPTH):
        try:
            words = [(folder / name).read_text(encoding="utf-8").strip() for name in _USB_NAMES]
            return "usb:" + ":".join(words)
        except (OSError, ValueError):
            folder = folder.parent
    return ""


def is_pseudo_terminal(found: os.stat_result) -> bool:
    """Whether a file is the far end of a pseudo-terminal."""
    return stat.S_ISCHR(found.st_mode) and os.major(found.st_rdev) in PTS_MAJORS
