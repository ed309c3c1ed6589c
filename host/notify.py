"""Tells systemd how a service of Type=notify is (sd_notify(3)); without systemd nobody is told."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping


def notify(*lines: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Tell systemd "READY=1", "STATUS=…", "WATCHDOG=1", "STOPPING=1"; False if nobody listens."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as telling:
            telling.setblocking(False)
            telling.sendto("\n".join(lines).encode(), address.replace("@", "\0", 1) if address[0] == "@" else address)
    except OSError:  # systemd restarts itself, too
        return False
    return True


def watchdog_every_s(environment: Mapping[str, str] = os.environ) -> float | None:
    """How often systemd wants to hear WATCHDOG=1: half of its patience; None if it does not ask."""
    asked_us, asked_pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not asked_us.isdigit() or int(asked_us) == 0 or asked_pid not in ("", str(os.getpid())):
        return None
    return int(asked_us) / 2_000_000


class Notifier:
    """Says nothing where systemd does not ask.

    Args:
        environment: Where NOTIFY_SOCKET and WATCHDOG_USEC are.
        now_s: Seconds of a clock that only rises.
    """

    def __init__(
        self, environment: Mapping[str, str] = os.environ, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._environment, self._now_s = environment, now_s
        self._every_s = watchdog_every_s(environment)
        self._fed_s = float("-inf")

    def say(self, *lines: str) -> None:
        """Send some of READY=1, STATUS=…, STOPPING=1; lost where nobody listens."""
        notify(*lines, environment=self._environment)

    def feed(self) -> None:
        """Every thread that matters has moved: WATCHDOG=1, at half of the time that systemd allows."""
        if self._every_s is not None and self._now_s() - self._fed_s >= self._every_s:
            self._fed_s = self._now_s()
            self.say("WATCHDOG=1")
