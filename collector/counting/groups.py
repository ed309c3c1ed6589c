"""Local days and weeks: what is counted together. Pure; a day may have 23 or 25 hours."""

from __future__ import annotations

import enum
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta
from typing import NamedTuple, TypeVar

T = TypeVar("T")


class Step(enum.StrEnum):
    """How long a group is."""

    DAY = "day"
    WEEK = "week"


class Group(NamedTuple):
    """A local day, or a local week from Monday on; the first and the last week are cut to the range.

    Attributes:
        name: ISO 8601: "2026-03-03", or "2026-W10".
        first: Its first day that is in the range.
        since_ms: Its begin, milliseconds since 1970.
        until_ms: Its end, exclusive.
    """

    name: str
    first: date
    since_ms: int
    until_ms: int


def groups(first: date, last: date, step: Step, day_range: Callable[[date], tuple[int, int]]) -> list[Group]:
    """The groups of a range of days, oldest first, without a gap between them.

    Args:
        first: First local day.
        last: Last local day, which belongs to the range.
        step: Days or weeks.
        day_range: Begin and end of a local day in milliseconds since 1970.
    """
    found = []
    day = first
    while day <= last:
        end = day if step is Step.DAY else min(last, day + timedelta(days=6 - day.weekday()))
        found.append(Group(_name(day, step), day, day_range(day)[0], day_range(end)[1]))
        day = end + timedelta(days=1)
    return found


def _name(day: date, step: Step) -> str:
    year, week, _ = day.isocalendar()
    return day.isoformat() if step is Step.DAY else f"{year}-W{week:02d}"


def sorted_into(items: Iterable[T], moment_ms: Callable[[T], int], into: Sequence[Group]) -> list[list[T]]:
    """Things by the group that their moment is in; what is in none is left out.

    Args:
        items: Any.
        moment_ms: A thing's moment, milliseconds since 1970.
        into: Groups as `groups` gives them.

    Returns:
        One list for each group, in their order.
    """
    begins = [each.since_ms for each in into]
    found: list[list[T]] = [[] for _ in into]
    for item in items:
        place = bisect_right(begins, moment_ms(item)) - 1
        if place >= 0 and moment_ms(item) < into[place].until_ms:
            found[place].append(item)
    return found
