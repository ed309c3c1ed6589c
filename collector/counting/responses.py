"""How long things took: from met to release, and what became of the devices' rounds. Pure; never by person.

How soon alarms were seen follows the rule of the alarm load: `collector.alarms.load.seen_times`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from collector.alarms.load import SeenTimes, nearest_rank, seen_times
from collector.counting.soaks import Round, Watched
from collector.record.things import Alarm, Stage
from soak.alarms import Priority

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
BOUNDS_MS = (0, 15 * MINUTE_MS, 30 * MINUTE_MS, HOUR_MS, 2 * HOUR_MS, 4 * HOUR_MS, 8 * HOUR_MS, 24 * HOUR_MS)
"""Where the bars of waits begin: our own choice."""


class Bar(NamedTuple):
    """Waits of at least `from_ms` and less than `until_ms` (None: without end)."""

    from_ms: int
    until_ms: int | None
    times: int


class Waits(NamedTuple):
    """How long `n` of something took, milliseconds; percentiles by nearest rank, None without any."""

    n: int
    median_ms: int | None
    p90_ms: int | None
    longest_ms: int | None
    bars: list[Bar]


class Rounds(NamedTuple):
    """What became of the rounds whose soak met.

    Attributes:
        waits: From met to release, of those released.
        used_unreleased: Used without release.
        quarantined: Not released, in quarantine.
        ended: Not released, and ended otherwise: begun again.
        waiting: Not released yet.
    """

    waits: Waits
    used_unreleased: int
    quarantined: int
    ended: int
    waiting: int

    @property
    def total(self) -> int:
        """All of them."""
        return self.waits.n + self.used_unreleased + self.quarantined + self.ended + self.waiting


class Response(NamedTuple):
    """How soon alarms of one priority (None: of all) were seen."""

    priority: Priority | None
    raised: int
    times: SeenTimes


class Responses(NamedTuple):
    """By priority, most urgent first, then all; and alarms raised when their cause was long over, counted apart."""

    by_priority: list[Response]
    late: int


def waits(times_ms: Iterable[int]) -> Waits:
    """Waits summed up."""
    found = sorted(times_ms)
    counts = [0] * len(BOUNDS_MS)
    for each in found:
        counts[bisect_right(BOUNDS_MS, each) - 1] += 1
    ends = [*BOUNDS_MS[1:], None]
    bars = [Bar(*each) for each in zip(BOUNDS_MS, ends, counts, strict=True)]
    longest = found[-1] if found else None
    return Waits(len(found), nearest_rank(found, 50), nearest_rank(found, 90), longest, bars)


def rounds_met(met: Sequence[tuple[Round, Watched]]) -> Rounds:
    """What became of rounds, each with the closure in which it first met."""
    times, used, quarantined, ended, waiting = [], 0, 0, 0, 0
    for each, closure in met:
        by_ms = closure.met_by_ms
        if each.released is not None and by_ms is not None:
            times.append(max(0, each.released.at_ms - by_ms))
        elif each.unreleased_use:
            used += 1
        elif each.quarantine is not None:
            quarantined += 1
        elif each.stage is Stage.ENDED:
            ended += 1
        else:
            waiting += 1
    return Rounds(waits(times), used, quarantined, ended, waiting)


def met_between(
    rounds: Mapping[str, Round], met_in: Mapping[str, Watched], since_ms: int, until_ms: int
) -> list[tuple[Round, Watched]]:
    """Rounds whose soak was closed in a range and met."""
    return [(rounds[each], closure) for each, closure in met_in.items() if since_ms <= closure.closing_ms < until_ms]


def responses(alarms: Iterable[Alarm]) -> Responses:
    """How soon alarms were seen, by the priority they have now."""
    found = list(alarms)
    in_time = [each for each in found if not each.late]
    rows = []
    for priority in [*Priority, None]:
        of_it = [each for each in in_time if priority in (None, each.priority)]
        rows.append(Response(priority, len(of_it), seen_times(of_it)))
    return Responses(rows, len(found) - len(in_time))
