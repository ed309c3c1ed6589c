"""How long solution and strips may be used: days and dates as labels print them, to the last moment. Pure.

Every moment here is the last one that still counts, milliseconds since 1970; equality is in date.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import NamedTuple

from collector.record.things import Bottle, LastDay, Profile

_DAY = datetime.timedelta(days=1)
_MINUTE_MS = 60_000


class Calendar(NamedTuple):
    """The site's local time, and what "14 days" means there.

    Attributes:
        zone: Local time.
        last_day: How use lives in days are counted.
    """

    zone: datetime.tzinfo
    last_day: LastDay


class UseBy(NamedTuple):
    """A last moment, and why it is that one.

    Attributes:
        ms: Milliseconds since 1970.
        why: In words, e.g. "reuse life of 14 days from pouring, counted to the minute".
    """

    ms: int
    why: str


LAST_DAY_WORDS = {
    LastDay.TO_THE_MINUTE: "counted to the minute",
    LastDay.COUNTS: "the last day counts",
    LastDay.DOES_NOT_COUNT: "the last day does not count",
}


def after_days(from_ms: int, days: int, calendar: Calendar) -> int:
    """The last moment of a use life that is printed in days.

    To the minute: the same time of day so many days later, or so many times 24 hours later, whichever is earlier (they
    differ where summer time begins or ends), cut down to the minute, so that what is shown is what holds. In whole
    days the last day is the date so many days later: it counts to its end, or the day before it is the last.

    Args:
        from_ms: When it began, milliseconds since 1970.
        days: How many.
        calendar: Of the site.
    """
    began = datetime.datetime.fromtimestamp(from_ms / 1000, calendar.zone)
    if calendar.last_day is LastDay.TO_THE_MINUTE:
        same_time_ms = int((began.replace(tzinfo=None) + days * _DAY).replace(tzinfo=calendar.zone).timestamp() * 1000)
        return min(same_time_ms, from_ms + days * 24 * 60 * _MINUTE_MS) // _MINUTE_MS * _MINUTE_MS
    last = began.date() + days * _DAY
    return end_of_day(last if calendar.last_day is LastDay.COUNTS else last - _DAY, calendar.zone)


def end_of_day(date: str | datetime.date, zone: datetime.tzinfo) -> int:
    """The last millisecond of a day: dates printed as expiry count to here (common practice)."""
    day = datetime.date.fromisoformat(date) if isinstance(date, str) else date
    return int(datetime.datetime.combine(day + _DAY, datetime.time(), zone).timestamp() * 1000) - 1


def bottle_use_by(bottle: Bottle, profile: Profile, calendar: Calendar) -> UseBy:
    """Until when a bottle may be poured: expiry, opened-container use life, activated life, the earliest of them."""
    limits = [_expiry(bottle, calendar)]
    if bottle.opened_ms is not None and profile.opened_days is not None:
        limits.append(_life("opened-container use life", profile.opened_days, "opening", bottle.opened_ms, calendar))
    return _earliest(limits + _activation(bottle, profile, calendar))


def fill_use_by(profile: Profile, poured_ms: int, bottles: Iterable[Bottle], calendar: Calendar) -> UseBy:
    """Until when a fill may be used: reuse life from the pour, activated life, and the expiry of every bottle in it.

    Toppings-up extend nothing: the pour stays the pour, and each bottle can only bring the end nearer.

    Args:
        profile: What the bottles share. A single use without a printed life gets one day: our own choice, for a fill
            that was never used must not stand for ever.
        poured_ms: When it was poured.
        bottles: Everything that was poured into it.
        calendar: Of the site.
    """
    limits = []
    if profile.reuse_days is not None:
        limits.append(_life("reuse life", profile.reuse_days, "pouring", poured_ms, calendar))
    elif profile.single_use:
        to_the_minute = calendar._replace(last_day=LastDay.TO_THE_MINUTE)
        limits.append(UseBy(after_days(poured_ms, 1, to_the_minute), "single use, at most a day from pouring"))
    for bottle in bottles:
        limits += [_expiry(bottle, calendar), *_activation(bottle, profile, calendar)]
    return _earliest(limits)


def strips_use_by(expires: str, opened_ms: int | None, open_days: int, calendar: Calendar) -> UseBy:
    """Until when a strip bottle may be used: its expiry and, once open, its open life, the earlier of them."""
    limits = [UseBy(end_of_day(expires, calendar.zone), f"expiry {expires}, that day counts")]
    if opened_ms is not None:
        limits.append(_life("open life", open_days, "opening", opened_ms, calendar))
    return _earliest(limits)


def _earliest(limits: list[UseBy]) -> UseBy:
    return min(limits, key=lambda limit: limit.ms)


def _expiry(bottle: Bottle, calendar: Calendar) -> UseBy:
    why = f"expiry {bottle.expires} of bottle {bottle.id}, that day counts"
    return UseBy(end_of_day(bottle.expires, calendar.zone), why)


def _activation(bottle: Bottle, profile: Profile, calendar: Calendar) -> list[UseBy]:
    if bottle.activated_ms is None or profile.activated_days is None:
        return []
    since = f"activation of bottle {bottle.id}"
    return [_life("activated life", profile.activated_days, since, bottle.activated_ms, calendar)]


def _life(name: str, days: int, since: str, from_ms: int, calendar: Calendar) -> UseBy:
    counted = LAST_DAY_WORDS[calendar.last_day]
    unit = "day" if days == 1 else "days"
    return UseBy(after_days(from_ms, days, calendar), f"{name} of {days} {unit} from {since}, {counted}")
