"""What a page's readings say in short, for trends over weeks and years: made of each page once, when it is sealed.

Half hours hold the lowest and the highest value and how often each value was indicated, so that no dip disappears and
the share in range can be told of any requirement. Gaps and openings of the lid are kept to the millisecond. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import accumulate, chain

import msgspec

from collector.readings import Piece
from soak.ranges import Range
from soak.reading import Lid, Reading
from soak.requirement import MAX_GAP_MS

HALF_HOUR_MS = 1_800_000
"""Days begin at a whole or a half hour of UTC nearly everywhere; elsewhere a day's row is off by a quarter."""

LEAST_GAP_MS = 2_000
"""Shorter times without a value are not kept: readings come once a second, and no basin's longest gap is as short."""


class Sum(msgspec.Struct, gc=False):
    """One stretch of time of one sensor; temperatures as indicated, in millidegrees.

    Attributes:
        lowest_mc: Lowest, where `known` is not 0.
        highest_mc: Highest, likewise.
        known: Readings with a value.
        missing: Readings without one.
        counts: How often each value was indicated: packed, see `between`.
    """

    lowest_mc: int
    highest_mc: int
    known: int
    missing: int
    counts: list[bytes]

    def add(self, other: Sum) -> None:
        """Put another stretch to it."""
        if other.known:
            self.lowest_mc = min(self.lowest_mc, other.lowest_mc) if self.known else other.lowest_mc
            self.highest_mc = max(self.highest_mc, other.highest_mc) if self.known else other.highest_mc
        self.known += other.known
        self.missing += other.missing
        self.counts = self.counts + other.counts

    def between(self, least_mc: int, most_mc: int | None) -> int:
        """How many readings indicated at least so much, and at most so much."""
        top_mc = self.highest_mc if most_mc is None else most_mc
        if not self.known or self.highest_mc < least_mc or self.lowest_mc > top_mc:
            return 0
        if self.lowest_mc >= least_mc and self.highest_mc <= top_mc:
            return self.known
        each = chain.from_iterable(_COUNTS.decode(packed).items() for packed in self.counts)
        return sum(count for mc, count in each if least_mc <= mc <= top_mc)


Sums = dict[str, dict[int, Sum]]
"""By sensor and stretch, counted from 1970 on."""


class Course(msgspec.Struct):
    """Of one basin.

    Attributes:
        sums: In stretches of the length that was asked for.
        gaps: By sensor, times without a value, rising; milliseconds since 1970. Of over `LEAST_GAP_MS`, and any at the
            beginning and at the end: they may go on in what comes before and after.
        lid_open: When the lid was open, rising.
        times: Begin and end of each dense run of readings.
    """

    sums: Sums
    gaps: dict[str, list[Range]]
    lid_open: list[Range]
    times: list[Range]


class _Columns(msgspec.Struct, frozen=True, array_like=True):
    """One sensor as it is kept."""

    stretch: list[int]  # the first, then differences
    lowest_mc: list[int]
    highest_mc: list[int]
    known: list[int]
    missing: list[int]
    counts: list[bytes]
    gaps: list[int]  # begin, end, begin, … after the page's earliest time


class _Packed(msgspec.Struct, frozen=True, array_like=True):
    """A page's course as it is kept."""

    lid_open: list[int]  # as gaps
    sensors: dict[str, _Columns]


_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(_Packed)
_COUNTS = msgspec.msgpack.Decoder(dict[int, int])


def course_of(pieces: Iterable[Piece], stretch_ms: int = HALF_HOUR_MS) -> Course:
    """What readings say in short.

    Args:
        pieces: Readings of one basin, in order.
        stretch_ms: How long the stretches are for which values are put together.
    """
    return course_of_readings(
        ((reading.ms + piece.offset_ms, reading) for piece in pieces for reading in piece.readings), stretch_ms
    )


def course_of_readings(readings: Iterable[tuple[int, Reading]], stretch_ms: int = HALF_HOUR_MS) -> Course:
    """The same of single readings with their times, milliseconds since 1970."""
    values: dict[str, dict[int, list[int | None]]] = {}
    known_ms: dict[str, int] = {}
    gaps: dict[str, list[Range]] = {}
    lid_open: list[Range] = []
    first_ms = last_ms = opened_ms = None
    for at_ms, reading in readings:
        if first_ms is None:
            first_ms = last_ms = at_ms
        stretch = at_ms // stretch_ms
        for sensor, mc in reading.mc.items():
            values.setdefault(sensor, {}).setdefault(stretch, []).append(mc)
            if mc is not None:
                before_ms = known_ms.get(sensor)
                if at_ms - (first_ms - LEAST_GAP_MS if before_ms is None else before_ms) > LEAST_GAP_MS:
                    gaps.setdefault(sensor, []).append((first_ms if before_ms is None else before_ms, at_ms))
                known_ms[sensor] = at_ms
        if opened_ms is not None:
            lid_open.append((opened_ms, at_ms if at_ms - opened_ms <= MAX_GAP_MS else opened_ms))
        opened_ms = at_ms if reading.lid is Lid.OPEN else None
        last_ms = at_ms
    if first_ms is None or last_ms is None:
        return Course({}, {}, [], [])
    if opened_ms is not None:
        lid_open.append((opened_ms, opened_ms))
    for sensor in values:
        if (before_ms := known_ms.get(sensor, first_ms)) < last_ms:
            gaps.setdefault(sensor, []).append((before_ms, last_ms))
    sums = {
        sensor: {stretch: _sum(table[stretch]) for stretch in sorted(table)} for sensor, table in sorted(values.items())
    }
    return Course(sums, gaps, joined(lid_open, 0), [(min(first_ms, last_ms), max(first_ms, last_ms))])


