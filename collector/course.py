"""What a page's readings say in short, for trends over weeks and years: made of each page once, when it is sealed.

Half hours hold the lowest and the highest value and how often each value was indicated, so that no dip disappears and
the share in range can be told of any requirement. Gaps and openings of the lid are kept to the millisecond. Pure.
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, starmap

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
        counts: How often each value was indicated: pairs of value and count, a value possibly more than once.
    """

    lowest_mc: int
    highest_mc: int
    known: int
    missing: int
    counts: bytes

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
        return sum(count for mc, count in _PAIR.iter_unpack(self.counts) if least_mc <= mc <= top_mc)


Sums = dict[str, dict[int, Sum]]
"""By sensor and stretch, counted from 1970 on."""


class Course(msgspec.Struct, gc=False):
    """Of one basin; times in milliseconds since 1970.

    Attributes:
        begin_ms: Of the first reading.
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
    """One sensor as it is kept; times after the page's first reading."""

    stretch: list[int]  # the first, then differences
    lowest_mc: list[int]
    highest_mc: list[int]
    known: list[int]
    missing: list[int]
    counts: list[bytes]
    values: tuple[int, int] | None  # first and last
    gaps: list[int]  # begin, end, begin, …


class _Packed(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A page's course as it is kept."""

    begin_ms: int
    lid_open: list[int]  # as gaps
    sensors: dict[str, _Columns]


_PAIR = struct.Struct("<iH")  # millidegrees, count
_MOST_COUNTED = 0xFFFF
_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(_Packed)


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


def pack(course: Course) -> bytes:
    """The course of one page as it is kept beside it."""
    begin_ms = course.begin_ms
    sensors = {}
    for sensor, table in course.sums.items():
        sums = table.values()
        known = course.known.get(sensor)
        sensors[sensor] = _Columns(
            _differences(list(table)),
            [each.lowest_mc for each in sums],
            [each.highest_mc for each in sums],
            [each.known for each in sums],
            [each.missing for each in sums],
            [each.counts for each in sums],
            (known[0] - begin_ms, known[1] - begin_ms) if known else None,
            [ms - begin_ms for gap in course.gaps.get(sensor, ()) for ms in gap],
        )
    return _ENCODER.encode(_Packed(begin_ms, [ms - begin_ms for each in course.lid_open for ms in each], sensors))


def unpack(packed: bytes) -> Course:
    """What `pack` packed."""
    page = _DECODER.decode(packed)
    begin_ms = page.begin_ms
    course = Course(begin_ms, {}, {}, {}, _ranges(page.lid_open, begin_ms))
    for sensor, columns in page.sensors.items():
        course.sums[sensor] = dict(_sums(columns))
        if columns.values:
            course.known[sensor] = begin_ms + columns.values[0], begin_ms + columns.values[1]
        if columns.gaps:
            course.gaps[sensor] = _ranges(columns.gaps, begin_ms)
    return course


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
                if first <= stretch <= last:
                    _add(sums, stretch, each)
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


def _sums(columns: _Columns) -> Iterator[tuple[int, Sum]]:
    rest = zip(columns.lowest_mc, columns.highest_mc, columns.known, columns.missing, columns.counts, strict=True)
    return zip(accumulate(columns.stretch), starmap(Sum, rest), strict=True)


def _add(table: dict[int, Sum], stretch: int, each: Sum) -> None:
    if (known := table.get(stretch)) is None:
        table[stretch] = each
    else:
        known.add(each)


def _sum(values: Sequence[int | None]) -> Sum:
    counts = Counter(values)
    missing = counts.pop(None, 0)
    known = [mc for mc in counts if mc is not None]
    pairs = ((mc, part) for mc in sorted(known) for part in _parts(counts[mc]))
    packed = b"".join(starmap(_PAIR.pack, pairs))
    return Sum(min(known, default=0), max(known, default=0), len(values) - missing, missing, packed)


def _parts(count: int) -> Iterator[int]:
    while count > 0:
        yield min(count, _MOST_COUNTED)
        count -= _MOST_COUNTED


def _ranges(flat: Sequence[int], from_ms: int) -> list[Range]:
    return [(from_ms + begin, from_ms + end) for begin, end in zip(flat[::2], flat[1::2], strict=True)]


def _differences(column: list[int]) -> list[int]:
    return [later - earlier for earlier, later in zip([0, *column], column, strict=False)]
