"""The trend for those who read: temperatures of each quarter of an hour, hour, day or month, from what is drawn."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import NamedTuple

from collector.course import Sum
from dashboard.course import READINGS_UP_TO_MS, Drawn
from dashboard.when import DAY_MS, HOUR_MS, SiteTime
from soak.ranges import Range
from soak.requirement import most_mc, needs_mc

HOURS_UP_TO_MS = 3 * DAY_MS
DAYS_UP_TO_MS = 62 * DAY_MS
_QUARTER_MS = 900_000


class Row(NamedTuple):
    """One sensor in one stretch of time.

    Attributes:
        begin_ms: Begin of the part that is in the range, milliseconds since 1970.
        end_ms: Its end.
        sensor: The sensor.
        lowest_mc: Lowest corrected temperature; None without a value.
        highest_mc: Highest.
        readings: How many readings there are.
        judged: How many of them were taken while something was required of the basin.
        in_range: How many of these were in range: at least minimum plus U, at most maximum less U.
        without_ms: How long there was no value, as far as a gap is longer than the basin allows.
    """

    begin_ms: int
    end_ms: int
    sensor: str
    lowest_mc: int | None
    highest_mc: int | None
    readings: int
    judged: int
    in_range: int
    without_ms: int

    @property
    def share_tenths(self) -> int | None:
        """Of those judged, how many were in range, in tenths of a percent, rounded down; None if none was judged."""
        return 1_000 * self.in_range // self.judged if self.judged else None


def stretches(since_ms: int, until_ms: int, when: SiteTime) -> Iterator[Range]:
    """The rows' times: local quarters of an hour, hours, days or months, cut to the range."""
    begin_ms = since_ms
    while begin_ms < until_ms:
        end_ms = min(_end_ms(begin_ms, until_ms - since_ms, when), until_ms)
        yield begin_ms, end_ms
        begin_ms = end_ms


def _end_ms(begin_ms: int, length_ms: int, when: SiteTime) -> int:
    if length_ms <= HOURS_UP_TO_MS:
        step_ms = _QUARTER_MS if length_ms <= READINGS_UP_TO_MS else HOUR_MS
        local_ms = begin_ms + when.offset_ms(begin_ms)
        return begin_ms + step_ms - local_ms % step_ms
    day = when.local_date(begin_ms)
    if length_ms <= DAYS_UP_TO_MS:
        return when.day_range(day)[1]
    return when.day_range(date(day.year + day.month // 12, day.month % 12 + 1, 1))[0]


def rows(seen: Drawn, since_ms: int, until_ms: int, when: SiteTime) -> list[Row]:
    """All rows, oldest first.

    Args:
        seen: What is drawn.
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive: not after now, for what is still to come is not missing.
        when: Local time.
    """
    found: list[Row] = []
    sensors = {sensor: _Sensor(seen, sensor) for sensor in seen.lines}
    for begin_ms, end_ms in stretches(since_ms, until_ms, when):
        found += [each.row(begin_ms, end_ms) for each in sensors.values()]
    return found


class _Sensor:
    """Goes through one sensor's stretches once, as the rows follow each other."""

    def __init__(self, seen: Drawn, sensor: str) -> None:
        self._seen, self._sensor = seen, sensor
        self._sums = sorted(seen.course.sums.get(sensor, {}).items())
        self._next = 0
        self._gaps = seen.gaps.get(sensor, [])

    def row(self, begin_ms: int, end_ms: int) -> Row:
        lowest: list[int] = []
        highest: list[int] = []
        readings = judged = in_range = 0
        while self._next < len(self._sums) and self._sums[self._next][0] * self._seen.stretch_ms < end_ms:
            stretch, each = self._sums[self._next]
            self._next += 1
            at_ms = stretch * self._seen.stretch_ms
            readings += each.known + each.missing
            counted, good = self._judged(at_ms, each)
            judged, in_range = judged + counted, in_range + good
            if each.known:
                lowest.append(self._seen.force.corrected(self._sensor, at_ms, each.lowest_mc))
                highest.append(self._seen.force.corrected(self._sensor, at_ms, each.highest_mc))
        without_ms = sum(max(0, min(to_ms, end_ms) - max(from_ms, begin_ms)) for from_ms, to_ms in self._gaps)
        if not self._sums:
            without_ms = end_ms - begin_ms
        return Row(
            begin_ms,
            end_ms,
            self._sensor,
            min(lowest, default=None),
            max(highest, default=None),
            readings,
            judged,
            in_range,
            without_ms,
        )

    def _judged(self, at_ms: int, each: Sum) -> tuple[int, int]:
        force = self._seen.force.at(at_ms)
        terms = force.terms.get(self._sensor) if force else None
        if force is None or force.requirement is None or terms is None:
            return 0, 0
        good = each.between(needs_mc(force.requirement, terms), most_mc(force.requirement, terms))
        return each.known + each.missing, good
