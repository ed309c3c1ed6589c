"""When basins gave no temperature: from the courses kept beside their pages, and the readings not sealed yet."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from sqlite_utils import Database

from collector.course import Values, course_of, values_of
from collector.period.asked import Asked, BasinRow
from collector.period.sealed import sealed_to
from collector.readings import stored_pieces
from soak.ranges import Range

LEAST_MS = 60_000
"""Shorter gaps are not told: our own choice. What a soak lacks by them is in its own findings."""


class Silence(NamedTuple):
    """Gaps of one basin in the range.

    Attributes:
        basin: "node/name".
        gaps: Times of a minute or more in which a sensor gave no value, each with that sensor; "" for all of them.
        heard: Its first and its last value in the range; None: not one.
        stopped: Sensors that gave no value from a moment on while others of the basin did.
    """

    basin: str
    gaps: list[tuple[str, Range]]
    heard: Range | None
    stopped: tuple[tuple[str, int], ...] = ()

    @property
    def total_ms(self) -> int:
        """All gaps added up; what several sensors lacked at once counts once."""
        total = reached = 0
        for begin, end in sorted(gap for _, gap in self.gaps):
            total += max(0, end - max(begin, reached))
            reached = max(reached, end)
        return total

    @property
    def longest_ms(self) -> int:
        """The longest of them."""
        return max((end - begin for _, (begin, end) in self.gaps), default=0)


def silence_of(db: Database, basin: BasinRow, asked: Asked) -> Silence:
    """The gaps of a basin.

    Before its very first value nothing is missing: it was not watched yet. A sensor's silence until the end of the
    range counts only where the whole basin is silent: it may have been replaced.
    """
    streams = [row[0] for row in db.execute("SELECT id FROM stream WHERE basin_id = ? ORDER BY id", (basin.id,))]
    unsealed = _unsealed(db, streams)
    known = [_first_ms(db, basin) or asked.until_ms, *(begin for begin, _ in unsealed)]
    begin_ms = max(asked.since_ms, min(known))
    if begin_ms >= asked.until_ms:
        return Silence(basin.key, [], None)
    gaps: list[tuple[str, Range]] = []
    last: dict[str, int] = {}
    first_ms: int | None = None
    for values in _in_order(_pages(db, streams, asked), unsealed):
        for sensor, (from_ms, to_ms, inner) in sorted(values.items()):
            if to_ms < asked.since_ms or from_ms >= asked.until_ms:
                continue
            first_ms = from_ms if first_ms is None else min(first_ms, from_ms)
            if sensor in last and from_ms - last[sensor] >= LEAST_MS:
                gaps.append((sensor, (last[sensor], from_ms)))
            gaps += ((sensor, gap) for gap in inner)
            last[sensor] = max(to_ms, last.get(sensor, 0))
    if first_ms is None:
        return Silence(basin.key, [("", (begin_ms, asked.until_ms))], None)
    gaps += [("", (begin_ms, first_ms)), ("", (max(last.values()), asked.until_ms))]
    cut = [(sensor, (max(begin, begin_ms), min(end, asked.until_ms))) for sensor, (begin, end) in gaps]
    return Silence(
        basin.key,
        sorted((each for each in cut if each[1][1] - each[1][0] >= LEAST_MS), key=lambda each: (each[1], each[0])),
        (max(first_ms, begin_ms), min(max(last.values()), asked.until_ms)),
        tuple((sensor, ms) for sensor, ms in sorted(last.items()) if max(last.values()) - ms >= LEAST_MS),
    )


def _first_ms(db: Database, basin: BasinRow) -> int | None:
    """When anything was first heard of a basin: its first page, or the clock of its first message."""
    (sealed,) = db.execute(
        "SELECT min(first_utc_ms) FROM page_index WHERE stream_id IN (SELECT id FROM stream WHERE basin_id = ?)",
        (basin.id,),
    ).fetchone()
    (heard,) = db.execute("SELECT min(first_heard_ms) FROM stream WHERE basin_id = ?", (basin.id,)).fetchone()
    known = [each for each in (sealed, heard) if each is not None]
    return min(known) if known else None


_Timed = tuple[int, dict[str, Values]]
"""When a page begins, and its sensors' times."""


def _in_order(*pages: Iterable[_Timed]) -> Iterator[dict[str, Values]]:
    for _begin_ms, values in heapq.merge(*pages, key=lambda each: each[0]):
        yield values


def _pages(db: Database, streams: Iterable[int], asked: Asked) -> Iterator[_Timed]:
    """By their begin."""
    found: list[tuple[int, int, bytes]] = []
    for stream_id in streams:
        found += db.execute(
            """SELECT i.first_utc_ms, i.last_utc_ms, c.body
               FROM page_index i JOIN page_course c USING (stream_id, first)
               WHERE stream_id = ? AND i.last_utc_ms >= ? AND i.first_utc_ms < ?""",
            (stream_id, asked.since_ms, asked.until_ms),
        ).fetchall()
    return ((begin_ms, values_of(packed, (begin_ms, end_ms))) for begin_ms, end_ms, packed in sorted(found))


def _unsealed(db: Database, streams: Iterable[int]) -> list[_Timed]:
    """What no page holds yet, by its begin."""
    found: list[_Timed] = []
    for stream_id in streams:
        rest = stored_pieces(db, stream_id, from_number=sealed_to(db.conn, stream_id) + 1, sealed=False)
        course = course_of(rest)
        values = {sensor: Values(*known, course.gaps.get(sensor, [])) for sensor, known in course.known.items()}
        if values:
            found.append((course.begin_ms, values))
    return sorted(found, key=lambda each: each[0])
