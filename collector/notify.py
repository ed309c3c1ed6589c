"""What systemd is told of a service of Type=notify (sd_notify(3)); without systemd nobody is told."""

from __future__ import annotations

import os
import socket


def notify(*lines: str) -> bool:
    """Tell systemd "READY=1", "STATUS=…", "WATCHDOG=1", "STOPPING=1"; False if nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as telling:
            telling.setblocking(False)
            telling.sendto("\n".join(lines).encode(), address.replace("@", "\0", 1) if address[0] == "@" else address)
    except OSError:
        return False
    return True


def watchdog_every_s() -> float | None:
    """How often systemd wants to hear WATCHDOG=1: half of its patience; None if it does not ask."""
    asked_us, asked_pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if not asked_us.isdigit() or int(asked_us) == 0 or asked_pid not in ("", str(os.getpid())):
        return None
    return int(asked_us) / 2_000_000
