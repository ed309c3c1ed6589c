"""Closures judged again from their readings, by other terms or another requirement; nothing is written.

What the collector does when something has become known of a closure (`collector/judging.py`), read-only: the same
pages, the same rule, and beside it the rule with what was required at the time, so that a difference which has another
cause is seen to have one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

from sqlite_utils import Database

from collector.assessor import Assessor
from collector.lookback.judged import Judged
from collector.page import DamagedPageError
from collector.readings import Piece, stored_pieces
from collector.required import Required, required_of
from soak.closure import Closure
from soak.ranges import Ranges

Supposed = Callable[[Sequence[Required]], Sequence[Required]]
"""Makes of what was required of a basin what is supposed to have been required."""

_PASS_BEYOND = 7_200
"""Closures at most so many readings apart, two pages, are read in one pass."""


class Reread(NamedTuple):
    """What the readings say.

    Attributes:
        judged: The closure as it stands on record.
        present: Judged by the present rule and what was required at the time; None if the readings give no such
            closure any more, or cannot be read.
        supposed: Judged by what is supposed.
        trouble: Why there is no answer, in words; empty if there is one.
    """

    judged: Judged
    present: Closure | None
    supposed: Closure | None
    trouble: str = ""


class Rereading:
    """Rereads closures of one database; keeps what was required of each basin, and what is stored of each stream."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._db = Database(connection)
        self._required: dict[int, list[Required]] = {}
        self._most_u_mc: dict[int, int] = {}
        self._stored: dict[int, Ranges] = {}

    def required(self, basin_id: int) -> list[Required]:
        """What has been required of a basin, oldest first."""
        if basin_id not in self._required:
            self._required[basin_id] = required_of(self._connection, basin_id)
        return self._required[basin_id]

    def most_u_mc(self, basin_id: int) -> int:
        """The largest U that a sensor of a basin has ever had, by what is on record."""
        if basin_id not in self._most_u_mc:
            terms = [each for required in self.required(basin_id) for each in required.terms.values()]
            self._most_u_mc[basin_id] = max((each.u_mc for each in terms), default=0)
        return self._most_u_mc[basin_id]

    def one(self, judged: Judged, supposed: Supposed) -> Reread:
        """One closure."""
        return next(iter(self.many([judged], supposed)))

    def many(self, several: Iterable[Judged], supposed: Supposed | None = None) -> Iterator[Reread]:
        """Closures, by stream and number; memory does not grow with their number.

        Args:
            several: Which.
            supposed: What is supposed; if not given, only the present rule is applied.
        """
        run: list[Judged] = []
        for each in sorted(several, key=lambda each: (each.stream_id, each.closure.first)):
            if run and not _follows(run[-1], each):
                yield from self._pass(run, supposed)
                run = []
            run.append(each)
        if run:
            yield from self._pass(run, supposed)

    def _pass(self, run: Sequence[Judged], supposed: Supposed | None) -> Iterator[Reread]:
        """Closures of one stream, close together, by their numbers."""
        wanted = {each.closure.first: each for each in run}
        trouble = "Its readings give no such closure any more."
        try:
            for present, other in self._closures(run, supposed):
                if present.first in wanted:
                    yield Reread(wanted.pop(present.first), present, other or present)
        except DamagedPageError as error:
            trouble = str(error)
        for each in wanted.values():
            yield Reread(each, None, None, trouble)

    def _closures(self, run: Sequence[Judged], supposed: Supposed | None) -> Iterator[tuple[Closure, Closure | None]]:
        """What the present rule says, and what it says with what is supposed."""
        stream_id, required = run[0].stream_id, self.required(run[0].basin_id)
        last = run[-1].closure.last
        before = self._before(stream_id, run[0].closure.first)
        present = Assessor(required, discard_to=before)
        other = Assessor(supposed(required), discard_to=before) if supposed else None
        for piece in stored_pieces(self._db, stream_id, from_number=max(before, 1)):
            start, count = 0, len(piece.readings)
            while start < count:
                end, ended = present.run(piece, start, count)
                also = _run_to(other, piece, start, end) if other else None
                if ended:
                    yield ended.closure, also
                start, number = end, piece.first + end - 1
                if number > last and (present.running_first is None or present.running_first > last):
                    return
        if ended := present.end():  # the stream ends with it
            also_ended = other.end() if other else None
            yield ended.closure, also_ended.closure if also_ended else None

    def _before(self, stream_id: int, first: int) -> int:
        """The reading to begin with: the one before a closure; after a loss, the one before the closure before that.

        As `collector.judging.reach_back`: what was in force before a loss may judge what comes after it.
        """
        if stream_id not in self._stored:
            sql = """SELECT first, last FROM page WHERE stream_id = ?1
                     UNION ALL SELECT first, last FROM batch WHERE stream_id = ?1"""
            self._stored[stream_id] = Ranges(self._connection.execute(sql, (stream_id,)).fetchall())
        stored = self._stored[stream_id]
        while (before := stored.before(first)) and before != first - 1:
            sql = """SELECT min(first) FROM closure
                     WHERE stream_id = ?1 AND first <= ?2 AND last >= ?2 AND superseded_by IS NULL"""
            (earlier,) = self._connection.execute(sql, (stream_id, before)).fetchone()
            if earlier is None:
                break
            first = earlier
        return stored.before(first) or 0


def _follows(one: Judged, other: Judged) -> bool:
    return one.stream_id == other.stream_id and other.closure.first - one.closure.last <= _PASS_BEYOND


def _run_to(assessor: Assessor, piece: Piece, start: int, end: int) -> Closure | None:
    """Take readings in; the closure that ended among them."""
    found = None
    while start < end:
        start, ended = assessor.run(piece, start, end)
        found = ended.closure if ended else found
    return found