def joined(ranges: Iterable[Range], apart_ms: int) -> list[Range]:
    """Ranges, rising by their begin, as one where they overlap or are at most so far apart."""
    found: list[Range] = []
    for begin_ms, end_ms in ranges:
        if found and begin_ms - found[-1][1] <= apart_ms:
            found[-1] = found[-1][0], max(found[-1][1], end_ms)
        else:
            found.append((begin_ms, end_ms))
    return found


def pack(course: Course) -> bytes:
    """The course of one page as it is kept beside it."""
    [(begin_ms, _)] = course.times
    sensors = {}
    for sensor, table in course.sums.items():
        sums = table.values()
        sensors[sensor] = _Columns(
            _differences(list(table)),
            [each.lowest_mc for each in sums],
            [each.highest_mc for each in sums],
            [each.known for each in sums],
            [each.missing for each in sums],
            [each.counts[0] for each in sums],
            [ms - begin_ms for gap in course.gaps.get(sensor, ()) for ms in gap],
        )
    return _ENCODER.encode(_Packed([ms - begin_ms for each in course.lid_open for ms in each], sensors))


def put_together(
    pages: Iterable[tuple[int, int, bytes]], rest: Iterable[Course], since_ms: int, until_ms: int
) -> Course:
    """One course of many.

    Args:
        pages: Earliest and latest time and course of each page, by their earliest time.
        rest: Of what no page holds yet.
        since_ms: Stretches that end before this time are left out, milliseconds since 1970.
        until_ms: Stretches that begin at or after it are left out.
    """
    first, last = since_ms // HALF_HOUR_MS, (until_ms - 1) // HALF_HOUR_MS
    sums: Sums = {}
    gaps: dict[str, list[Range]] = {}
    lid_open: list[Range] = []
    times: list[Range] = []
    for begin_ms, end_ms, packed in pages:
        page = _DECODER.decode(packed)
        times.append((begin_ms, end_ms))
        lid_open += _ranges(page.lid_open, begin_ms)
        for sensor, columns in page.sensors.items():
            _add_columns(sums.setdefault(sensor, {}), columns, first, last)
            if columns.gaps:
                gaps.setdefault(sensor, []).extend(_ranges(columns.gaps, begin_ms))
    for course in rest:
        times += course.times
        lid_open += course.lid_open
        for sensor, table in course.sums.items():
            for stretch, each in table.items():
                if first <= stretch <= last:
                    _add(sums.setdefault(sensor, {}), stretch, each)
        for sensor, found in course.gaps.items():
            gaps.setdefault(sensor, []).extend(found)
    times.sort()
    pauses = _between(times)
    return Course(
        {sensor: dict(sorted(table.items())) for sensor, table in sorted(sums.items())},
        {sensor: joined(sorted(gaps.get(sensor, []) + pauses), 0) for sensor in sums},
        joined(sorted(lid_open), MAX_GAP_MS),
        joined(times, MAX_GAP_MS),
    )


def _between(times: Sequence[Range]) -> list[Range]:
    """The pauses between runs of readings."""
    pauses, end_ms = [], times[0][1] if times else 0
    for begin_ms, next_end_ms in times:
        if begin_ms > end_ms:
            pauses.append((end_ms, begin_ms))
        end_ms = max(end_ms, next_end_ms)
    return pauses


def _add_columns(table: dict[int, Sum], columns: _Columns, first: int, last: int) -> None:
    stretches = accumulate(columns.stretch)
    rest = zip(columns.lowest_mc, columns.highest_mc, columns.known, columns.missing, columns.counts, strict=True)
    for stretch, (lowest_mc, highest_mc, known, missing, counts) in zip(stretches, rest, strict=True):
        if first <= stretch <= last:
            _add(table, stretch, Sum(lowest_mc, highest_mc, known, missing, [counts]))


def _add(table: dict[int, Sum], stretch: int, each: Sum) -> None:
    if (known := table.get(stretch)) is None:
        table[stretch] = each
    else:
        known.add(each)


def _sum(values: Sequence[int | None]) -> Sum:
    counts = Counter(values)
    missing = counts.pop(None, 0)
    known = [mc for mc in counts if mc is not None]
    packed = _ENCODER.encode({mc: counts[mc] for mc in sorted(known)})
    return Sum(min(known, default=0), max(known, default=0), len(values) - missing, missing, [packed])


def _ranges(flat: Sequence[int], from_ms: int) -> list[Range]:
    return [(from_ms + begin, from_ms + end) for begin, end in zip(flat[::2], flat[1::2], strict=True)]


def _differences(column: list[int]) -> list[int]:
    return [later - earlier for earlier, later in zip([0, *column], column, strict=False)]
