"""One stream being followed: how far it has been judged, and what no page holds yet.

Verdicts follow the numbers, not the deliveries: readings are judged in the order of their numbers, and judging waits at
a hole for as long as the node still holds what is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from collector.assessor import Assessor
from collector.judging import keep, reach_back
from collector.page import MOST_READINGS
from collector.readings import Anchors, Piece, Stored, dated, singly, stored_pieces, stored_readings
from collector.required import Required
from collector.sealing import redate_pages, seal_pages
from collector.store import Store, StreamRow
from soak.closure import Closure
from soak.ranges import Range
from soak.reading import Reading, Why

_PAGE_AFTER_CLOSED_MS = 60_000
"""A page is sealed at an opening that ends a closure of over a minute."""


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
        self.lost = store.lost(row.id)
        self.judged_to = max(row.resume - 1, 0)
        self.judged_ms = -1
        self.newest: Stored | None = None
        """The reading with the highest number, judged or not."""
        self._store = store
        self._required = required
        self._synchronised = store.synchronised(row.node, row.boot)
        self._assessor = Assessor(required, discard_to=row.resume)
        self._sealed_to = store.sealed_to(row.id)
        unsealed = self.stored.after(self._sealed_to)
        self._run_first = unsealed if unsealed is not None and unsealed <= self.judged_to else None
        """Number of the first reading that is judged and that no page holds."""
        self._running_first: int | None = None
        if self.stored:
            self._catch_up()
            *_, self.newest = stored_readings(store.db, row.id, from_number=self.stored.last or 1)
        self.heard_ms = self.newest.reading.ms if self.newest else -1
        """Boot clock of what was heard last: an older state message says nothing about what came since."""

    def take(self, first: int, readings: list[Reading], anchors: Anchors) -> None:
        """Keep readings, numbers following on, none of which is stored; judge what is next in line."""
        last = first + len(readings) - 1
        self._store.add_batch(self.row.id, first, readings, anchors)
        pieces = list(dated(first, readings, anchors, self._synchronised))
        self.heard_ms = max(self.heard_ms, *(clock.ms for _, clock in anchors))
        self.stored.add(first, last)
        if last == self.stored.last:
            *_, self.newest = singly(pieces[-1]._replace(first=last, readings=readings[-1:]))
        if self.row.over:  # something came after all: the next state message ends it again
            self.row = self.row._replace(over=False)
            self._store.set_over(self.row.id, over=False)
        if self.lost and self.lost.missing(first, last) != [(first, last)]:
            self._store.set_found(self.row.stream, first, last)
            self.lost = self._store.lost(self.row.id)
        if last <= self.judged_to:
            self._late(first, last, pieces)
            return
        if first == self.judged_to + 1:
            self._advance(pieces)
        if self._next_number() in self.stored:
            self._catch_up()

    def lose(self, ranges: Iterable[Range]) -> None:
        """The node no longer holds these numbers: what comes after them can be judged."""
        for first, last in ranges:
            self._store.add_lost(self.row.stream, [(first, last)])
            self.lost.add(first, last)
        self._catch_up()

    def finish(self) -> None:
        """A newer stream has taken this one's place, and nothing of it is still to come."""
        if ended := self._assessor.end():
            keep(self._store, self.row, ended)
        self._seal()
        self.row = self.row._replace(over=True)
        self._store.set_over(self.row.id, over=True)

    def redate(self) -> None:
        """Its boot's clock has become known to be synchronised: date back what came before."""
        self._synchronised = self._store.synchronised(self.row.node, self.row.boot)
        redate_pages(self._store, self.row.id, self._synchronised)
        if self.newest is not None:
            *_, self.newest = stored_readings(self._store.db, self.row.id, from_number=self.newest.number)
        undated = [closure.first for closure in self._store.undated_closures(self.row.id)]
        starts = [*undated, *([self._running_first] if self._running_first else [])]
        if starts:
            self._judge_again(min(starts), self.judged_to)
            if self.row.over and (ended := self._assessor.end()):
                keep(self._store, self.row, ended)

    def missing(self, first: int, last: int) -> list[Range]:
        """Numbers that are neither stored nor known to be lost."""
        return [piece for gap in self.stored.missing(first, last) for piece in self.lost.missing(*gap)]

    def running(self) -> Closure | None:
        """The closure in progress as it stands."""
        return self._assessor.running()

    def _next_number(self) -> int:
        """The next number to judge: the one that follows, or the one after a loss."""
        number = self.judged_to + 1
        lost_to = self.lost.run_end(number) if self.lost else None
        return number if lost_to is None else lost_to + 1

    def _catch_up(self) -> None:
        self._advance(stored_pieces(self._store.db, self.row.id, from_number=self.judged_to + 1))

    def _advance(self, pieces: Iterable[Piece]) -> None:
        """Judge readings in the order of their numbers, up to the first hole that may still be filled."""
        for piece in pieces:
            if piece.first != self.judged_to + 1 and piece.first != self._next_number():
                return
            self._judge(piece)

    def _judge(self, piece: Piece) -> None:
        """Judge readings that are next in line; stop wherever something follows from it."""
        if piece.first != self.judged_to + 1:
            self._seal()
        steps = [index for index, reading in enumerate(piece.readings) if reading.why is Why.CLOCK]
        start = 0
        while start < len(piece.readings):
            if start in steps:
                self._seal(piece)
            before, number = self.judged_to, piece.first + start
            end = next((index for index in steps if index > start), len(piece.readings))
            if number > self._sealed_to:
                self._run_first = self._run_first or number
                end = min(end, self._run_first + MOST_READINGS - piece.first)
            else:
                end = min(end, self._sealed_to + 1 - piece.first)
            end, ended = self._assessor.run(piece, start, end)
            self._judged(before if end == start + 1 else piece.first + end - 2, piece.first + end - 1)
            self.judged_ms = piece.readings[end - 1].ms
            if ended is not None:
                keep(self._store, self.row, ended)
                if ended.closure.opening_seen and ended.closure.closed_ms > _PAGE_AFTER_CLOSED_MS:
                    self._seal(piece)
            if self._run_first is not None and self.judged_to - self._run_first + 1 >= MOST_READINGS:
                self._seal(piece)
            start = end

    def _judged(self, before: int, number: int) -> None:
        """Judged up to `number`; `before` is the reading before it."""
        self.judged_to = number
        running_first = self._assessor.running_first
        if running_first != self._running_first:
            self._running_first = running_first
            if running_first is None:
                self._store.set_resume(self.row.id, number)
            elif not self._assessor.closing_missed:  # else what was in force before must be known again
                self._store.set_resume(self.row.id, before)

    def _late(self, first: int, last: int, pieces: Sequence[Piece]) -> None:
        """Readings that were taken for lost: a page of their own, and what they touch is judged again."""
        seal_pages(self._store, self.row, pieces)
        touched = self._store.standing_closures(self.row.id, first - 1, last + 1)
        self._judge_again(min([first, *(closure.first for _, closure in touched)]), last)

    def _judge_again(self, first: int, last: int) -> None:
        """Something has become known of these readings: judge again from the first on, as far as it matters."""
        before = self.stored.before(reach_back(self._store, self.row, self.stored, first)) or 0
        again = Assessor(self._required, discard_to=before)
        for piece in stored_pieces(self._store.db, self.row.id, from_number=max(before, 1)):
            if piece.first > self.judged_to:
                break
            start = 0
            while start < len(piece.readings):
                start, ended = again.run(piece, start, len(piece.readings))
                if ended:
                    keep(self._store, self.row, ended)
                if last < piece.first + start - 1 < self.judged_to and again.running_first is None:
                    return  # the lid is open: from here on nothing has changed
        self._assessor = again
        self._running_first = running_first = again.running_first
        if running_first is None:
            before = self.judged_to
        elif not again.closing_missed:
            before = self.stored.before(running_first) or 0
        self._store.set_resume(self.row.id, before)

    def _seal(self, at_hand: Piece | None = None) -> None:
        """Make a page of what is judged and on no page; it stands at the end of what is judged.

        Args:
            at_hand: What is being judged: it need not be read again if all of it is there.
        """
        run_first = self._run_first
        if run_first is None:
            return
        if at_hand is not None and at_hand.first <= run_first:
            pieces: Iterable[Piece] = [at_hand.beyond(run_first - 1)]
        else:
            pieces = stored_pieces(self._store.db, self.row.id, from_number=run_first, sealed=False)
        seal_pages(self._store, self.row, [piece for each in pieces if (piece := each.upto(self.judged_to))])
        self._sealed_to, self._run_first = self.judged_to, None
