"""When what is required of a basin has changed: nodes and trackers are told, and soaks judged by it judged again.

It changes when somebody pours, discards, corrects or checks a sensor (`collector/required.py`). Pages and commands
write that beside the collector; it is noticed by the ledger's end. What a faulty version of this program judged is
judged again when somebody opens a look-back for it.
"""

from __future__ import annotations

import logging
from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from itertools import accumulate
from typing import NamedTuple

from collector.intake import Intake
from collector.judging import judge_again
from collector.ledger import COLLECTOR
from collector.lookback.reaching import by_software
from collector.page import DamagedPageError
from collector.record import shelf
from collector.record.things import LookBack
from collector.required import Required
from collector.store import Store

log = logging.getLogger(__name__)


class _Due(NamedTuple):
    """A closure to be judged again."""

    stream: str
    first: int
    last: int
    basin_id: int


class Reassessment:
    """For the thread that has the store.

    Args:
        store: The store.
        intake: What follows the streams in progress.
    """

    def __init__(self, store: Store, intake: Intake) -> None:
        self._store, self._intake = store, intake
        self._said = -1
        self._required: dict[int, list[Required]] = {}
        self._due: deque[_Due] = deque()
        self._faults: set[str] = set()

    def look(self) -> set[str]:
        """See whether anything has changed.

        Returns:
            Nodes of basins of which something else is required now.

        Raises:
            sqlite3.Error: The database cannot be read or written; looking again later finds the same.
        """
        said = self._newest_said()
        if said == self._said:
            return set()
        nodes: set[str] = set()
        required = {basin_id: self._store.required(basin_id) for basin_id in self._store.basin_ids()}
        for basin_id, now in required.items():
            if basin_id in self._required and self._required[basin_id] == now:
                continue
            if self._said >= 0:  # at the start the intake has just read the same
                nodes.add(self._intake.require_again(basin_id))
            self._due.extend(self._misjudged(basin_id, now))
        self._due.extend(self._faultily_judged())
        self._required, self._said = required, said
        return nodes

    def step(self) -> bool:
        """Judge one closure again; False when there is none left.

        Raises:
            sqlite3.Error: The database cannot be read or written; the closure stays due.
        """
        if not self._due:
            return False
        due = self._due[0]
        row = self._store.stream(due.stream)
        if row is not None:
            try:
                with self._store.transaction():
                    judge_again(self._store, row, self._required.get(due.basin_id, []), due.first, due.last)
            except DamagedPageError as error:  # its verdict stays as it was, and the damage is named
                log.error("stream=%s first=%d: %s", due.stream, due.first, error)  # noqa: TRY400
        self._due.popleft()
        return True

    def _newest_said(self) -> int:
        row = self._store.db.conn.execute("SELECT max(number) FROM ledger WHERE who <> ?", (COLLECTOR,)).fetchone()
        return int(row[0] or 0)

    def _faultily_judged(self) -> list[_Due]:
        """What versions judged that an open look-back calls faulty; once in each start: this version may mend it."""
        connection = self._store.db.conn
        rows = connection.execute(
            "SELECT id FROM thing WHERE kind = ? AND open = 1 AND json_extract(body, '$.cause') = ?",
            (LookBack.KIND, by_software.CAUSE),
        ).fetchall()
        new = {look_back_id for (look_back_id,) in rows} - self._faults
        self._faults |= new
        return [
            _Due(each.stream, each.closure.first, each.closure.last, each.basin_id)
            for look_back_id in sorted(new)
            if (look_back := shelf.find(connection, LookBack, look_back_id)) is not None
            for each in by_software.judged_by_faulty(connection, look_back)
        ]

    def _misjudged(self, basin_id: int, required: Sequence[Required]) -> list[_Due]:
        """Closures that stand and were judged by something else than what is required now of their time.

        By which figures of the sensors is not in a verdict's record: it was by others where a later record changes
        them from a time before the closing on. That is so where a node's clock is ahead.
        """
        told = self._store.terms_told(basin_id)
        since_ms = [each.since_ms for each in told]
        newest = list(accumulate((each.record for each in told), max, initial=0))
        return [
            _Due(each.stream, each.first, each.last, basin_id)
            for each in self._store.judged_by(basin_id)
            if each.requirement != _in_force(required, each.closing_utc_ms).requirement
            or newest[bisect_right(since_ms, each.closing_utc_ms)] > each.record
        ]


def _in_force(required: Sequence[Required], utc_ms: int) -> Required:
    return next((each for each in reversed(required) if each.since_ms <= utc_ms), Required(0, None, {}))
