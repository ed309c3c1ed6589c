"""Times as people read them, in a zone with summer time."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest

from dashboard.when import DAY_MS, HOUR_MS, SiteTime
from soak.quantity import utc_ms


@pytest.fixture
def central_europe(monkeypatch: pytest.MonkeyPatch) -> Iterator[SiteTime]:
    """A machine set to +01:00, +02:00 from the last Sunday of March to that of October (POSIX TZ, no zone files)."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield SiteTime()
    monkeypatch.undo()
    time.tzset()


def test_dates_cannot_be_misread(central_europe: SiteTime) -> None:
    ms = utc_ms("2026-03-03T12:18:05.250Z")
    assert central_europe.full(ms) == "Tue 3 Mar 2026 13:18:05"
    assert central_europe.evidence(ms) == "Tue 3 Mar 2026 13:18:05.2 +01:00"
    assert central_europe.rfc3339(ms) == "2026-03-03T13:18:05.250+01:00"


def test_the_date_is_left_out_only_today(central_europe: SiteTime) -> None:
    now_ms = utc_ms("2026-03-03T12:18:00Z")
    assert central_europe.near(now_ms - HOUR_MS, now_ms) == "12:18"
    assert central_europe.near(now_ms - DAY_MS, now_ms) == "Mon 2 Mar 2026 13:18"


def test_ready_is_rounded_up_to_the_minute(central_europe: SiteTime) -> None:
    """A promise is never early: one millisecond past 13:21 is 13:22, 13:22 sharp stays."""
    now_ms = utc_ms("2026-03-03T12:18:00Z")
    assert central_europe.ready(utc_ms("2026-03-03T12:21:00.001Z"), now_ms) == "13:22"
    assert central_europe.ready(utc_ms("2026-03-03T12:22:00.000Z"), now_ms) == "13:22"
    assert central_europe.ready(utc_ms("2026-03-03T23:05:00Z"), now_ms) == "Wed 4 Mar 2026 00:05"


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 3, 3), 24)])
def test_a_day_is_as_long_as_the_clocks_make_it(central_europe: SiteTime, day: date, hours: int) -> None:
    begin_ms, end_ms = central_europe.day_range(day)
    assert end_ms - begin_ms == hours * HOUR_MS
    assert central_europe.local_date(begin_ms) == central_europe.local_date(end_ms - 1) == day


def test_offsets_say_to_the_millisecond_when_the_clocks_change(central_europe: SiteTime) -> None:
    """In 2026 it begins on 29 March and ends on 25 October at 01:00 UTC (EU Directive 2000/84, from memory)."""
    found = central_europe.offsets(utc_ms("2026-03-20T00:00:00Z"), utc_ms("2026-11-20T00:00:00Z"))
    assert found == [
        (utc_ms("2026-03-20T00:00:00Z"), HOUR_MS),
        (utc_ms("2026-03-29T01:00:00Z"), 2 * HOUR_MS),
        (utc_ms("2026-10-25T01:00:00Z"), HOUR_MS),
    ]


def test_times_out_of_all_reason_do_not_raise(central_europe: SiteTime) -> None:
    """A node may claim any time; the page must come up all the same."""
    assert central_europe.day(2**53) == "Fri 1 Jan 2100"
    assert central_europe.day(-5).endswith("1970")


@pytest.mark.parametrize(
    ("hour", "text"),
    [
        (0, "12:05:09 AM"),
        (1, "1:05:09 AM"),
        (11, "11:05:09 AM"),
        (12, "12:05:09 PM"),
        (13, "1:05:09 PM"),
        (23, "11:05:09 PM"),
    ],
)
def test_a_clock_of_twelve_hours(hour: int, text: str) -> None:
    when = SiteTime(UTC, twelve=True)
    ms = when.moment_ms(datetime(2026, 3, 3, hour, 5, 9))  # noqa: DTZ001 - of the site
    assert when.clock_seconds(ms) == text
    assert when.evidence(ms).endswith(f" {hour:02d}:05:09.0 +00:00")
