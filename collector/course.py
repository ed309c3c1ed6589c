"""What a page's readings say in short, for trends over weeks and years: made of each page once, when it is sealed.

Half hours hold the lowest and the highest value and how often each value was indicated, so that no dip disappears and
the share in range can be told of any requirement. Gaps and openings of the lid are kept to the millisecond. Pure.

A year of a basin is some 12,000 pages: what is kept of each is small, and read in few steps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, repeat
from operator import add
from typing import NamedTuple

import msgspec

from collector.readings import Piece
from soak.decoding import msgpack_decoder
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
        counts: How often each value was indicated, in as many parts as were put together: a part's lowest value, and
            MessagePack of its count, how much higher the next value is, its count, and so on.
    """

    lowest_mc: int
    highest_mc: int
    known: int
    missing: int
    counts: tuple[tuple[int, msgspec.Raw], ...]

    def add(self, other: Sum) -> None:
        """Put another stretch to it."""
        if other.known:
            self.lowest_mc = min(self.lowest_mc, other.lowest_mc) if self.known else other.lowest_mc
            self.highest_mc = max(self.highest_mc, other.highest_mc) if self.known else other.highest_mc
        self.known += other.known
        self.missing += other.missing
        self.counts += other.counts

    def between(self, least_mc: int, most_mc: int | None) -> int:
        """How many readings indicated at least so much, and at most so much."""
        top_mc = self.highest_mc if most_mc is None else most_mc
        if not self.known or self.highest_mc < least_mc or self.lowest_mc > top_mc:
            return 0
        if self.lowest_mc >= least_mc and self.highest_mc <= top_mc:
            return self.known
        return sum(count for mc, count in self._counted() if least_mc <= mc <= top_mc)

    def _counted(self) -> Iterator[tuple[int, int]]:
        for lowest_mc, packed in self.counts:
            counts = _COUNTS.decode(packed)
            yield from zip(accumulate(counts[1::2], initial=lowest_mc), counts[::2], strict=False)


Sums = dict[str, dict[int, Sum]]
"""By sensor and stretch, counted from 1970 on."""


class Course(msgspec.Struct, gc=False):
    """Of one basin; times in milliseconds since 1970.

    Attributes:
        begin_ms: Of the first reading; of a page, of its earliest.
        sums: In stretches of the length that was asked for.
        known: By sensor, when it first and last gave a value.
        gaps: By sensor, times of over `LEAST_GAP_MS` between two values, rising.
        lid_open: When the lid was open, rising.
    """

    begin_ms: int
    sums: Sums
    known: dict[str, Range]
    gaps: dict[str, list[Range]]
    lid_open: list[Range]


