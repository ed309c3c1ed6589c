"""Alarm load: how many alarms come, how long they stand, how soon somebody has seen them. Pure.

Nothing here is counted by person. Alarms that were raised late (their cause was long over: readings came late, or the
collector was away) are counted apart: nobody could have seen them in time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import NamedTuple

from collector.record.things import Alarm
from soak.alarms import Priority

TEN_MINUTES_MS = 600_000
DAY_MS = 86_400_000

SHIFT_STARTS_H = (6, 14, 22)
"""Hours of the local day at which shifts begin: our own choice. The record has no rota; real shifts may differ."""

RECOMMENDED_PER_10_MIN = 1
"""Average per operator in normal operation: EEMUA 191 as studied by the ASM Consortium on 37 consoles, of which about
one third met it (published, secondary). Of control rooms, like all figures here."""

MANAGEABLE_PER_10_MIN = 2
"""One to two per operator are manageable: the same study (published, secondary)."""

MOST_AFTER_UPSET = 10
"""Most in the first ten minutes after a major upset: the same study; 2 of 37 consoles came close (published,
secondary)."""

SHARES_PERCENT = {Priority.HIGH: 5, Priority.MEDIUM: 15, Priority.LOW: 80}
"""How alarms should be shared out among priorities: ANSI/ISA-18.2 and EEMUA 191, from memory, not verified."""

LONG_STANDING_MS = DAY_MS
FEWER_LONG_STANDING = 5
"""Alarms that stand for more than a day: fewer than so many (ANSI/ISA-18.2, from memory, not verified; that "stale"
means 24 hours is from memory too)."""


class Shift(NamedTuple):
    """A shift, or the part of one that lies in a range.

    Attributes:
        day: The local day on which it began.
        name: "06–14".
        since_ms: Its begin, or the range's.
        until_ms: Its end, exclusive, or the range's.
    """

    day: date
    name: str
    since_ms: int
    until_ms: int


class Counts(NamedTuple):
    """How many alarms by priority; late ones apart, whatever their priority."""

    high: int = 0
    medium: int = 0
    low: int = 0
    late: int = 0

    @property
    def total(self) -> int:
        """Without the late ones."""
        return self.high + self.medium + self.low


class ShiftLoad(NamedTuple):
    """The alarms of one shift.

    Attributes:
        shift: Which.
        counts: Of all basins.
        by_basin: By basin as "node/name"; "" for what concerns none. Only those with alarms.
        per_10_min: Average per ten minutes and operator, over the part of the shift that is in the range.
        most_in_10_min: Most that came within ten minutes, for each operator.
    """

    shift: Shift
    counts: Counts
    by_basin: dict[str, Counts]
    per_10_min: float
    most_in_10_min: float


class SeenTimes(NamedTuple):
    """How soon alarms were seen.

    Attributes:
        seen: How many somebody saw while they stood; the two times are of these.
        median_ms: By nearest rank; None where none was seen.
        p90_ms: Nine of ten were seen within it, by nearest rank.
        ended_unseen: Over before anybody saw them.
        not_seen_yet: They stand, and nobody has seen them.
    """

    seen: int
    median_ms: int | None
    p90_ms: int | None
    ended_unseen: int
    not_seen_yet: int


class Frequent(NamedTuple):
    """One kind of alarm at one basin, how often it came, and its share of all, in whole per cent."""

    code: str
    basin: str
    times: int
    share_percent: int


class Load(NamedTuple):
    """The alarm load of a range.

    Attributes:
        shifts: Oldest first.
        counts: All of it.
        per_10_min: Average per ten minutes and operator.
        most_in_10_min: Most within ten minutes, for each operator.
        times: By priority, as it is now: an alarm that rose counts where it rose to.
        all_times: Of all priorities together.
        frequent: Most frequent first.
    """

    shifts: list[ShiftLoad]
    counts: Counts
    per_10_min: float
    most_in_10_min: float
    times: dict[Priority, SeenTimes]
    all_times: SeenTimes
    frequent: list[Frequent]

    def share_percent(self, priority: Priority) -> int | None:
        """A priority's share of all alarms in whole per cent; None where there are none."""
        return _percent(getattr(self.counts, priority.value), self.counts.total) if self.counts.total else None


class Standing(NamedTuple):
    """An alarm that stands, and for how long since it was raised."""

    alarm: Alarm
    for_ms: int


def shifts(
    since_ms: int,
    until_ms: int,
    first_day: date,
    to_ms: Callable[[datetime], int],
    starts_h: Sequence[int] = SHIFT_STARTS_H,
) -> list[Shift]:
    """The shifts that touch a range, cut to it, oldest first.

    Args:
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive.
        first_day: The local day of `since_ms`.
        to_ms: Milliseconds since 1970 of a local date and time; so a shift may last an hour more or less.
        starts_h: Hours at which shifts begin, in order.
    """
    day = first_day - timedelta(days=1)  # of whose last shift the range may begin in the middle
    begins: list[datetime] = []
    while not begins or to_ms(begins[-1]) < until_ms:
        begins += [datetime.combine(day, time(hour)) for hour in starts_h]
        day += timedelta(days=1)
    found = []
    for begin, end in pairwise(begins):
        name = f"{begin:%H}–{end:%H}"
        cut = Shift(begin.date(), name, max(since_ms, to_ms(begin)), min(until_ms, to_ms(end)))
        if cut.since_ms < cut.until_ms:
            found.append(cut)
    return found


