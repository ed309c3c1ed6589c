"""The temperatures of a day by minute, for all basins: what has been added up once is not read again."""

from __future__ import annotations

from array import array
from collections.abc import Mapping

from sqlite_utils import Database

from collector import minutes
from collector.read import Basin, Reader
from collector.readings import stored_pieces
from dashboard.trend import Point
from soak.requirement import SensorTerms

MINUTE_MS = 60_000
_NONE = -(2**31)


class DayTemperatures:
    """The lowest temperature of each minute of one day, over the required sensors of each basin. For one thread.

    Args:
        day: First millisecond of the day and of the next one.
    """

    def __init__(self, day: tuple[int, int]) -> None:
        self.day = day
        self._first = day[0] // MINUTE_MS
        self._count = -(-day[1] // MINUTE_MS) - self._first
        self._lows: dict[int, array[int]] = {}
        self._to: dict[int, int] = {}

    def follow(self, reader: Reader, basins: Mapping[int, Basin]) -> None:
        """Add what has been stored since."""
        streams = reader.connection.execute(
            """SELECT s.id, s.basin_id, (SELECT ifnull(max(last), 0) FROM page WHERE stream_id = s.id),
                      (SELECT max(last) FROM batch WHERE stream_id = s.id)
               FROM stream s WHERE EXISTS (SELECT 1 FROM batch WHERE stream_id = s.id)
                  OR EXISTS (SELECT 1 FROM page_index i WHERE i.stream_id = s.id AND i.last_utc_ms >= ?
                             AND i.first_utc_ms < ?)""",
            self.day,
        ).fetchall()
        for stream_id, basin_id, sealed_to, batch_to in streams:
            if basin_id in basins and max(sealed_to, batch_to or 0) > self._to.get(stream_id, 0):
                self._add(reader, stream_id, basins[basin_id], sealed_to)

    def points(self, basin_id: int, since_ms: int, until_ms: int) -> list[Point]:
        """A basin's minutes within a range, each in its middle."""
        first, last = (max(0, ms // MINUTE_MS - self._first) for ms in (since_ms, until_ms))
        lows = self._lows.get(basin_id, array("i"))[first:last]
        begin_ms = (self._first + first) * MINUTE_MS + MINUTE_MS // 2
        return [Point(begin_ms + minute * MINUTE_MS, mc) for minute, mc in enumerate(lows) if mc != _NONE]

    def _add(self, reader: Reader, stream_id: int, basin: Basin, sealed_to: int) -> None:
        sums: minutes.Minutes = {}
        first = stream_id not in self._to
        if first:  # pages come with their minutes added up
            for (packed,) in reader.connection.execute(
                "SELECT minutes FROM page_index WHERE stream_id = ? AND last_utc_ms >= ? AND first_utc_ms < ?",
                (stream_id, *self.day),
            ).fetchall():
                minutes.merge(sums, packed)
        known_to = sealed_to if first else self._to[stream_id]
        db = Database(reader.connection)
        pieces = list(stored_pieces(db, stream_id, from_number=known_to + 1, sealed=not first))
        minutes.add(sums, pieces)
        self._to[stream_id] = pieces[-1].last if pieces else known_to
        self._take(basin.id, sums, basin.sensors)

    def _take(self, basin_id: int, sums: minutes.Minutes, terms: Mapping[str, SensorTerms]) -> None:
        lows = self._lows.setdefault(basin_id, array("i", [_NONE]) * self._count)
        for sensor, table in sums.items():
            if terms and sensor not in terms:
                continue
            correction_mc = terms[sensor].correction_mc if terms else 0
            for minute, total in table.items():
                place = minute - self._first
                if total.known and 0 <= place < self._count:
                    low_mc = total.lowest_mc + correction_mc
                    lows[place] = low_mc if lows[place] == _NONE else min(lows[place], low_mc)