class _Columns(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One sensor as it is kept: all but the last two for each of the page's stretches."""

    lowest_mc: list[int]  # the first, then differences
    span_mc: list[int]  # highest above lowest
    known: list[int]
    missing: list[int]  # none: nothing is missing
    counts: list[msgspec.Raw]  # opened only where somebody asks for them
    values: list[int]  # when it first and last gave a value, as gaps; none: when the page begins and ends
    gaps: list[int]  # begin, end, begin, …: the first, then differences


class _Packed(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A page's course as it is kept: times after the page's begin, stretches after the one in which that is."""

    stretch: list[int]  # those of all sensors
    lid_open: list[int]  # as gaps
    sensors: dict[str, _Columns]


_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgpack_decoder(_Packed)
_COUNTS = msgpack_decoder(list[int])
_NOTHING = Sum(0, 0, 0, 0, ((0, msgspec.Raw(_ENCODER.encode([]))),))


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
    known: dict[str, Range] = {}
    gaps: dict[str, list[Range]] = {}
    lid_open: list[Range] = []
    begin_ms = opened_ms = None
    for at_ms, reading in readings:
        if begin_ms is None:
            begin_ms = at_ms
        stretch = at_ms // stretch_ms
        for sensor, mc in reading.mc.items():
            values.setdefault(sensor, {}).setdefault(stretch, []).append(mc)
            if mc is not None:
                first_ms, before_ms = known.get(sensor, (at_ms, at_ms))
                if at_ms - before_ms > LEAST_GAP_MS:
                    gaps.setdefault(sensor, []).append((before_ms, at_ms))
                known[sensor] = first_ms, at_ms
        if opened_ms is not None:
            lid_open.append((opened_ms, at_ms if at_ms - opened_ms <= MAX_GAP_MS else opened_ms))
        opened_ms = at_ms if reading.lid is Lid.OPEN else None
    if opened_ms is not None:
        lid_open.append((opened_ms, opened_ms))
    sums = {
        sensor: {stretch: _sum(table[stretch]) for stretch in sorted(table)} for sensor, table in sorted(values.items())
    }
    return Course(begin_ms or 0, sums, known, gaps, joined(lid_open, 0))


def joined(ranges: Iterable[Range], apart_ms: int) -> list[Range]:
    """Ranges, rising by their begin, as one where they overlap or are at most so far apart."""
    found: list[Range] = []
    for begin_ms, end_ms in ranges:
        if found and begin_ms - found[-1][1] <= apart_ms:
            found[-1] = found[-1][0], max(found[-1][1], end_ms)
        else:
            found.append((begin_ms, end_ms))
    return found


def pack(course: Course, page_ms: Range) -> bytes:
    """The course of one page, in half hours, as it is kept beside it.

    Args:
        course: The course.
        page_ms: When the page begins and ends, milliseconds since 1970: what is kept does not say so again.
    """
    begin_ms = page_ms[0]
    stretches = sorted({stretch for table in course.sums.values() for stretch in table})
    sensors = {}
    for sensor, table in course.sums.items():
        sums = [table.get(stretch, _NOTHING) for stretch in stretches]
        missing = [each.missing for each in sums]
        sensors[sensor] = _Columns(
            _differences([each.lowest_mc for each in sums]),
            [each.highest_mc - each.lowest_mc for each in sums],
            [each.known for each in sums],
            missing if any(missing) else [],
            [packed for each in sums for _, packed in each.counts],
            _flat([known] if (known := course.known.get(sensor, page_ms)) != page_ms else [], begin_ms),
            _flat(course.gaps.get(sensor, []), begin_ms),
        )
    after = [stretch - begin_ms // HALF_HOUR_MS for stretch in stretches]
    return _ENCODER.encode(_Packed(after, _flat(course.lid_open, begin_ms), sensors))


def unpack(packed: bytes, page_ms: Range) -> Course:
    """What `pack` packed of a page that begins and ends then."""
    page = _DECODER.decode(packed)
    begin_ms = page_ms[0]
    begin = begin_ms // HALF_HOUR_MS
    course = Course(begin_ms, {}, {}, {}, _ranges(page.lid_open, begin_ms) if page.lid_open else [])
    stretches = [begin + after for after in page.stretch]
    for sensor, columns in page.sensors.items():
        course.sums[sensor] = _sums(stretches, columns)
        if columns.values:
            [course.known[sensor]] = _ranges(columns.values, begin_ms)
        elif any(columns.known):
            course.known[sensor] = page_ms
        if columns.gaps:
            course.gaps[sensor] = _ranges(columns.gaps, begin_ms)
    return course


class Values(NamedTuple):
    """When a sensor of one page first and last gave a value, and its gaps in between; milliseconds since 1970."""

    first_ms: int
    last_ms: int
    gaps: list[Range]


def values_of(packed: bytes, page_ms: Range) -> dict[str, Values]:
    """By sensor, the times alone of what `pack` packed: far less work than the whole course."""
    begin_ms = page_ms[0]
    found = {}
    for sensor, columns in _DECODER.decode(packed).sensors.items():
        if columns.values:
            [known] = _ranges(columns.values, begin_ms)
        elif any(columns.known):
            known = page_ms
        else:
            continue
        found[sensor] = Values(*known, _ranges(columns.gaps, begin_ms) if columns.gaps else [])
    return found


def put_together(courses: Iterable[Course], since_ms: int, until_ms: int, stretch_ms: int = HALF_HOUR_MS) -> Course:
    """One course of many, for the stretches that touch a range. Its gaps reach to the ends of these stretches.

    Args:
        courses: By their begin.
        since_ms: Begin of the range, milliseconds since 1970.
        until_ms: Its end, exclusive.
        stretch_ms: How long the courses' stretches are.
    """
    first, last = since_ms // stretch_ms, (until_ms - 1) // stretch_ms
    begin_ms, end_ms = first * stretch_ms, (last + 1) * stretch_ms
    whole = Course(begin_ms, {}, {}, {}, [])
    lid_open: list[Range] = []
    for course in courses:
        lid_open += course.lid_open
        for sensor, table in course.sums.items():
            sums = whole.sums.setdefault(sensor, {})
            for stretch, each in table.items():
                if first <= stretch <= last and (known := sums.setdefault(stretch, each)) is not each:
                    known.add(each)
        for sensor, (first_ms, last_ms) in course.known.items():
            gaps = whole.gaps.setdefault(sensor, [])
            known_ms = whole.known[sensor][1] if sensor in whole.known else begin_ms
            if first_ms - known_ms > LEAST_GAP_MS:
                gaps.append((known_ms, first_ms))
            gaps += course.gaps.get(sensor, ())
            whole.known[sensor] = begin_ms, max(known_ms, last_ms)
    for sensor, sums in whole.sums.items():
        whole.sums[sensor] = dict(sorted(sums.items()))
        known_ms = whole.known[sensor][1] if sensor in whole.known else begin_ms
        whole.gaps.setdefault(sensor, []).append((known_ms, max(known_ms, end_ms)))
    whole.lid_open = joined(sorted(lid_open), MAX_GAP_MS)
    return whole


def _sums(stretches: list[int], columns: _Columns) -> dict[int, Sum]:
    lowest_mc = [*accumulate(columns.lowest_mc)]
    highest_mc = map(add, lowest_mc, columns.span_mc)
    missing = columns.missing or repeat(0)
    parts = zip(zip(lowest_mc, columns.counts, strict=True))  # of each half hour one
    sums = map(Sum, lowest_mc, highest_mc, columns.known, missing, parts)
    if 0 not in columns.known:
        return dict(zip(stretches, sums, strict=True))
    return {stretch: each for stretch, each in zip(stretches, sums, strict=True) if each.known or each.missing}


def _sum(values: Sequence[int | None]) -> Sum:
    counts = Counter(values)
    missing = counts.pop(None, 0)
    known = sorted(mc for mc in counts if mc is not None)
    lowest_mc, highest_mc = (known[0], known[-1]) if known else (0, 0)
    told = [each for mc, step_mc in zip(known, _differences(known), strict=True) for each in (step_mc, counts[mc])]
    packed = msgspec.Raw(_ENCODER.encode(told[1:]))
    return Sum(lowest_mc, highest_mc, len(values) - missing, missing, ((lowest_mc, packed),))


def _flat(ranges: Iterable[Range], from_ms: int) -> list[int]:
    return _differences([ms - from_ms for each in ranges for ms in each])


def _ranges(flat: list[int], from_ms: int) -> list[Range]:
    times_ms = [*accumulate(flat, initial=from_ms)]
    return [*zip(times_ms[1::2], times_ms[2::2], strict=True)]


def _differences(column: list[int]) -> list[int]:
    return [later - earlier for earlier, later in zip([0, *column], column, strict=False)]
