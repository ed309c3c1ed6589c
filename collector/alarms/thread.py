"""The thread that looks at the alarms, once a second and whenever something was stored. It stands in nobody's way.

Recording goes on whatever happens here, and this goes on with the next look whatever failed in the last; what keeps
failing is said.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from pathlib import Path

from collector.alarms.engine import Alarms
from collector.clock import UtcClock
from collector.conditions import Conditions
from collector.health import in_full
from soak.quantity import in_words
from soak.wire import AlarmOrders

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
SHORTEST_S = 0.1
"""Between two looks: what is stored meanwhile is seen by the next."""

STUCK_S = 30.0
"""Longer without a look that worked is said. Our own choice: a backup holds the database for seconds."""


class AlarmThread:
    """Runs beside the collector's work.

    Args:
        data_dir: The collector's data folder.
        clock: The collector's wall clock.
        conditions: What is wrong with its surroundings; where it is said that this does not work.
        rehearsed: The clock is a rehearsal's.
    """

    def __init__(self, data_dir: Path, clock: UtcClock, conditions: Conditions, *, rehearsed: bool = False) -> None:
        self._data_dir, self._clock, self._conditions, self._rehearsed = data_dir, clock, conditions, rehearsed
        self._alarms: Alarms | None = None
        self._woken, self._over = threading.Event(), threading.Event()
        self._worked_s = time.monotonic()
        self._problem = ""
        self._looks = 0
        self._thread = threading.Thread(target=self._run, name="alarms", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End after the present look."""
        self._over.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join()

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
        while not self._over.is_set():
            self._woken.wait(LOOK_EVERY_S)
            self._woken.clear()
            if self._over.is_set():
                break
            self._look()
            self._over.wait(SHORTEST_S)
        if self._alarms:
            self._alarms.close()
        log.info("alarms were looked at looks=%d cpu_ms=%d", self._looks, time.thread_time() * 1_000)

    def _look(self) -> None:
        try:
            if self._alarms is None:  # here, for a connection belongs to its thread
                self._alarms = Alarms(self._data_dir, self._clock, self._conditions, rehearsed=self._rehearsed)
            self._alarms.look()
            self._looks += 1
        except Exception as error:
            problem = in_full(error) if isinstance(error, sqlite3.Error) else f"{type(error).__name__}: {error}"
            if problem != self._problem:
                log.exception("a look at the alarms failed; the next one follows")
            self._problem = problem
        else:
            self._worked_s, self._problem = time.monotonic(), ""
