"""Who is told, and when: high always, whatever the hour or the day."""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.listed import reaches
from collector.settings import NotifySettings
from soak.alarms import Priority

BERLIN = ZoneInfo("Europe/Berlin")
HIGH, MEDIUM, LOW = Priority


def person(quiet: str | None = None, least: Priority = LOW, *, closed_days: bool = False) -> NotifySettings:
    return NotifySettings("Sam", "sam.txt", least, quiet, closed_days)


def local(text: str, fold: int = 0) -> datetime.datetime:
    return datetime.datetime.fromisoformat(text).replace(tzinfo=BERLIN, fold=fold)


TIMES = st.times().map(lambda time: f"{time:%H:%M}")


@given(
    st.tuples(TIMES, TIMES).filter(lambda hours: hours[0] != hours[1]).map("-".join) | st.none(),
    st.sampled_from(Priority),
    st.booleans(),
    st.booleans(),
    st.datetimes(timezones=st.just(BERLIN)),
)
def test_high_is_never_muted(
    quiet: str | None, least: Priority, closed_days: bool, closed_day: bool, now: datetime.datetime
) -> None:
    assert reaches(person(quiet, least, closed_days=closed_days), HIGH, now, closed_day=closed_day)


@pytest.mark.parametrize(
    ("time", "told"),
    [
        ("19:59:59", True),
        ("20:00", False),
        ("23:59:59.999", False),
        ("00:00", False),
        ("06:29:59", False),
        ("06:30", True),
        ("12:00", True),
    ],
)
def test_quiet_hours_go_over_midnight(time: str, told: bool) -> None:
    one = person("20:00-06:30")
    assert reaches(one, MEDIUM, local(f"2026-03-02 {time}"), closed_day=False) is told
    assert reaches(one, LOW, local(f"2026-03-02 {time}"), closed_day=False) is told
    assert reaches(one, HIGH, local(f"2026-03-02 {time}"), closed_day=False)


@pytest.mark.parametrize(("time", "told"), [("11:59", True), ("12:00", False), ("12:59", False), ("13:00", True)])
def test_quiet_hours_within_a_day(time: str, told: bool) -> None:
    assert reaches(person("12:00-13:00"), LOW, local(f"2026-03-02 {time}"), closed_day=False) is told


@pytest.mark.parametrize(
    ("utc", "told"),
    [
        ("2026-03-28 23:00", True),  # 00:00 by winter time
        ("2026-03-29 00:30", False),  # 01:30
        ("2026-03-29 01:00", True),  # 03:00 by summer time: the hours to 02:30 are over, 02:30 never came
        ("2026-10-24 22:30", True),  # 00:30 by summer time
        ("2026-10-25 00:15", False),  # 02:15 by summer time
        ("2026-10-25 00:45", True),  # 02:45
        ("2026-10-25 01:15", False),  # 02:15 again, by winter time
        ("2026-10-25 01:30", True),  # 02:30
    ],
)
def test_hours_are_those_of_the_clock_on_the_wall(utc: str, told: bool) -> None:
    now = datetime.datetime.fromisoformat(utc).replace(tzinfo=datetime.UTC).astimezone(BERLIN)
    assert reaches(person("01:00-02:30"), MEDIUM, now, closed_day=False) is told
    assert reaches(person("01:00-02:30"), HIGH, now, closed_day=False)


@pytest.mark.parametrize(
    ("least", "told"),
    [(HIGH, {HIGH}), (MEDIUM, {HIGH, MEDIUM}), (LOW, {HIGH, MEDIUM, LOW})],
    ids=["high", "medium", "low"],
)
def test_the_least_urgent_that_reaches_somebody(least: Priority, told: set[Priority]) -> None:
    noon = local("2026-03-02 12:00")
    assert {each for each in Priority if reaches(person(least=least), each, noon, closed_day=False)} == told


def test_closed_days_keep_back_less_than_high_unless_asked_for() -> None:
    noon = local("2026-03-01 12:00")
    assert {each for each in Priority if reaches(person(), each, noon, closed_day=True)} == {HIGH}
    asked = person("20:00-06:30", MEDIUM, closed_days=True)
    assert {each for each in Priority if reaches(asked, each, noon, closed_day=True)} == {HIGH, MEDIUM}
    assert {each for each in Priority if reaches(asked, each, local("2026-03-01 22:00"), closed_day=True)} == {HIGH}
