"""Fewer points that look the same: the lowest and the highest of every bin stay, and gaps stay gaps. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

FEWEST_POINTS = 8
_PER_BIN = 4  # lowest, highest and at most one break before each


class Point(NamedTuple):
    """One point of a line.

    Attributes:
        t_ms: Milliseconds since 1970.
        mc: Millidegrees Celsius; None where there is no value.
    """

    t_ms: int
    mc: int | None


def thinned(points: Sequence[Point], *, most: int, gap_ms: int) -> list[Point]:
    """Draw a line with at most so many points.

    Min-max in bins of equal time: a bin's lowest and highest point always stay, so that no dip disappears. Wherever a
    value is missing or two neighbours are too far apart, a point without a value breaks the line.

    Args:
        points: Rising in time.
        most: At most so many points come back, at least `FEWEST_POINTS`.
        gap_ms: Neighbours further apart than this have a gap between them.

    Raises:
        ValueError: `most` is too small to keep anything.
    """
    if most < FEWEST_POINTS:
        raise ValueError(f"{most} points cannot show a line and its gaps. Ask for at least {FEWEST_POINTS}.")
    kept = _extremes(points, most // _PER_BIN) if len(points) > most // 2 else range(len(points))
    breaks = _breaks(points, gap_ms)
    line: list[Point] = []
    previous = None
    for index in kept:
        point = points[index]
        if point.mc is None:
            continue
        if previous is not None and breaks[index] > breaks[previous]:
            line.append(Point((points[previous].t_ms + point.t_ms) // 2, None))
        line.append(point)
        previous = index
    return line


def _breaks(points: Sequence[Point], gap_ms: int) -> list[int]:
    """For each point, how many breaks there have been up to it."""
    count = 0
    counts = [0] * len(points)
    for index, (earlier, later) in enumerate(pairwise(points), start=1):
        count += earlier.mc is None or later.mc is None or later.t_ms - earlier.t_ms > gap_ms
        counts[index] = count
    return counts


def _extremes(points: Sequence[Point], bins: int) -> list[int]:
    """Indexes of the lowest and the highest point of each bin, in time order."""
    first_ms, span_ms = points[0].t_ms, points[-1].t_ms - points[0].t_ms + 1
    kept: list[int] = []
    bin_now, lowest, highest = -1, -1, -1
    for index, (t_ms, mc) in enumerate(points):
        if mc is None:
            continue
        bin_here = (t_ms - first_ms) * bins // span_ms
        if bin_here != bin_now:
            kept += _both(lowest, highest)
            bin_now, lowest, highest = bin_here, index, index
            lowest_mc = highest_mc = mc
        elif mc < lowest_mc:
            lowest, lowest_mc = index, mc
        elif mc > highest_mc:
            highest, highest_mc = index, mc
    return kept + _both(lowest, highest)


def _both(lowest: int, highest: int) -> list[int]:
    if lowest < 0:
        return []
    return [lowest] if lowest == highest else sorted((lowest, highest))


def broken(points: Sequence[Point], gaps: Iterable[tuple[int, int]]) -> list[Point]:
    """A line with a point without a value in the middle of every gap.

    Args:
        points: Rising in time.
        gaps: Begin and end of times without a value, milliseconds since 1970, rising.
    """
    breaks = [Point((begin_ms + end_ms) // 2, None) for begin_ms, end_ms in gaps]
    return sorted([*points, *breaks], key=lambda point: point.t_ms)
