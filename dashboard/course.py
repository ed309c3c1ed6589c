"""A basin's course over a time range as it is drawn and tabled: from readings where they are few, then minutes, then
half hours. Corrected by what was in force at the time.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
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

MOST_STRETCHES = 1_500
"""Of longer ranges several half hours are one stretch, of the lowest and highest of all: a screen shows no more."""

_QUARTER_MS = 900_000
_MINUTE_MS = 60_000


class InForce:
    """What was required of a basin, looked up by time.

    Args:
        required: Oldest first.
    """

    def __init__(self, required: list[Required]) -> None:
        self.required = required
        self._any_corrected = any(terms.correction_mc for each in required for terms in each.terms.values())

    def at(self, at_ms: int) -> Required | None:
        """At a moment; None before anything was."""
        index = bisect_right(self.required, at_ms, key=lambda each: each.since_ms)
        return self.required[index - 1] if index else None

    def terms(self, sensor: str, at_ms: int) -> SensorTerms | None:
        """A sensor's figures at a moment; before the first are known, those."""
        force = self.at(at_ms) or (self.required[0] if self.required else None)
        return force.terms.get(sensor) if force else None

    def corrected(self, sensor: str, at_ms: int, mc: int) -> int:
        """What a sensor indicated, by the correction of that moment."""
        if not self._any_corrected:
            return mc
        terms = self.terms(sensor, at_ms)
        return mc + terms.correction_mc if terms else mc


_Corrected = Callable[[str, int, int], int]


class Drawn(NamedTuple):
    """What there is to draw.

    Attributes:
        source: "readings", "minutes" or "half hours".
        gap_ms: Points further apart than this have a gap between them.
        lines: By sensor, corrected; a point without a value breaks the line.
        gaps: By sensor, times without a value for longer than the basin allows, cut to the range.
        lid_open: When the lid was open, cut likewise.
        course: What the table puts together, in stretches of `stretch_ms`.
        stretch_ms: How long these are.
        force: What was required.
    """

    source: str
    gap_ms: int
    lines: dict[str, list[Point]]
    gaps: dict[str, list[Range]]
    lid_open: list[Range]
    course: Course
    stretch_ms: int
    force: InForce


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
    force = InForce(reader.required(basin.id))
    corrected = force.corrected
    if length_ms <= READINGS_UP_TO_MS:
        # Streams follow each other, but a clock that was set back may fold one over the other.
        readings = sorted(reader.readings(basin.id, since_ms, until_ms), key=lambda each: each[0])
        course = put_together([course_of_readings(readings, _QUARTER_MS)], since_ms, until_ms, _QUARTER_MS)
        source, gap_ms, stretch_ms, lines = "readings", allowed_ms, _QUARTER_MS, _of_readings(readings, corrected)
    else:
        course = reader.course(basin.id, since_ms, until_ms)
        stretch_ms, gap_ms = HALF_HOUR_MS, length_ms + DAY_MS  # every gap is known: distance says nothing
        if length_ms <= MINUTES_UP_TO_MS:
            source, lines = "minutes", _of_minutes(reader.minutes(basin.id, since_ms, until_ms), corrected)
        else:
            source, lines = "half hours", _of_half_hours(course, length_ms, corrected)
    gaps = {
        sensor: [gap for gap in _clipped(found, since_ms, until_ms) if gap[1] - gap[0] > allowed_ms]
        for sensor, found in course.gaps.items()
    }
    if source != "readings":
        lines = {sensor: broken(line, gaps.get(sensor, [])) for sensor, line in lines.items()}
    for sensor in basin.sensors:
        lines.setdefault(sensor, [])
    lid_open = _clipped(course.lid_open, since_ms, until_ms)
    return Drawn(source, gap_ms, dict(sorted(lines.items())), gaps, lid_open, course, stretch_ms, force)


def _clipped(ranges: Iterable[Range], since_ms: int, until_ms: int) -> list[Range]:
    return [
        (max(begin_ms, since_ms), min(end_ms, until_ms))
        for begin_ms, end_ms in ranges
        if end_ms >= since_ms and begin_ms < until_ms
    ]


def _of_readings(readings: list[tuple[int, Reading]], corrected: _Corrected) -> dict[str, list[Point]]:
    sensors = dict.fromkeys(sensor for _, reading in readings for sensor in reading.mc)
    return {
        sensor: [
            Point(at_ms, None if (mc := reading.mc.get(sensor)) is None else corrected(sensor, at_ms, mc))
            for at_ms, reading in readings
        ]
        for sensor in sensors
    }


def _of_minutes(minutes: dict[str, list[Minute]], corrected: _Corrected) -> dict[str, list[Point]]:
    lines: dict[str, list[Point]] = {}
    for sensor, table in minutes.items():
        line = lines[sensor] = []
        for each in table:
            at_ms = each.minute * _MINUTE_MS
            if each.lowest_mc is not None and each.highest_mc is not None:
                line.append(Point(at_ms + _MINUTE_MS // 4, corrected(sensor, at_ms, each.lowest_mc)))
                line.append(Point(at_ms + 3 * _MINUTE_MS // 4, corrected(sensor, at_ms, each.highest_mc)))
    return lines


def _of_half_hours(course: Course, length_ms: int, corrected: _Corrected) -> dict[str, list[Point]]:
    together = max(1, length_ms // HALF_HOUR_MS // MOST_STRETCHES)
    stretch_ms = together * HALF_HOUR_MS
    lines: dict[str, list[Point]] = {}
    for sensor, table in course.sums.items():
        extremes: dict[int, Range] = {}
        for half_hour, each in table.items():
            if each.known:
                at_ms = half_hour * HALF_HOUR_MS
                low_mc, high_mc = corrected(sensor, at_ms, each.lowest_mc), corrected(sensor, at_ms, each.highest_mc)
                lowest_mc, highest_mc = extremes.get(half_hour // together, (low_mc, high_mc))
                extremes[half_hour // together] = min(lowest_mc, low_mc), max(highest_mc, high_mc)
        line = lines[sensor] = []
        for stretch, (lowest_mc, highest_mc) in extremes.items():
            line.append(Point(stretch * stretch_ms + stretch_ms // 4, lowest_mc))
            line.append(Point(stretch * stretch_ms + 3 * stretch_ms // 4, highest_mc))
    return lines
