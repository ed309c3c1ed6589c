"""Notices threads that are dead or stuck, has them mended, and feeds systemd's watchdog while all is well.

A thread that matters shows by its pulse that it moves. Whoever mends one cuts off the old thread and starts another.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from firmware.errors import StuckError

log = logging.getLogger(__name__)

LOOK_S = 1.0
MOST_FRUITLESS = 5
"""So often in a row something is mended without moving once after it."""

_LONGEST_LIMIT_S = 3_600.0


class Pulse:
    """The sign of life of one thread.

    Args:
        name: What it is, for people.
        limit_s: Seconds without a movement that are still nothing to worry about.
        now_s: Seconds of a clock that only rises.
    """

    def __init__(self, name: str, limit_s: float, now_s: Callable[[], float] = time.monotonic) -> None:
        self.name, self.limit_s, self._now_s = name, limit_s, now_s
        self._moved_s = now_s()
        self._moves = 0
        self._thread: threading.Thread | None = None

    def of(self, thread: threading.Thread) -> None:
        """This thread shows it from now on: if it ends, that is noticed at once."""
        self._thread, self._moved_s = thread, self._now_s()

    def moved(self) -> None:
        """It moves."""
        self._moved_s = self._now_s()
        self._moves += 1

    def moves(self) -> int:
        """How often it has moved."""
        return self._moves

    def ailment(self, limit_s: float) -> str:
        """What is wrong with it, in a few words; nothing while it is well."""
        if self._thread is not None and self._thread.ident is not None and not self._thread.is_alive():
            return "has ended"
        still_s = self._now_s() - self._moved_s
        return f"has not moved for {still_s:.0f} s" if still_s > limit_s else ""


class _Watched:
    def __init__(self, pulse: Pulse, mend: Callable[[], None] | None, *, vital: bool) -> None:
        self.pulse, self.mend, self.vital = pulse, mend, vital
        self.fruitless, self.moves_at_mending = 0, -1

    def limit_s(self) -> float:
        return float(min(self.pulse.limit_s * 2**self.fruitless, max(_LONGEST_LIMIT_S, self.pulse.limit_s)))


class Watch:
    """Looks once a second, in a thread of its own.

    Args:
        on_good: Called at each look at which nothing is wrong that matters, with nothing to say.
        on_stuck: Called once with the error when something cannot be mended.

    Attributes:
        failure: What cannot be mended, if anything.
    """

    def __init__(self, on_good: Callable[[], None], on_stuck: Callable[[StuckError], None]) -> None:
        self.failure: StuckError | None = None
        self._on_good, self._on_stuck = on_good, on_stuck
        self._watched: list[_Watched] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def add(self, pulse: Pulse, mend: Callable[[], None] | None = None, *, vital: bool = True) -> None:
        """Watch a thread.

        Args:
            pulse: Its sign of life.
            mend: Puts another in its place; None where nobody can.
            vital: Without it the process is worth nothing. A sensor's thread is not: the others are read on, and what
                it does not read is a fault in every reading.
        """
        self._watched.append(_Watched(pulse, mend, vital=vital))

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def look(self) -> None:
        """Look once at everything."""
        for watched in self._watched:
            if ailment := watched.pulse.ailment(watched.limit_s()):
                self._treat(watched, ailment)
            elif watched.pulse.moves() != watched.moves_at_mending:
                watched.fruitless = 0
        if self.failure is None:
            self._on_good()

    def _run(self) -> None:
        while not self._stop.wait(LOOK_S):
            try:
                self.look()
            except Exception:
                log.exception("watch failed; systemd restarts the process if this goes on")

    def _treat(self, watched: _Watched, ailment: str) -> None:
        name = watched.pulse.name
        if watched.mend and (watched.fruitless < MOST_FRUITLESS or not watched.vital):
            log.error("watch %s %s; another is put in its place", name, ailment)
            watched.fruitless += 1
            watched.moves_at_mending = watched.pulse.moves()
            watched.mend()
        elif watched.vital and self.failure is None:
            self.failure = StuckError(name, ailment)
            log.critical("%s", self.failure)
            self._on_stuck(self.failure)
