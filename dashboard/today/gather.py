"""What is asked of the store for a day's sheet: one question of each kind for all basins."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import NamedTuple, TypeVar

from collector.read import Basin, Reader
from collector.record import shelf
from collector.record.things import Alarm, Load
from dashboard.today.blocks import Closed
from dashboard.today.minutes import DayTemperatures
from dashboard.trend import Point
from dashboard.when import DAY_MS
from soak.closure import Closure
from soak.decoding import from_json

T = TypeVar("T", Load, Alarm)
_LONGEST_MS = 8 * DAY_MS
"""A lid that lay on for longer than this before the day is not looked for."""
_LOAD_MS = 2 * DAY_MS
"""Likewise of loads; one that is still in its basin always counts."""


class Day(NamedTuple):
    """One day of all basins.

    Attributes:
        range_ms: Its first millisecond and that of the next day.
        closures: By basin's row, oldest first.
        loads: By "node/name"; None where nobody has ever recorded a load.
        alarms: Those raised on it, by "node/name".
        points: Temperatures of a basin, by its row, within a range of times.
    """

    range_ms: tuple[int, int]
    closures: dict[int, list[Closed]]
    loads: dict[str, list[Load]] | None
    alarms: dict[str, list[Alarm]]
    points: Callable[[int, int, int], list[Point]]

    def bounds(self) -> tuple[int | None, int | None]:
        """First and last thing that happened on it: of the lids that were moved then, and of alarms."""
        begin_ms, end_ms = self.range_ms
        times = [ms for each in self.closures.values() for one in each for ms in (one.closing_ms, one.opened_ms)]
        times += [each.raised_ms for some in self.alarms.values() for each in some]
        inside = [ms for ms in times if begin_ms <= ms < end_ms]
        return min(inside, default=None), max(inside, default=None)


class Days:
    """Gathers days, and keeps of today what does not change any more. For one thread."""

    def __init__(self) -> None:
        self._closures: dict[int, Closed] = {}
        self._temperatures: DayTemperatures | None = None

    def gather(self, reader: Reader, range_ms: tuple[int, int], basins: Iterable[Basin], *, today: bool) -> Day:
        """Ask for one day."""
        since_ms, until_ms = range_ms
        by_id = {each.id: each for each in basins}
        kept = self._temperatures if today and self._temperatures and self._temperatures.day == range_ms else None
        temperatures = kept or DayTemperatures(range_ms)
        if today:
            self._temperatures = temperatures
        temperatures.follow(reader, by_id)
        connection = reader.connection
        keeps_loads = connection.execute("SELECT 1 FROM thing WHERE kind = ? LIMIT 1", (Load.KIND,)).fetchone()
        loads = {
            each.id: each
            for each in (
                *shelf.find_all(connection, Load, since_ms=since_ms - _LOAD_MS, until_ms=until_ms),
                *shelf.find_all(connection, Load, only_open=True, until_ms=until_ms),
            )
        }
        raised = shelf.find_all(connection, Alarm, since_ms=since_ms, until_ms=until_ms)
        return Day(
            range_ms,
            self._closed(reader, range_ms),
            _by_basin(loads.values()) if keeps_loads else None,
            _by_basin(raised),
            temperatures.points,
        )

    def _closed(self, reader: Reader, range_ms: tuple[int, int]) -> dict[int, list[Closed]]:
        rows = reader.connection.execute(
            """SELECT id FROM closure WHERE superseded_by IS NULL AND closing_utc_ms >= ? AND closing_utc_ms < ?
               AND last_utc_ms >= ? ORDER BY closing_utc_ms, id""",
            (range_ms[0] - _LONGEST_MS, range_ms[1], range_ms[0]),
        ).fetchall()
        wanted = [closure_id for (closure_id,) in rows]
        self._closures = {each: self._closures[each] for each in wanted if each in self._closures}
        found = defaultdict[int, list[Closed]](list)
        for closure_id in wanted:
            if closure_id not in self._closures:
                self._closures[closure_id] = _one(reader, closure_id)
            closed = self._closures[closure_id]
            found[closed.basin_id].append(closed)
        return found


def _one(reader: Reader, closure_id: int) -> Closed:
    row = reader.connection.execute(
        """SELECT c.id, c.basin_id, s.stream || ':' || c.first, c.closing_utc_ms, c.last_utc_ms, c.body
           FROM judged c JOIN stream s ON s.id = c.stream_id WHERE c.id = ?""",
        (closure_id,),
    ).fetchone()
    closure = from_json(row[5], Closure)
    opened_ms = row[4] if closure.opening_ms is None else row[3] + closure.opening_ms - closure.closing_ms
    return Closed(row[0], row[1], row[2], row[3], opened_ms, closure)


def _by_basin(things: Iterable[T]) -> dict[str, list[T]]:
    found = defaultdict[str, list[T]](list)
    for each in things:
        found[each.basin].append(each)
    return found
