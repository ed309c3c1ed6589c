"""A basin's course over a time range as it is drawn and tabled: from readings where they are few, then minutes, then
half hours. Corrected by what was in force at the time.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from collector.course import HALF_HOUR_MS, Course, course_of_readings, put_together
from collector.read import Basin, Minute, Reader
from collector.required import Required
from dashboard.trend import Point, broken
from dashboard.when import DAY_MS, HOUR_MS
from soak.ranges import Range
from soak.reading import Reading
from soak.requirement import MAX_GAP_MS, SensorTerms

READINGS_UP_TO_MS = 2 * HOUR_MS
"""Longer ranges are drawn from the lowest and highest of each minute."""
MINUTES_UP_TO_MS = 8 * DAY_MS
"""Longer ranges are drawn from the lowest and highest of each half hour."""

_QUARTER_MS = 900_000
_MINUTE_MS = 60_000


class Drawn(NamedTuple):
    """What there is to draw.

    Attributes:
        source: "readings", "minutes" or "half hours".
        gap_ms: Points further apart than this have a gap between them.
        lines: By sensor, corrected; a point without a value breaks the line.
        gaps: By sensor, times without a value for longer than the basin allows, clipped to the range.
        lid_open: When the lid was open, clipped likewise.
        course: What the table puts together, in stretches of `stretch_ms`.
        stretch_ms: How long these are.
        required: What was required, oldest first.
    """

    source: str
    gap_ms: int
    lines: dict[str, list[Point]]
    gaps: dict[str, list[Range]]
    lid_open: list[Range]
    course: Course
    stretch_ms: int
    required: list[Required]

    def in_force(self, at_ms: int) -> Required | None:
        """What was required at a moment; None before anything was."""
        index = bisect_right(self.required, at_ms, key=lambda each: each.since_ms)
        return self.required[index - 1] if index else None

    def terms(self, sensor: str, at_ms: int) -> SensorTerms | None:
        """A sensor's figures at a moment; before the first are known, those."""
        force = self.in_force(at_ms) or (self.required[0] if self.required else None)
        return force.terms.get(sensor) if force else None


def drawn(reader: Reader, basin: Basin, since_ms: int, until_ms: int) -> Drawn:
    """Gather it.

    Args:
        reader: The store.
        basin: The basin.
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive.
    """
    allowed_ms = basin.requirement.max_gap_ms if basin.requirement else MAX_GAP_MS
    length_ms = until_ms - since_ms
    if length_ms <= READINGS_UP_TO_MS:
        # Streams follow each other, but a clock that was set back may fold one over the other.
        readings = sorted(reader.readings(basin.id, since_ms, until_ms), key=lambda each: each[0])
        course = put_together([course_of_readings(readings, _QUARTER_MS)], since_ms, until_ms, _QUARTER_MS)
        source, gap_ms, stretch_ms, lines = "readings", allowed_ms, _QUARTER_MS, _of_readings(readings)
    else:
        course = reader.course(basin.id, since_ms, until_ms)
        stretch_ms, gap_ms = HALF_HOUR_MS, length_ms + DAY_MS  # every gap is known: distance says nothing
        if length_ms <= MINUTES_UP_TO_MS:
            source, lines = "minutes", _of_minutes(reader.minutes(basin.id, since_ms, until_ms))
        else:
            source, lines = "half hours", _of_half_hours(course)
    gaps = {
        sensor: [gap for gap in _clipped(found, since_ms, until_ms) if gap[1] - gap[0] > allowed_ms]
        for sensor, found in course.gaps.items()
    }
    if source != "readings":
        lines = {sensor: broken(line, gaps.get(sensor, [])) for sensor, line in lines.items()}
    for sensor in basin.sensors:
        lines.setdefault(sensor, [])
    lid_open = _clipped(course.lid_open, since_ms, until_ms)
    required = reader.required(basin.id)
    seen = Drawn(source, gap_ms, lines, gaps, lid_open, course, stretch_ms, required)
    return seen._replace(lines={sensor: _corrected(seen, sensor, line) for sensor, line in sorted(lines.items())})


def _corrected(seen: Drawn, sensor: str, line: list[Point]) -> list[Point]:
    def correction_mc(at_ms: int) -> int:
        terms = seen.terms(sensor, at_ms)
        return terms.correction_mc if terms else 0

    if not any(each.terms[sensor].correction_mc for each in seen.required if sensor in each.terms):
        return line
    return [point if point.mc is None else Point(point.t_ms, point.mc + correction_mc(point.t_ms)) for point in line]


def _clipped(ranges: Iterable[Range], since_ms: int, until_ms: int) -> list[Range]:
    return [
        (max(begin_ms, since_ms), min(end_ms, until_ms))
        for begin_ms, end_ms in ranges
        if end_ms >= since_ms and begin_ms < until_ms
    ]


def _of_readings(readings: list[tuple[int, Reading]]) -> dict[str, list[Point]]:
    sensors = dict.fromkeys(sensor for _, reading in readings for sensor in reading.mc)
    return {sensor: [Point(at_ms, reading.mc.get(sensor)) for at_ms, reading in readings] for sensor in sensors}


def _of_minutes(minutes: dict[str, list[Minute]]) -> dict[str, list[Point]]:
    return {
        sensor: list(_low_and_high((each.minute, each.lowest_mc, each.highest_mc, each.known) for each in table))
        for sensor, table in minutes.items()
    }


def _of_half_hours(course: Course) -> dict[str, list[Point]]:
    return {
        sensor: list(
            _low_and_high(
                ((stretch, each.lowest_mc, each.highest_mc, each.known) for stretch, each in table.items()),
                HALF_HOUR_MS,
            )
        )
        for sensor, table in course.sums.items()
    }


def _low_and_high(
    stretches: Iterable[tuple[int, int | None, int | None, int]], length_ms: int = _MINUTE_MS
) -> Iterator[Point]:
    for stretch, lowest_mc, highest_mc, known in stretches:
        if known:
            yield Point(stretch * length_ms + length_ms // 4, lowest_mc)
            yield Point(stretch * length_ms + 3 * length_ms // 4, highest_mc)
