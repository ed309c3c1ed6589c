"""Control charts: centre, limits, and which points lie outside. Pure.

A point outside its limits says that something was different, not what. Points inside say that nothing unusual showed,
not that all was well: a share may be steady and still too high. Limits are computed from the points that are shown.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

D2 = 1.128
"""Mean range of two normal values in standard deviations: NIST/SEMATECH e-Handbook 6.3.2.2 (published)."""

SIGMAS = 3
"""Limits stand three standard deviations from the centre: NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.3.2 (published)."""

FEWEST_GROUPS = 20
"""With fewer points limits are provisional: "the most recent 20 to 30 measurements" for an individuals chart (The
Health Care Data Guide, p. 155; published, seen at second hand). That it holds for p charts too is our own choice."""

FEWEST_EXPECTED = 5
"""Below so many expected failures in a group the binomial is too lopsided for these limits (common practice; from
memory, not verified): one failure alone may then lie outside."""

_HAIR = 1e-9
"""Equal up to rounding counts as inside."""


class Outside(enum.StrEnum):
    """Where a point lies outside its limits."""

    ABOVE = "above"
    BELOW = "below"


class Individuals(NamedTuple):
    """An individuals chart; all figures in the unit of its values.

    Attributes:
        mean: Centre line; None without a value.
        mean_moving_range: Mean of the differences between neighbours; None with fewer than two values.
        lower: Lower limit; None with fewer than two values.
        upper: Upper limit; None with fewer than two values.
        outside: For each value where it lies outside; None inside.
    """

    mean: float | None
    mean_moving_range: float | None
    lower: float | None
    upper: float | None
    outside: list[Outside | None]


class Counted(NamedTuple):
    """A group of a p chart: so many of which so many failed."""

    n: int
    failed: int


class Share(NamedTuple):
    """A point of a p chart; shares from 0 to 1, all None for a group without anything in it.

    Attributes:
        share: What failed of all in the group.
        lower: Its own lower limit, not below 0.
        upper: Its own upper limit, not above 1.
        outside: Where it lies outside; None inside.
    """

    share: float | None
    lower: float | None
    upper: float | None
    outside: Outside | None


class PChart(NamedTuple):
    """A p chart.

    Attributes:
        n: Of all groups together.
        failed: Of all groups together.
        mean: Share of all groups together, the centre line; None without anything.
        points: One for each group.
    """

    n: int
    failed: int
    mean: float | None
    points: list[Share]


def individuals(values: Sequence[float]) -> Individuals:
    """Individuals with limits from the moving range: mean ± 3 · mean moving range / 1.128.

    Source: NIST/SEMATECH e-Handbook 6.3.2.2 (published; its worked example is in the tests).

    Args:
        values: In the order in which they were made.
    """
    if not values:
        return Individuals(None, None, None, None, [])
    mean = math.fsum(values) / len(values)
    if len(values) < 2:
        return Individuals(mean, None, None, None, [None])
    moving = math.fsum(abs(after - before) for before, after in pairwise(values)) / (len(values) - 1)
    away = SIGMAS * moving / D2
    lower, upper = mean - away, mean + away
    return Individuals(mean, moving, lower, upper, [_outside(value, lower, upper) for value in values])


def p_chart(groups: Sequence[Counted]) -> PChart:
    """Shares with a limit for each group: p̄ ± 3 · sqrt(p̄ (1 − p̄) / n), within 0 and 1.

    Source: NIST/SEMATECH e-Handbook 6.3.3.2 (published; its worked example is in the tests).

    Args:
        groups: In the order of time; a group of none has no point.

    Raises:
        ValueError: More failed than there are, or fewer than none.
    """
    for each in groups:
        if not 0 <= each.failed <= each.n:
            raise ValueError(f"{each.failed} failed of {each.n}: that cannot be. Count the group again.")
    n, failed = sum(each.n for each in groups), sum(each.failed for each in groups)
    if not n:
        return PChart(0, 0, None, [Share(None, None, None, None) for _ in groups])
    mean = failed / n
    return PChart(n, failed, mean, [_share(each, mean) for each in groups])


def _share(group: Counted, mean: float) -> Share:
    if not group.n:
        return Share(None, None, None, None)
    away = SIGMAS * math.sqrt(mean * (1 - mean) / group.n)
    lower, upper, share = max(0.0, mean - away), min(1.0, mean + away), group.failed / group.n
    return Share(share, lower, upper, _outside(share, lower, upper))


def _outside(value: float, lower: float, upper: float) -> Outside | None:
    hair = _HAIR * max(1.0, abs(lower), abs(upper))
    if value > upper + hair:
        return Outside.ABOVE
    return Outside.BELOW if value < lower - hair else None
