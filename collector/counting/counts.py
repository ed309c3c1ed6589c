"""How many soaks, and what they were worth: by day or week, and by basin. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from collector.counting.groups import Group, sorted_into
from collector.counting.soaks import Watched
from soak.closure import Verdict

_VERDICTS = (Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN)


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
    return Counts(*(found[each] for each in _VERDICTS))


def in_groups(soaks: Iterable[Watched], groups: Sequence[Group]) -> list[list[Watched]]:
    """Soaks by group; a soak belongs to the day of its closing."""
    return sorted_into(soaks, lambda soak: soak.closing_ms, groups)


def by_basin(grouped: Sequence[Sequence[Watched]], basins: Iterable[str]) -> list[OfBasin]:
    """Soaks of each basin, in the order of the basins; those without a soak too.

    Args:
        grouped: Soaks by group, as `in_groups` gives them.
        basins: As "node/name".
    """
    found = [Counter((each.basin, each.verdict) for each in group) for group in grouped]
    rows = []
    for basin in basins:
        by_group = [Counts(*(group[basin, verdict] for verdict in _VERDICTS)) for group in found]
        rows.append(OfBasin(basin, Counts(*map(sum, zip(*by_group, strict=True))), by_group))
    return rows
