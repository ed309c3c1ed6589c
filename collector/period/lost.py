"""Readings that never came, and where in time they belong."""

from __future__ import annotations

from typing import NamedTuple

from collector.period.looking import Looking


class Lost(NamedTuple):
    """Readings that never came.

    Attributes:
        basin: "node/name".
        stream: Their stream.
        first: Number of the first.
        last: Number of the last.
        after_ms: The last reading before them that is on record.
        before_ms: The first one after them.
        noticed_ms: When it was noticed.
        found_ms: When they came after all.
    """

    basin: str
    stream: str
    first: int
    last: int
    after_ms: int | None
    before_ms: int | None
    noticed_ms: int
    found_ms: int | None

    @property
    def readings(self) -> int:
        """How many."""
        return self.last - self.first + 1


def lost_of(look: Looking) -> list[Lost]:
    """Whose place in time touches the range; where nothing is on record on one side, when it was noticed decides."""
    keys = {each.id: each.key for each in look.asked.basins}
    rows = look.book.connection.execute(
        """SELECT s.basin_id, s.stream, l.first, l.last, l.noticed_ms, l.found_ms,
               (SELECT last_utc_ms FROM page_index i WHERE i.stream_id = s.id AND i.first < l.first
                ORDER BY i.first DESC LIMIT 1),
               (SELECT first_utc_ms FROM page_index i WHERE i.stream_id = s.id AND i.first > l.last
                ORDER BY i.first LIMIT 1)
           FROM lost l JOIN stream s ON s.id = l.stream_id ORDER BY l.noticed_ms, s.id, l.first"""
    ).fetchall()
    found = []
    for basin_id, stream, first, last, noticed_ms, found_ms, after_ms, before_ms in rows:
        begin_ms = noticed_ms if after_ms is None else after_ms
        end_ms = max(begin_ms, noticed_ms) if before_ms is None else before_ms
        if basin_id in keys and begin_ms < look.asked.until_ms and end_ms >= look.asked.since_ms:
            found.append(Lost(keys[basin_id], stream, first, last, after_ms, before_ms, noticed_ms, found_ms))
    return found
