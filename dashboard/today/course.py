"""The temperature of a day as a line of few whole numbers. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

from dashboard.today.hours import Hours
from dashboard.trend import Point, thinned

ACROSS, DOWN = 1000, 36
"""Units of the drawing: it is stretched to the sheet's width, its height is in pixels."""
MOST_POINTS = 200
GAP_MS = 150_000
"""Minutes further apart than this have a gap between them."""
_LEAST_SPAN_MC = 2_000
_PAD = 4


class Course(NamedTuple):
    """A line as SVG paths.

    Attributes:
        path: The line; empty where there is none.
        minimum_y: Where the minimum stands; None where there is none.
        low_mc: What stands at the bottom of the drawing.
        high_mc: What stands at its top.
    """

    path: str
    minimum_y: int | None
    low_mc: int
    high_mc: int


def course(points: Sequence[Point], minimum_mc: int | None, hours: Hours) -> Course:
    """Draw a day's temperatures.

    Args:
        points: Rising in time; corrected, millidegrees.
        minimum_mc: What the label asks.
        hours: What is shown.
    """
    shown = [each for each in points if hours.since_ms <= each.t_ms < hours.until_ms]
    line = thinned(shown, most=MOST_POINTS, gap_ms=GAP_MS) if shown else []
    known = [each.mc for each in line if each.mc is not None] + ([] if minimum_mc is None else [minimum_mc])
    low_mc, high_mc = (min(known), max(known)) if known else (0, _LEAST_SPAN_MC)
    high_mc = max(high_mc, low_mc + _LEAST_SPAN_MC)

    def y(mc: int) -> int:
        return DOWN - _PAD - (mc - low_mc) * (DOWN - 2 * _PAD) // (high_mc - low_mc)

    def x(t_ms: int) -> int:
        return (t_ms - hours.since_ms) * ACROSS // (hours.until_ms - hours.since_ms)

    drawn = [None if each.mc is None else (x(each.t_ms), y(each.mc)) for each in line]
    return Course(_path(drawn), None if minimum_mc is None else y(minimum_mc), low_mc, high_mc)


def _path(points: Sequence[tuple[int, int] | None]) -> str:
    """Runs without a gap, in relative steps: the shortest way to write it. A single point becomes a dot."""
    parts: list[str] = []
    for there, group in groupby(points, _is_there):
        if there:
            run = [each for each in group if each is not None]
            steps = [(after[0] - before[0], after[1] - before[1]) for before, after in pairwise(run)]
            parts += [f"M{run[0][0]} {run[0][1]}", _steps(steps) or "h1"]
    return "".join(parts)


def _steps(steps: Sequence[tuple[int, int]]) -> str:
    parts: list[str] = []
    for level, group in groupby(steps, _is_level):
        some = list(group)
        across = sum(x for x, _ in some)
        if level:
            parts += [f"h{across}"] if across else []
        else:
            parts += [f"l{x} {y}".replace(" -", "-") for x, y in some]
    return "".join(parts)


def _is_there(point: tuple[int, int] | None) -> bool:
    return point is not None


def _is_level(step: tuple[int, int]) -> bool:
    return step[1] == 0
