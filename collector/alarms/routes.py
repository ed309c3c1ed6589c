"""Notices on their way to people: never in the way of recording.

What waits is kept here, what sends is a process of its own (`collector.alarms.route_process`), and a thread goes
between the two. Whoever hands in a notice waits for none of them.
"""

from __future__ import annotations

import contextlib
import logging
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path

from collector.alarms.lane import Lane, Pace
from collector.alarms.notices import Notice, Outcome
from collector.alarms.route_child import RouteChild, RoutesErrand
from collector.alarms.route_files import read_routes
from collector.clock import UtcClock
from collector.errors import SettingsError
from collector.settings import NotifySettings

__all__ = ["Notice", "Outcome", "Pace", "Routes"]

log = logging.getLogger(__name__)

_MOST_OUTCOMES = 20_000
_LONGEST_WAIT_S = 1.0
_LIVED_WELL_S = 30.0
_LONGEST_PAUSE_S = 60.0
_PATIENCE_S = 8.0
_NO_ANSWER_LIMITS = 3
_ENDED = "the process that sends had died or hung; what it was sending may have arrived all the same"
_NOT_BEGUN = "the process that sends could not be begun"


class Routes:
    """Every route of everybody on the list.

    Args:
        people: In the order in which they are told.
        clock: The collector's wall clock, for the times of outcomes.
        pace: How fast; tests go faster.

    Raises:
        SettingsError: A file of routes cannot be read, by file and line.
    """

    def __init__(self, people: Sequence[NotifySettings], clock: UtcClock, pace: Pace | None = None) -> None:
        self._clock, self._pace = clock, pace or Pace()
        self._lanes: list[Lane] = []
        urls: list[str] = []
        for person in people:
            try:
                routes = read_routes(Path(person.urls_file))
            except ValueError as error:
                raise SettingsError(f"Notifications for {person.person!r}: {error}") from None
            urls += [route.url for route in routes]
            self._lanes += [Lane(person.person, route.name, self._pace) for route in routes]
        self._errand = RoutesErrand(urls, self._pace.limit_s)
        self._outcomes: deque[Outcome] = deque(maxlen=_MOST_OUTCOMES)
        self._lock = threading.Lock()  # over lanes and outcomes; never held while anything waits
        self._begun_s: dict[str, float] = {}
        self._failing: set[int] = set()
        self._child: RouteChild | None = None
        self._child_begun_s, self._next_child_s, self._short_lives = 0.0, 0.0, 0
        self._renewed = False
        self._thread: threading.Thread | None = None
        self._stopping = self._stopped = False
        self._woken: socket.socket | None = None
        self._waking: socket.socket | None = None

    def start(self) -> None:
        """Begin to send; returns at once. With nobody on the list there is nothing to begin."""
        if self._lanes and not self._stopped:
            if self._waking is None:
                self._woken, self._waking = socket.socketpair()
                self._woken.setblocking(False)
                self._waking.setblocking(False)
            self._thread = threading.Thread(target=self._work, name="routes", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End at once; what is not sent is among the outcomes, as failed."""
        self._stopping = True
        self._wake()
        if self._thread is not None:
            self._thread.join(_PATIENCE_S)
        if self._child is not None:  # the thread has died, or does not come back
            self._child.end()
        self._thread, self._child = None, None
        with self._lock:
            self._stopped = True
            for end in (self._waking, self._woken):
                if end is not None:
                    end.close()
            for lane in self._lanes:
                self._outcomes += lane.give_back(self._clock())

    def listed(self) -> list[tuple[str, str]]:
        """Every route there is: person and route, as outcomes name them."""
        return [(lane.person, lane.route) for lane in self._lanes]

    def send(self, notice: Notice) -> None:
        """Send a notice over every route of its person. Never waits, never fails: what becomes of it is an outcome."""
        at_ms, found = self._clock(), False
        with self._lock:
            for lane in self._lanes:
                if lane.person == notice.person:
                    found = True
                    self._outcomes += lane.put(notice, time.monotonic(), at_ms)
                    if self._stopped:
                        self._outcomes += lane.give_back(at_ms)
            if not found:
                text = "nobody of this name is on the list in the settings"
                self._outcomes.append(Outcome(notice.key, notice.person, "", False, text, 0, at_ms))
        self._wake()

    def outcomes(self) -> list[Outcome]:
        """What has become known since the last call, oldest first."""
        with self._lock:
            known = list(self._outcomes)
            self._outcomes.clear()
        return known

    def alive(self) -> bool:
        """Notices go out as they come, or nobody is on the list."""
        return self._thread is None or self._thread.is_alive()

    def mend(self) -> bool:
        """Begin the thread anew if it has died; True if it, or the process, was begun anew since the last call."""
        if not self.alive() and not self._stopping:
            self.start()
            self._renewed = True
        renewed, self._renewed = self._renewed, False
        return renewed

    def _wake(self) -> None:
        if self._waking is not None:
            with contextlib.suppress(OSError):  # full: it wakes anyway; or closed: nobody is there to wake
                self._waking.send(b".")

    def _work(self) -> None:
        self._give_up_child(_ENDED)  # of a thread before this one
        try:
            while not self._stopping:
                self._tend()
                self._begin()
                self._wait()
                self._hear()
        finally:
            if self._child is not None:
                self._child.end()
                self._child = None

    def _tend(self) -> None:
        """See that there is a process, and that it is well."""
        now_s = time.monotonic()
        child = self._child
        if child is not None:
            silent = now_s - child.heard_s > self._pace.silent_s
            oldest_s = min(self._begun_s.values(), default=now_s)
            if silent or now_s - oldest_s > _NO_ANSWER_LIMITS * self._pace.limit_s + self._pace.silent_s:
                self._give_up_child(_ENDED)
        if self._child is None and now_s >= self._next_child_s:
            self._child_begun_s, self._next_child_s = now_s, now_s + self._pace.renew_s
            try:
                self._child = RouteChild(self._errand)
            except OSError as error:
                log.warning("notifications: %s (%s)", _NOT_BEGUN, error.strerror)

    def _begin(self) -> None:
        """Hand on what is due; without a process it fails, and is tried again."""
        with self._lock:
            now_s = time.monotonic()
            begun = [
                (f"{number}.{int(high)}", message)
                for number, lane in enumerate(self._lanes)
                for high, message in lane.begin(now_s)
            ]
        for topic, message in begun:
            self._begun_s[topic] = now_s
            if self._child is None:
                self._end(topic, False, _NOT_BEGUN)
            else:
                self._child.send(topic, message)

    def _wait(self) -> None:
        if self._woken is None:
            return
        with self._lock:
            next_s = min(lane.next_s() for lane in self._lanes)
            if self._child is None:
                next_s = min(next_s, self._next_child_s)
        wait_s = min(_LONGEST_WAIT_S, max(0.0, next_s - time.monotonic()))
        awaited = [self._woken.fileno()] + ([] if self._child is None else [self._child.fileno()])
        select.select(awaited, [], [], wait_s)
        with contextlib.suppress(BlockingIOError):
            self._woken.recv(4_096)

    def _hear(self) -> None:
        if self._child is None:
            return
        said = self._child.hear()
        if said is None:
            self._give_up_child(_ENDED)
            return
        for topic, result in said:
            self._end(topic, result.ok, result.detail)

    def _end(self, topic: str, ok: bool, detail: str) -> None:
        self._begun_s.pop(topic, None)
        number, high = map(int, topic.split("."))
        lane = self._lanes[number]
        with self._lock:
            self._outcomes += lane.end(bool(high), ok, detail, time.monotonic(), self._clock())
        if ok is (number not in self._failing):
            return
        if ok:
            self._failing.discard(number)
            log.info("notifications: %s of %s works again", lane.route, lane.person)
        else:
            self._failing.add(number)
            log.warning("notifications: %s of %s: %s", lane.route, lane.person, detail)

    def _give_up_child(self, why: str) -> None:
        """Another process will be begun; what this one was sending has failed, and is tried again."""
        if self._child is not None:
            self._child.end()
            self._child, self._renewed = None, True
            log.error("notifications: %s", why)
            now_s = time.monotonic()
            self._short_lives = 0 if now_s - self._child_begun_s > _LIVED_WELL_S else self._short_lives + 1
            self._next_child_s = now_s + min(_LONGEST_PAUSE_S, self._pace.renew_s * (2**self._short_lives - 1))
        for topic in list(self._begun_s):
            self._end(topic, False, why)
