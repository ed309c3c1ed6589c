"""Use lives in days and dates, to the last moment: equality, whole days, summer time, leap days."""

from __future__ import annotations

from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_kit import DAY_MS, HOUR_MS, MINUTE_MS, ZONE, at

from collector.record.solutions.lives import Calendar, after_days, bottle_use_by, end_of_day, fill_use_by, strips_use_by
from collector.record.things import Bottle, LastDay, Profile

MINUTE = Calendar(ZONE, LastDay.TO_THE_MINUTE)
COUNTS = Calendar(ZONE, LastDay.COUNTS)
NOT = Calendar(ZONE, LastDay.DOES_NOT_COUNT)


@pytest.mark.parametrize(
    ("began", "days", "calendar", "last"),
    [
        ("2026-03-02 09:00", 14, MINUTE, "2026-03-16 09:00"),
        ("2026-03-02 09:00:59", 14, MINUTE, "2026-03-16 09:00"),  # cut down to the minute that is shown
        ("2026-03-02 09:00", 0, MINUTE, "2026-03-02 09:00"),
        # summer time begins on 2026-03-29 at 02:00: 14 times 24 hours later it is 10:00, the same time is earlier
        ("2026-03-20 09:00", 14, MINUTE, "2026-04-03 09:00"),
        # it ends on 2026-10-25 at 03:00: 14 times 24 hours later it is 08:00, earlier than the same time of day
        ("2026-10-20 09:00", 14, MINUTE, "2026-11-03 08:00"),
        # a time of day that does not exist on 2026-03-29
        ("2026-03-15 02:30", 14, MINUTE, "2026-03-29 03:30"),
        # leap day
        ("2028-02-28 09:00", 1, MINUTE, "2028-02-29 09:00"),
        ("2028-02-29 09:00", 365, MINUTE, "2029-02-28 09:00"),
        ("2027-12-31 23:59", 1, MINUTE, "2028-01-01 23:59"),
    ],
)
def test_to_the_minute(began: str, days: int, calendar: Calendar, last: str) -> None:
    assert after_days(at(began), days, calendar) == at(last)


def test_a_time_of_day_that_comes_twice_counts_to_its_first() -> None:
    """2026-10-25 02:30 comes twice: the first is one hour before the second."""
    first = at("2026-10-25 02:30")
    assert after_days(at("2026-10-11 02:30"), 14, MINUTE) == first
    assert first + HOUR_MS == at("2026-10-25 03:00") - HOUR_MS // 2


@pytest.mark.parametrize(
    ("began", "days", "last_counted", "last_not_counted"),
    [
        ("2026-03-02 00:00", 14, "2026-03-17 00:00", "2026-03-16 00:00"),
        ("2026-03-02 23:59", 14, "2026-03-17 00:00", "2026-03-16 00:00"),
        ("2026-03-15 09:00", 14, "2026-03-30 00:00", "2026-03-29 00:00"),  # ends on the day of 23 hours
        ("2026-10-11 09:00", 14, "2026-10-26 00:00", "2026-10-25 00:00"),  # ends on the day of 25 hours
        ("2028-02-15 09:00", 14, "2028-03-01 00:00", "2028-02-29 00:00"),  # leap day
        ("2026-12-18 09:00", 14, "2027-01-02 00:00", "2027-01-01 00:00"),
    ],
)
def test_whole_days(began: str, days: int, last_counted: str, last_not_counted: str) -> None:
    """The last millisecond of a day is the one before the next begins."""
    assert after_days(at(began), days, COUNTS) == at(last_counted) - 1
    assert after_days(at(began), days, NOT) == at(last_not_counted) - 1


def test_the_end_of_a_day_knows_its_length() -> None:
    assert end_of_day("2026-03-29", ZONE) - at("2026-03-29 00:00") == 23 * HOUR_MS - 1
    assert end_of_day("2026-10-25", ZONE) - at("2026-10-25 00:00") == 25 * HOUR_MS - 1
    assert end_of_day("2028-02-29", ZONE) == at("2028-03-01 00:00") - 1
    assert end_of_day("2026-06-01", ZoneInfo("UTC")) == at("2026-06-01 00:00", ZoneInfo("UTC")) + DAY_MS - 1


@given(
    began=st.integers(at("2020-01-01 00:00"), at("2035-01-01 00:00")),
    days=st.integers(0, 400),
    last_day=st.sampled_from(LastDay),
)
def test_no_way_to_count_is_longer_than_it_says(began: int, days: int, last_day: LastDay) -> None:
    """To the minute never exceeds 24 hours a day; whole days end on the date they name, and the strict one earlier."""
    last = after_days(began, days, Calendar(ZONE, last_day))
    if last_day is LastDay.TO_THE_MINUTE:
        assert last <= began + days * DAY_MS
        assert last >= began + days * DAY_MS - HOUR_MS - MINUTE_MS
        assert last % MINUTE_MS == 0
    else:
        strict = after_days(began, days, NOT)
        assert strict == after_days(began, days - 1, COUNTS)
        assert strict <= began + days * DAY_MS + HOUR_MS


def bottle(name: str = "B1", expires: str = "2026-12-31", **more: Any) -> Bottle:
    fixed = {"profile": "opa", "lot": "L1", "volume_ml": 1, "left_ml": 1, "received_ms": 0, "use_by_ms": 0}
    return Bottle(id=name, expires=expires, **fixed, **more)


