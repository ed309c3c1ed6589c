"""Alarm load by examples worked by hand: each figure says how it comes about."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from datetime import date, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_kit import HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, ZONE, at

from collector.alarms.load import (
    Counts,
    Frequent,
    SeenTimes,
    Shift,
    load,
    most_within,
    nearest_rank,
    seen_times,
    shifts,
    standing,
)
from collector.record.things import Alarm, Seen
from soak.alarms import KINDS, Priority

Raise = Callable[..., Alarm]
DAY = date(2026, 3, 2)


def to_ms(local: datetime) -> int:
    return int(local.replace(tzinfo=ZONE).timestamp() * 1000)


@pytest.fixture
def raised() -> Raise:
    """Makes an alarm that was raised so long after Monday 09:00; ids follow on."""
    number = 0

    def make(after_ms: int = 0, code: str = "below-minimum", basin: str = "n1/b1", **more: object) -> Alarm:
        nonlocal number
        number += 1
        raised_ms = MONDAY + after_ms
        if isinstance(seen_ms := more.pop("seen_ms", None), int):
            more["seen"] = Seen("tina", raised_ms + seen_ms)
        if isinstance(ended := more.pop("ended_after_ms", None), int):
            more["ended_ms"] = raised_ms + ended
        given = {"priority": KINDS[code].priority, "cause_ms": raised_ms, "text": "It is.", **more}
        return Alarm(id=f"W{number}", code=code, about=basin, basin=basin, raised_ms=raised_ms, **given)  # type: ignore[arg-type]

    return make


def test_a_day_has_three_shifts_and_the_range_cuts_the_first_and_the_last() -> None:
    """From 09:00 on Monday to 07:00 on Tuesday: 5 h of the early shift, the late one, the night, 1 h of the next."""
    found = shifts(MONDAY, at("2026-03-03 07:00"), DAY, to_ms)
    assert found == [
        Shift(DAY, "06–14", MONDAY, at("2026-03-02 14:00")),
        Shift(DAY, "14–22", at("2026-03-02 14:00"), at("2026-03-02 22:00")),
        Shift(DAY, "22–06", at("2026-03-02 22:00"), at("2026-03-03 06:00")),
        Shift(date(2026, 3, 3), "06–14", at("2026-03-03 06:00"), at("2026-03-03 07:00")),
    ]


def test_a_range_before_six_belongs_to_the_night_that_began_the_day_before() -> None:
    assert shifts(at("2026-03-02 02:00"), at("2026-03-02 03:00"), DAY, to_ms) == [
        Shift(date(2026, 3, 1), "22–06", at("2026-03-02 02:00"), at("2026-03-02 03:00"))
    ]


@pytest.mark.parametrize(("night", "hours"), [("2026-03-28", 7), ("2026-10-24", 9), ("2026-03-02", 8)])
def test_the_night_of_the_clock_change_is_an_hour_shorter_or_longer(night: str, hours: int) -> None:
    """Berlin: clocks go forward on 29 March 2026 and back on 25 October."""
    begin_ms = at(f"{night} 22:00")
    (found,) = shifts(begin_ms, begin_ms + hours * HOUR_MS, date.fromisoformat(night), to_ms)
    assert (found.name, found.until_ms - found.since_ms) == ("22–06", hours * HOUR_MS)
    assert len(shifts(begin_ms, begin_ms + hours * HOUR_MS + 1, date.fromisoformat(night), to_ms)) == 2


def test_alarms_by_shift_and_basin_and_per_ten_minutes(raised: Raise) -> None:
    """09:00 to 14:00 and 14:00 to 22:00. In the first five hours, thirty times ten minutes, six alarms in time: 0.2
    per ten minutes; four of them within ten minutes (at 0, 1, 2 and 9 min 59.999 s; the one at 10 min is outside of the
    first window, and the window from 1 min on holds 1, 2, 9:59.999 and 10 min: four as well). One late.
    """
    alarms = [
        raised(0),
        raised(MINUTE_MS, "opened-early"),
        raised(2 * MINUTE_MS, basin="n1/b2"),
        raised(10 * MINUTE_MS - 1),
        raised(10 * MINUTE_MS, "soak-waits"),
        raised(4 * HOUR_MS, "disk-nearly-full", ""),
        raised(HOUR_MS, "opened-early", late=True),
        raised(5 * HOUR_MS),  # 14:00 to the millisecond: of the shift that begins
        raised(-1),  # before the range
        raised(13 * HOUR_MS),  # 22:00: after it
    ]
    found = load(alarms, shifts(MONDAY, at("2026-03-02 22:00"), DAY, to_ms))
    early, late = found.shifts
    assert early.counts == Counts(high=1, medium=3, low=2, late=1)
    assert early.by_basin == {
        "": Counts(low=1),
        "n1/b1": Counts(high=1, medium=2, low=1, late=1),
        "n1/b2": Counts(medium=1),
    }
    assert (early.per_10_min, early.most_in_10_min) == (6 / 30, 4)
    assert (late.counts, late.per_10_min, late.most_in_10_min) == (Counts(medium=1), 1 / 48, 1)
    assert found.counts == Counts(high=1, medium=4, low=2, late=1)
    assert found.per_10_min == 7 / 78  # thirteen hours are 78 times ten minutes
    assert [found.share_percent(each) for each in Priority] == [14, 57, 29]  # 1, 4 and 2 of 7


def test_two_operators_share_the_load(raised: Raise) -> None:
    """Six alarms at once in one hour: 1 per ten minutes, 0.5 for each of two; at most 3 of them for each."""
    found = load([raised() for _ in range(6)], shifts(MONDAY, MONDAY + HOUR_MS, DAY, to_ms), operators=2)
    assert (found.per_10_min, found.most_in_10_min) == (0.5, 3)
    with pytest.raises(ValueError, match="0 operators: somebody looks after the basins"):
        load([], [], operators=0)


def test_nothing_at_all() -> None:
    found = load([], shifts(MONDAY, MONDAY + HOUR_MS, DAY, to_ms))
    assert (found.counts, found.per_10_min, found.most_in_10_min, found.frequent) == (Counts(), 0, 0, [])
    assert found.all_times == SeenTimes(0, None, None, 0, 0)
    assert found.share_percent(Priority.HIGH) is None


def test_times_to_being_seen(raised: Raise) -> None:
    """Ten are seen after 1 s, 2 s, … 10 s: median by nearest rank the 5th, p90 the 9th. One ended first, one was seen
    only after its end: both ended unseen. One waits. A clock that went back counts as at once, and moves both ranks:
    of 0, 1, … 10 s the median is the 6th, 5 s, and p90 the 10th, 9 s.
    """
    ten = [raised(seen_ms=second * SECOND_MS) for second in range(1, 11)]
    others = [raised(ended_after_ms=500), raised(seen_ms=501, ended_after_ms=500), raised()]
    assert seen_times([*ten, *others]) == SeenTimes(10, 5 * SECOND_MS, 9 * SECOND_MS, 2, 1)
    assert seen_times([*ten, raised(seen_ms=-5)]) == SeenTimes(11, 5 * SECOND_MS, 9 * SECOND_MS, 0, 0)


def test_an_alarm_that_ends_by_being_seen_was_seen(raised: Raise) -> None:
    """One that lasts until then ends at that very millisecond."""
    assert seen_times([raised(seen_ms=700, ended_after_ms=700)]) == SeenTimes(1, 700, 700, 0, 0)


def test_late_ones_are_in_no_time(raised: Raise) -> None:
    """Nobody could have seen them in time."""
    alarms = [raised(seen_ms=9, late=True), raised(seen_ms=7, code="bad-fill")]
    found = load(alarms, shifts(MONDAY, MONDAY + HOUR_MS, DAY, to_ms))
    assert found.all_times == SeenTimes(1, 7, 7, 0, 0)
    assert found.times[Priority.HIGH] == found.all_times
    assert found.times[Priority.MEDIUM] == SeenTimes(0, None, None, 0, 0)


def test_most_frequent_by_kind_and_basin(raised: Raise) -> None:
    """Three of seven are 43 per cent (42.86), two 29 (28.57), one 14 (14.29); of equals the first by name."""
    alarms = [
        *(raised(basin="n1/b2") for _ in range(3)),
        *(raised(code="lid-left-open") for _ in range(2)),
        raised(code="opened-early"),
        raised(code="guard-band"),
        raised(code="guard-band", late=True),
    ]
    assert load(alarms, shifts(MONDAY, MONDAY + HOUR_MS, DAY, to_ms)).frequent == [
        Frequent("below-minimum", "n1/b2", 3, 43),
        Frequent("lid-left-open", "n1/b1", 2, 29),
        Frequent("guard-band", "n1/b1", 1, 14),
        Frequent("opened-early", "n1/b1", 1, 14),
    ]


def test_what_stands_the_longest_first(raised: Raise) -> None:
    """At one hour: raised at 0 and at 50 min; one that ended at that very moment stands no more."""
    alarms = [
        raised(50 * MINUTE_MS),
        raised(0),
        raised(0, ended_after_ms=HOUR_MS),
        raised(0, ended_after_ms=HOUR_MS + 1),
        raised(HOUR_MS + 1),
    ]
    found = [(each.alarm.id, each.for_ms) for each in standing(alarms, MONDAY + HOUR_MS)]
    assert found == [("W2", HOUR_MS), ("W4", HOUR_MS), ("W1", 10 * MINUTE_MS)]


@given(st.lists(st.integers(0, 10**7), min_size=1), st.integers(1, 100))
def test_nearest_rank_as_others_compute_it(values: list[int], percent: int) -> None:
    """numpy calls nearest rank the inverted distribution function; the statistics module has the lower median."""
    assert nearest_rank(values, percent) == np.percentile(values, percent, method="inverted_cdf")
    assert nearest_rank(values, 50) == statistics.median_low(values)


@given(st.lists(st.integers(0, 3_000)))
def test_most_within_a_window_as_counted_one_by_one(times: list[int]) -> None:
    """A window that holds most can begin at an alarm: try them all."""
    assert most_within(times, 600) == max((sum(0 <= b - a < 600 for b in times) for a in times), default=0)
