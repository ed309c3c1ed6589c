"""Tells systemd how the service is (sd_notify(3)): a datagram to the socket that it names."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping


class Notifier:
    """Says nothing where systemd does not ask.

    Args:
        environment: Where NOTIFY_SOCKET and WATCHDOG_USEC are.
        now_s: Seconds of a clock that only rises.
    """

    def __init__(
        self, environment: Mapping[str, str] = os.environ, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        path = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + path[1:] if path.startswith("@") else path  # an abstract name
        micros = environment.get("WATCHDOG_USEC", "")
        ours = environment.get("WATCHDOG_PID", "") in ("", str(os.getpid()))
        self._every_s = int(micros) / 2_000_000 if micros.isdigit() and ours else None  # half of it, as it advises
        self._now_s, self._fed_s = now_s, float("-inf")

    def say(self, *lines: str) -> None:
        """Send some of READY=1, STATUS=…, STOPPING=1; lost where nobody listens."""
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to:
            to.setblocking(False)
            try:
                to.sendto("\n".join(lines).encode(), self._address)
            except OSError:  # systemd restarts itself, too
                return

    def feed(self) -> None:
        """Every thread that matters has moved: WATCHDOG=1, at half of the time that systemd allows."""
        if self._every_s is not None and self._now_s() - self._fed_s >= self._every_s:
            self._fed_s = self._now_s()
            self.say("WATCHDOG=1")