PROFILE = Profile(id="opa", name="any", reuse_days=14, opened_days=30, activated_days=20)
POUR = at("2026-03-02 09:00")


def test_a_closed_bottle_lasts_to_the_end_of_its_expiry_day() -> None:
    use_by = bottle_use_by(bottle(), PROFILE, MINUTE)
    assert use_by == (at("2027-01-01 00:00") - 1, "expiry 2026-12-31 of bottle B1, that day counts")


def test_an_open_bottle_lasts_for_its_opened_container_use_life() -> None:
    use_by = bottle_use_by(bottle(opened_ms=POUR), PROFILE, MINUTE)
    assert use_by == (
        at("2026-04-01 09:00"),
        "opened-container use life of 30 days from opening, counted to the minute",
    )


def test_a_label_without_an_opened_container_use_life_leaves_the_expiry() -> None:
    profile = msgspec.structs.replace(PROFILE, opened_days=None)
    assert bottle_use_by(bottle(opened_ms=POUR), profile, MINUTE).ms == at("2027-01-01 00:00") - 1


def test_opening_never_outlasts_the_expiry() -> None:
    use_by = bottle_use_by(bottle(expires="2026-03-31", opened_ms=POUR), PROFILE, MINUTE)
    assert use_by == (at("2026-04-01 00:00") - 1, "expiry 2026-03-31 of bottle B1, that day counts")


def test_an_activated_bottle_may_not_be_poured_past_its_activated_life() -> None:
    use_by = bottle_use_by(bottle(opened_ms=POUR, activated_ms=POUR), PROFILE, MINUTE)
    assert use_by == (
        at("2026-03-22 09:00"),
        "activated life of 20 days from activation of bottle B1, counted to the minute",
    )


@pytest.mark.parametrize(
    ("bottles", "last", "why"),
    [
        ([bottle()], at("2026-03-16 09:00"), "reuse life of 14 days from pouring, counted to the minute"),
        (
            [bottle(), bottle("B2", "2026-03-10")],
            at("2026-03-11 00:00") - 1,
            "expiry 2026-03-10 of bottle B2, that day counts",
        ),
        (
            [bottle(activated_ms=at("2026-02-20 09:00")), bottle("B2")],
            at("2026-03-12 09:00"),
            "activated life of 20 days from activation of bottle B1, counted to the minute",
        ),
        # how long the bottle was open limits its pouring, not the fill
        (
            [bottle(opened_ms=at("2026-02-01 09:00"))],
            at("2026-03-16 09:00"),
            "reuse life of 14 days from pouring, counted to the minute",
        ),
    ],
)
def test_a_fill_ends_with_the_first_of_its_limits(bottles: list[Bottle], last: int, why: str) -> None:
    assert fill_use_by(PROFILE, POUR, bottles, MINUTE) == (last, why)


@pytest.mark.parametrize(
    ("calendar", "why"),
    [
        (COUNTS, "reuse life of 14 days from pouring, the last day counts"),
        (NOT, "reuse life of 14 days from pouring, the last day does not count"),
    ],
)
def test_whether_the_last_day_counts_is_said(calendar: Calendar, why: str) -> None:
    assert fill_use_by(PROFILE, POUR, [bottle()], calendar).why == why


def test_one_day_is_a_day() -> None:
    profile = msgspec.structs.replace(PROFILE, reuse_days=1)
    assert fill_use_by(profile, POUR, [], MINUTE).why == "reuse life of 1 day from pouring, counted to the minute"


def test_a_single_use_fill_does_not_stand_for_ever() -> None:
    profile = Profile(id="single", name="any", single_use=True)
    for calendar in (MINUTE, COUNTS, NOT):
        assert fill_use_by(profile, POUR, [bottle()], calendar) == (
            at("2026-03-03 09:00"),
            "single use, at most a day from pouring",
        )


def test_strips_last_for_their_open_life_but_not_past_their_expiry() -> None:
    assert strips_use_by("2026-12-31", None, 90, MINUTE) == (
        at("2027-01-01 00:00") - 1,
        "expiry 2026-12-31, that day counts",
    )
    # summer time has begun in between: 90 times 24 hours later it is 10:00, the same time of day is earlier
    assert strips_use_by("2026-12-31", POUR, 90, MINUTE) == (
        at("2026-05-31 09:00"),
        "open life of 90 days from opening, counted to the minute",
    )
    assert strips_use_by("2026-03-31", POUR, 90, MINUTE).why == "expiry 2026-03-31, that day counts"


@given(
    days=st.integers(0, 60),
    expiries=st.lists(st.dates(date(2026, 3, 1), date(2027, 3, 1)), max_size=4),
    activated=st.lists(st.integers(0, 40), max_size=4),
    last_day=st.sampled_from(LastDay),
)
def test_topping_up_never_extends(days: int, expiries: list[Any], activated: list[int], last_day: LastDay) -> None:
    """Each bottle more can only bring the end nearer."""
    calendar = Calendar(ZONE, last_day)
    profile = msgspec.structs.replace(PROFILE, reuse_days=days)
    bottles = [bottle(f"B{n}", each.isoformat()) for n, each in enumerate(expiries, 1)]
    bottles += [bottle(f"A{n}", activated_ms=POUR - each * DAY_MS) for n, each in enumerate(activated, 1)]
    ends = [fill_use_by(profile, POUR, bottles[:count], calendar).ms for count in range(len(bottles) + 1)]
    assert ends == sorted(ends, reverse=True)
