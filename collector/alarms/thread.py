"""The thread that looks at the alarms: at everything once a second, at new records whenever something was stored.

It stands in nobody's way. Recording goes on whatever happens here, and this goes on with the next look whatever failed
in the last; what keeps failing is said.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from pathlib import Path

from collector.alarms.engine import Alarms
from collector.alarms.routes import Routes
from collector.backup.schedule import BackupSchedule
from collector.clock import UtcClock
from collector.conditions import Conditions
from collector.health import in_full
from collector.settings import Settings
from soak.quantity import in_words
from soak.rehearsal import Rehearsal
from soak.wire import AlarmOrders

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
SHORTEST_S = 0.05
"""Between two looks of either kind: what is stored meanwhile is seen by the next."""

STUCK_S = 30.0
"""Longer without a look that worked is said. Our own choice: a backup holds the database for seconds."""


class AlarmThread:
    """Runs beside the collector's work.

    Args:
        data_dir: The collector's data folder.
        clock: The collector's wall clock.
        conditions: What is wrong with its surroundings; where it is said that this does not work.
        settings: Who is told of alarms.
        rehearsal: Its clock; None in earnest.

    Raises:
        SettingsError: A file of routes cannot be read.
    """

    def __init__(
        self,
        data_dir: Path,
        clock: UtcClock,
        conditions: Conditions,
        settings: Settings,
        rehearsal: Rehearsal | None = None,
    ) -> None:
        self._settings, self._routes = settings, Routes(settings.notify, clock)
        self._data_dir, self._clock, self._conditions, self._rehearsal = data_dir, clock, conditions, rehearsal
        self._alarms: Alarms | None = None
        self._woken, self._over = threading.Event(), threading.Event()
        self._worked_s = time.monotonic()
        self._problem = ""
        self._looks = [0, 0]
        self._thread = threading.Thread(target=self._run, name="alarms", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._routes.start()
        self._thread.start()

    def stop(self) -> None:
        """End after the present look."""
        self._over.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join()
        self._routes.stop()

    def wake(self) -> None:
        """Something was stored."""
        self._woken.set()

    def watch(self) -> None:
        """Say it when no look has worked for a while; asked by another thread, so that a stuck look is noticed too."""
        still_s = time.monotonic() - self._worked_s
        if still_s > STUCK_S:
            detail = f"for {in_words(int(still_s) * 1000)}" + (f": {self._problem}" if self._problem else "")
            self._conditions.set("alarms-stuck", detail=detail)
        else:
            self._conditions.clear("alarms-stuck")

    def orders(self) -> dict[str, list[AlarmOrders]]:
        """By basin as "node/name", what its node is to signal."""
        return self._alarms.orders() if self._alarms else {}

    def changed(self) -> set[str]:
        """Nodes whose part of `orders` has changed since this was last asked."""
        return self._alarms.changed() if self._alarms else set()

    def _run(self) -> None:
        due_s, more = 0.0, False
        while not self._over.is_set():
            if not more:
                self._woken.wait(max(0.0, due_s - time.monotonic()))
            self._woken.clear()
            if self._over.is_set():
                break
            whole = time.monotonic() >= due_s
            more = self._look(whole=whole)
            if whole:
                due_s = time.monotonic() + LOOK_EVERY_S
            self._over.wait(SHORTEST_S)
        if self._alarms:
            self._alarms.close()
        log.info("alarms were looked at whole=%d records=%d cpu_ms=%d", *self._looks, time.thread_time() * 1_000)

    def _look(self, *, whole: bool) -> bool:
        """Look at everything, or at new records only; True if there is more of these."""
        try:
            if self._alarms is None:  # here, for a connection belongs to its thread
                rehearsal = self._rehearsal
                self._alarms = Alarms(
                    self._data_dir,
                    self._clock,
                    self._conditions,
                    self._settings,
                    self._routes,
                    past_until_ms=rehearsal.utc_origin_ms if rehearsal else None,
                    backups=BackupSchedule(
                        self._data_dir, self._settings.backup, self._conditions, rehearsal.text() if rehearsal else ""
                    ),
                )
            if whole and self._routes.mend():
                log.error("what sends notices had died or hung; it was begun anew")
            more = self._alarms.look() if whole else self._alarms.follow()
        except Exception as error:
            problem = in_full(error) if isinstance(error, sqlite3.Error) else f"{type(error).__name__}: {error}"
            if problem != self._problem:
                log.exception("a look at the alarms failed; the next one follows")
            self._problem = problem
            if self._alarms is not None:
                self._alarms.tell_unstored()
            return False
        self._looks[not whole] += 1
        if whole:  # which looks at new records too
            self._worked_s, self._problem = time.monotonic(), ""
        return more
