"""How many soaks, and what they were worth: by day or week, and by basin. Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from dashboard.statistics.groups import Group, sorted_into
from dashboard.statistics.soaks import Watched
from soak.closure import Verdict


class Counts(NamedTuple):
    """So many soaks by verdict."""

    met: int = 0
    not_met: int = 0
    unproven: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.met + self.not_met + self.unproven

    @property
    def failed(self) -> int:
        """Not met, or unproven: both are processed again."""
        return self.not_met + self.unproven


class OfBasin(NamedTuple):
    """One basin's soaks: in all, and in each group."""

    basin: str
    counts: Counts
    by_group: list[Counts]


def counted(soaks: Iterable[Watched]) -> Counts:
    """Soaks by verdict."""
    found = Counter(each.verdict for each in soaks)
    return Counts(found[Verdict.MET], found[Verdict.NOT_MET], found[Verdict.UNPROVEN])


def by_group(soaks: Iterable[Watched], groups: Sequence[Group]) -> list[Counts]:
    """Soaks of each group; a soak belongs to the day of its closing."""
    return [counted(each) for each in sorted_into(soaks, lambda soak: soak.closing_ms, groups)]


def by_basin(soaks: Iterable[Watched], groups: Sequence[Group], basins: Iterable[str]) -> list[OfBasin]:
    """Soaks of each basin, in the order of the basins; those without a soak too."""
    found: dict[str, list[Watched]] = defaultdict(list)
    for each in soaks:
        found[each.basin].append(each)
    return [OfBasin(basin, counted(found[basin]), by_group(found[basin], groups)) for basin in basins]
