"""Looks at the certificates once an hour: those on the disk, and the one that the broker really shows."""

from __future__ import annotations

import datetime
import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from collector.broker.certificates import Seen, look, shown
from collector.conditions import Conditions
from collector.settings import Settings
from collector.status import Certificate
from host.tls import presented

log = logging.getLogger(__name__)

LOOK_EVERY_S = 3_600.0
_MOST_TOLD = 10

_Show = Callable[[], bytes]


class CertificateWatch:
    """A thread that looks, and says in conditions what ends soon.

    Args:
        settings: Files to look at, and how the broker is reached.
        conditions: Where it is said.
        now: The machine's clock; certificates know no rehearsal.
    """

    def __init__(
        self, settings: Settings, conditions: Conditions, now: Callable[[], datetime.datetime] | None = None
    ) -> None:
        self._files, self._broker, self._conditions = watched(settings), settings.broker, conditions
        self._now = now or (lambda: datetime.datetime.now(datetime.UTC))
        self._seen: list[Seen] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go, name="certificates", daemon=True)

    @property
    def encrypted(self) -> bool:
        """The collector speaks to its broker by TLS."""
        return self._broker.ca_file is not None

    def told(self) -> list[Certificate]:
        """For the status file: what was seen, but for what could not be looked at."""
        return [
            Certificate(seen.name, int(seen.until.timestamp() * 1000), seen.authority)
            for seen in self._seen[:_MOST_TOLD]
            if not seen.problem
        ]

    def start(self) -> None:
        """Begin."""
        if self._files:
            self._thread.start()

    def stop(self) -> None:
        """End; a look at a broker that does not answer is not waited for."""
        self._over.set()

    def look(self) -> None:
        """Look at all of them now."""
        seen = [look(file) for file in self._files]
        if self._broker.ca_file is not None:
            seen += self._shown(self._broker.ca_file)
        say(self._conditions, seen, self._now())
        self._seen = seen

    def _shown(self, ca_file: str) -> list[Seen]:
        host, port = self._broker.host, self._broker.port
        try:
            return [shown(f"shown at {host}:{port}", presented(host, port, ca_file))]
        except OSError:
            return []  # "broker-away" says why

    def _go(self) -> None:
        while not self._over.is_set():
            try:
                self.look()
            except Exception:  # a watch that dies in silence is none
                log.exception("the look at certificates failed; it is tried again")
            self._over.wait(LOOK_EVERY_S)


def watched(settings: Settings) -> list[Path]:
    """The files to look at: the authority's, and those that the settings name."""
    authority = [settings.broker.ca_file] if settings.broker.ca_file else []
    return [Path(file) for file in dict.fromkeys([*authority, *settings.certificates])]


def say(conditions: Conditions, seen: Sequence[Seen], now: datetime.datetime) -> None:
    """Raise and clear what follows from a look."""
    good = [each for each in seen if not each.problem]
    ended = {each.name: f"on {each.until:%Y-%m-%d}" for each in good if each.until <= now}
    ending = [each for each in good if each.warns(now) and each.name not in ended]
    conditions.set_all("certificate-unreadable", {each.name: each.problem for each in seen if each.problem})
    conditions.set_all("certificate-ended", ended)
    for code, authority in (("certificate-ending", False), ("authority-ending", True)):
        conditions.set_all(
            code,
            {
                each.name: f"on {each.until:%Y-%m-%d}, in {each.left(now).days} days"
                for each in ending
                if each.authority is authority
            },
        )
