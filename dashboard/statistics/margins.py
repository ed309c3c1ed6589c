"""By how much soaks exceeded what was asked of them: lowest, middle and highest of each day or week. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from collector.alarms.load import nearest_rank
from collector.counting.soaks import Watched
from dashboard.statistics.charts import Individuals, individuals


class Spread(NamedTuple):
    """Some margins; the percentiles by nearest rank, so each is a margin that a soak had. None without any.

    Attributes:
        n: How many.
        lowest: Lowest.
        p10: One of ten is at or below it.
        median: Median.
        highest: Highest.
        below_zero: How many are below zero: less than was asked.
    """

    n: int
    lowest: int | None
    p10: int | None
    median: int | None
    highest: int | None
    below_zero: int


class Margins(NamedTuple):
    """Margins of a range.

    Attributes:
        all: Of all soaks.
        without: Soaks without this figure: nothing was required, or there was no value.
        by_group: Of each day or week.
        chart: Individuals chart of the groups' medians; groups without a soak have no point in it.
    """

    all: Spread
    without: int
    by_group: list[Spread]
    chart: Individuals

    def outside(self) -> list[tuple[int, str]]:
        """Places of the groups outside the limits, and where they lie."""
        filled = [place for place, each in enumerate(self.by_group) if each.n]
        pairs = zip(filled, self.chart.outside, strict=True)
        return [(place, where.value) for place, where in pairs if where is not None]


Figure = Callable[[Watched], int | None]


def time_ms(soak: Watched) -> int | None:
    """Time proven without a break beyond the contact time, milliseconds; below 0 where it was not reached."""
    return None if soak.contact_ms is None else soak.credited_ms - soak.contact_ms


def allowance_mc(soak: Watched) -> int | None:
    """By how much all sensors could be lowered with the soak still met, millidegrees Celsius; U is counted in."""
    return None if soak.contact_ms is None else soak.allowance_mc


def coldest_mc(soak: Watched) -> int | None:
    """Coldest corrected temperature beyond the minimum, millidegrees Celsius; U is not counted in."""
    return None if soak.min_mc is None or soak.coldest_mc is None else soak.coldest_mc - soak.min_mc


def margins(grouped: Sequence[Sequence[Watched]], figure: Figure) -> Margins:
    """One margin of all soaks.

    Args:
        grouped: Soaks by day or week, oldest first; see `counts.in_groups`.
        figure: Which margin: `time_ms`, `allowance_mc` or `coldest_mc`.
    """
    known = [[margin for soak in group if (margin := figure(soak)) is not None] for group in grouped]
    by_group = [spread(each) for each in known]
    medians = [each.median for each in by_group if each.median is not None]
    overall = spread([margin for group in known for margin in group])
    return Margins(overall, sum(map(len, grouped)) - overall.n, by_group, individuals(medians))


def spread(values: Iterable[int]) -> Spread:
    """Lowest, middle and highest."""
    found = sorted(values)
    if not found:
        return Spread(0, None, None, None, None, 0)
    below = sum(each < 0 for each in found)
    return Spread(len(found), found[0], nearest_rank(found, 10), nearest_rank(found, 50), found[-1], below)
