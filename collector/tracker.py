"""One stream being followed: how far it has been judged, and the readings that no page holds yet.

Verdicts follow the numbers, not the deliveries: readings are judged in the order of their numbers, and judging waits at
a hole for as long as the node still holds what is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from collector.assessor import Assessor, Ended
from collector.page import MOST_READINGS, seal
from collector.readings import Stored, dated, stored_readings
from collector.store import Required, Store, StreamRow
from soak.closure import Closure
from soak.ranges import Range
from soak.reading import Why
from soak.wire import Clock

_PAGE_AFTER_CLOSED_MS = 60_000
"""A page is sealed at an opening that ends a closure of over a minute."""

_SAME_CLOCK_MS = 10
"""Clock anchors this close say the same: reading two clocks one after the other is no better."""


class StreamTracker:
    """Follows one stream and writes what follows from it to the store.

    Args:
        store: Where to. Making a tracker and every call that takes readings stand in one of its transactions.
        row: The stream.
        required: What has been required of its basin, oldest first.
    """

    def __init__(self, store: Store, row: StreamRow, required: Sequence[Required]) -> None:
        self.row = row
        self.stored = store.stored(row.id)
        self.judged_to = 0
        self.judged_ms = -1
        self.newest: Stored | None = None
        """The reading with the highest number, judged or not."""
        self._store = store
        self._required = required
        self._lost = store.lost(row.id)
        self._assessor = Assessor(required, discard_to=row.resume)
        self._sealed_to = store.sealed_to(row.id)
        self._run: list[Stored] = []
        self._running_first: int | None = None
        if self.stored:
            self._read_again(row.resume)
            *_, self.newest = stored_readings(store.db, row.id, from_number=self.stored.last or 1)
        self.heard_ms = self.newest.reading.ms if self.newest else -1
        """Boot clock of what was heard last: an older state message says nothing about what came since."""

    def _read_again(self, resume: int) -> None:
        """After a restart: take up what no page holds, and judge again from just before the closure in progress."""
        for each in stored_readings(self._store.db, self.row.id, from_number=min(self._sealed_to + 1, max(resume, 1))):
            if each.number >= resume:
                break
            if each.number > self._sealed_to:
                self._run.append(each)
        self.judged_to = max(resume - 1, 0)
        self._catch_up()

    def take(self, readings: Sequence[Stored], clock: Clock) -> None:
        """Readings, numbers following on, have just been stored; judge what is next in line."""
        first, last = readings[0].number, readings[-1].number
        self.heard_ms = max(self.heard_ms, clock.ms)
        self.stored.add(first, last)
        if last == self.stored.last:
            self.newest = readings[-1]
        if self.row.over:  # something came after all: the next state message ends it again
            self.row = self.row._replace(over=False)
            self._store.set_over(self.row.id, over=False)
        if self._lost.missing(first, last) != [(first, last)]:
            self._store.set_found(self.row.id, first, last)
            self._lost = self._store.lost(self.row.id)
        if last <= self.judged_to:
            self._late(readings)
            return
        if first == self.judged_to + 1:
            self._advance(readings)
        if self._next_number() in self.stored:
            self._catch_up()

    def lose(self, ranges: Iterable[Range]) -> None:
        """The node no longer holds these numbers: what comes after them can be judged."""
        for first, last in ranges:
            self._store.add_lost(self.row.id, [(first, last)])
            self._lost.add(first, last)
        self._catch_up()

    def finish(self) -> None:
        """A newer stream has taken this one's place, and nothing of it is still to come."""
        if ended := self._assessor.end():
            self._keep(ended)
        self._seal()
        self._store.set_over(self.row.id, over=True)

    def missing(self, first: int, last: int) -> list[Range]:
        """Numbers that are neither stored nor known to be lost."""
        return [piece for gap in self.stored.missing(first, last) for piece in self._lost.missing(*gap)]

    def running(self) -> Closure | None:
        """The closure in progress as it stands."""
        return self._assessor.running()

    def _next_number(self) -> int:
        """The next number to judge: the one that follows, or the one after a loss."""
        number = self.judged_to + 1
        lost_to = self._lost.run_end(number)
        return number if lost_to is None else lost_to + 1

    def _catch_up(self) -> None:
        self._advance(stored_readings(self._store.db, self.row.id, from_number=self.judged_to + 1))

    def _advance(self, stored: Iterable[Stored]) -> None:
        """Judge readings in the order of their numbers, up to the first hole that may still be filled."""
        for each in stored:
            if each.number != self.judged_to + 1 and each.number != self._next_number():
                return
            self._judge(each)

    def _judge(self, each: Stored) -> None:
        before = self.judged_to
        if self._run and (each.number != before + 1 or each.reading.why is Why.CLOCK):
            self._seal()
        ended = self._assessor.feed(each)
        self.judged_to, self.judged_ms = each.number, each.reading.ms
        if each.number > self._sealed_to:
            self._run.append(each)
        running_first = self._assessor.running_first
        if running_first != self._running_first:
            self._running_first = running_first
            self._store.set_resume(self.row.id, before if running_first else each.number)
        if ended is not None:
            self._keep(ended)
            if ended.closure.opening_seen and ended.closure.closed_ms > _PAGE_AFTER_CLOSED_MS:
                self._seal()
        if len(self._run) >= MOST_READINGS:
            self._seal()

    def _keep(self, ended: Ended) -> None:
        """Keep a verdict; an earlier one on the same readings is superseded, the same one is not repeated."""
        closure = ended.closure
        standing = self._store.standing_closures(self.row.id, closure.first, closure.last)
        if any(known == closure for _, known in standing):
            return
        closure_id = self._store.add_closure(self.row, closure, ended.offset_ms, synced=ended.synced)
        for known_id, _ in standing:
            self._store.supersede(known_id, closure_id)

    def _late(self, readings: Sequence[Stored]) -> None:
        """Readings that were taken for lost: a page of their own, and what they touch is judged again."""
        first, last = readings[0].number, readings[-1].number
        self._seal_page(readings)
        touched = self._store.standing_closures(self.row.id, first - 1, last + 1)
        start = min([first, *(closure.first for _, closure in touched)])
        before = self.stored.before(start) or 0
        again = Assessor(self._required, discard_to=before)
        for each in stored_readings(self._store.db, self.row.id, from_number=max(before, 1)):
            if each.number > self.judged_to:
                break
            if ended := again.feed(each):
                self._keep(ended)
            if each.number > last and again.running_first is None:
                return  # the lid is open: from here on nothing has changed
        self._assessor = again
        self._running_first = again.running_first
        self._store.set_resume(self.row.id, before)

    def _seal(self) -> None:
        if self._run:
            self._seal_page(self._run)
            self._sealed_to = self._run[-1].number
            self._run = []

    def _seal_page(self, run: Sequence[Stored]) -> None:
        anchors: list[tuple[int, Clock]] = []
        offset_ms, synced = 0, None
        for index, each in enumerate(run):
            here_ms = each.utc_ms - each.reading.ms
            if abs(here_ms - offset_ms) > _SAME_CLOCK_MS or each.clock.synced is not synced:
                anchors.append((index, each.clock))
                offset_ms, synced = here_ms, each.clock.synced
        readings, numbers = [each.reading for each in run], (run[0].number, run[-1].number)
        sha256, body = seal(self.row.stream, numbers[0], readings, anchors)
        times_utc_ms = [each.utc_ms for each in dated(numbers[0], readings, anchors)]  # as they will be read
        self._store.seal(self.row.id, numbers, (min(times_utc_ms), max(times_utc_ms)), sha256, body)