def load(alarms: Iterable[Alarm], in_shifts: Sequence[Shift], *, operators: int = 1) -> Load:
    """The alarm load of the range that some shifts cover.

    Args:
        alarms: Any; those raised outside the range are left out.
        in_shifts: As `shifts` gives them: one after the other without a gap.
        operators: How many people look after the basins at a time.

    Raises:
        ValueError: No operator at all.
    """
    if operators < 1:
        raise ValueError(f"{operators} operators: somebody looks after the basins. Give 1 or more.")
    since_ms = in_shifts[0].since_ms if in_shifts else 0
    until_ms = in_shifts[-1].until_ms if in_shifts else 0
    within = [each for each in alarms if since_ms <= each.raised_ms < until_ms]
    within.sort(key=_by_raising)
    in_time = [each for each in within if not each.late]
    raised_ms = [each.raised_ms for each in in_time]
    return Load(
        shifts=[_of_shift(shift, within, operators) for shift in in_shifts],
        counts=_counts(within),
        per_10_min=_rate(len(in_time), until_ms - since_ms, operators),
        most_in_10_min=most_within(raised_ms) / operators,
        times={priority: seen_times(each for each in in_time if each.priority is priority) for priority in Priority},
        all_times=seen_times(in_time),
        frequent=_frequent(in_time),
    )


def _of_shift(shift: Shift, alarms: Sequence[Alarm], operators: int) -> ShiftLoad:
    first = bisect_left(alarms, shift.since_ms, key=_by_raising)
    within = alarms[first : bisect_left(alarms, shift.until_ms, key=_by_raising)]
    by_basin: defaultdict[str, list[Alarm]] = defaultdict(list)
    for each in within:
        by_basin[each.basin].append(each)
    counts = _counts(within)
    return ShiftLoad(
        shift,
        counts,
        {basin: _counts(found) for basin, found in sorted(by_basin.items())},
        _rate(counts.total, shift.until_ms - shift.since_ms, operators),
        most_within([each.raised_ms for each in within if not each.late]) / operators,
    )


def _by_raising(alarm: Alarm) -> int:
    return alarm.raised_ms


def _counts(alarms: Iterable[Alarm]) -> Counts:
    found = Counter("late" if each.late else each.priority.value for each in alarms)
    return Counts(**found)


def _rate(count: int, range_ms: int, operators: int) -> float:
    return count * TEN_MINUTES_MS / range_ms / operators if range_ms else 0.0


def most_within(raised_ms: Iterable[int], window_ms: int = TEN_MINUTES_MS) -> int:
    """Most alarms raised within a window, wherever it begins; its end does not belong to it."""
    times = sorted(raised_ms)
    most = first = 0
    for last, time_ms in enumerate(times):
        while time_ms - times[first] >= window_ms:
            first += 1
        most = max(most, last - first + 1)
    return most


def seen_times(alarms: Iterable[Alarm]) -> SeenTimes:
    """How soon alarms were seen, from their raising on; a clock that went back counts as at once."""
    times, ended_unseen, not_seen_yet = [], 0, 0
    for alarm in alarms:
        ended_ms, seen_ms = alarm.ended_ms, alarm.seen.at_ms if alarm.seen else None
        if seen_ms is not None and (ended_ms is None or seen_ms <= ended_ms):
            times.append(max(0, seen_ms - alarm.raised_ms))
        elif ended_ms is not None:
            ended_unseen += 1
        else:
            not_seen_yet += 1
    return SeenTimes(len(times), nearest_rank(times, 50), nearest_rank(times, 90), ended_unseen, not_seen_yet)


def nearest_rank(values: Iterable[int], percent: int) -> int | None:
    """A percentile by nearest rank: the smallest value that so many per cent of all are not above; None of none.

    Args:
        values: In any order.
        percent: 1 to 100.
    """
    ordered = sorted(values)
    return ordered[-(-len(ordered) * percent // 100) - 1] if ordered else None


def _frequent(alarms: Sequence[Alarm]) -> list[Frequent]:
    found = Counter((each.code, each.basin) for each in alarms)
    ordered = sorted(found.items(), key=lambda each: (-each[1], each[0]))
    return [Frequent(code, basin, count, _percent(count, len(alarms))) for (code, basin), count in ordered]


def standing(alarms: Iterable[Alarm], at_ms: int) -> list[Standing]:
    """What stands at a moment, the longest first."""
    found = [
        Standing(each, at_ms - each.raised_ms)
        for each in alarms
        if each.raised_ms <= at_ms and (each.ended_ms is None or each.ended_ms > at_ms)
    ]
    return sorted(found, key=lambda each: (-each.for_ms, each.alarm.id))


def _percent(part: int, whole: int) -> int:
    """Rounded to the nearest, halves up."""
    return (200 * part + whole) // (2 * whole)
