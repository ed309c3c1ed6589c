"""What a period report is asked for: days at the site, and basins; checked before anything is counted."""

from __future__ import annotations

import datetime
from typing import NamedTuple

from collector.record.book import Book, as_date
from collector.record.errors import RefusedError

MOST_DAYS = 400
"""A year and what is left over of a month: longer papers are asked for year by year."""


class BasinRow(NamedTuple):
    """A basin: its row, "node/name", label and place."""

    id: int
    key: str
    label: str
    place: str


class Asked(NamedTuple):
    """What is asked for.

    Attributes:
        first: First local day.
        last: Last local day, which belongs to the range.
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive; never after the present.
        basins: Those asked for, in the order of the settings.
        everywhere: No basin is left out.
        place: The place asked for; empty: any.
        running: The last day is not over.
    """

    first: datetime.date
    last: datetime.date
    since_ms: int
    until_ms: int
    basins: tuple[BasinRow, ...]
    everywhere: bool
    place: str
    running: bool

    @property
    def days(self) -> int:
        """How many, the last one counted."""
        return (self.last - self.first).days + 1

    @property
    def keys(self) -> frozenset[str]:
        """Of the basins."""
        return frozenset(each.key for each in self.basins)

    def has(self, basin: str) -> bool:
        """Something at a basin ("" where it concerns none) belongs to the report."""
        return basin in self.keys or (self.everywhere and not basin)


def asked(book: Book, first: str, last: str, basin: str = "", place: str = "") -> Asked:
    """Check what is asked for.

    Args:
        book: To look in, at the present.
        first: First day, "2026-03-01".
        last: Last day.
        basin: Only this one, "node/name".
        place: Only basins at this place.

    Raises:
        RefusedError: It makes no sense; what would is said.
    """
    begin, end, today = as_date(first), as_date(last), book.local_date(book.at_ms)
    if begin > end:
        raise RefusedError("range-reversed", f"The first day, {begin}, is after the last, {end}.", "Exchange them.")
    if (end - begin).days >= MOST_DAYS:
        raise RefusedError(
            "range-too-long",
            f"{begin} to {end} are {(end - begin).days + 1} days; a report holds at most {MOST_DAYS}.",
            "Ask for it year by year.",
        )
    if end > today:
        raise RefusedError(
            "range-in-future",
            f"The last day, {end}, has not come yet: today is {today}.",
            "Ask for days up to today.",
        )
    if not datetime.date(1971, 1, 1) <= begin:
        raise RefusedError("range-before", f"Nothing can be on record of {begin}.", "Look at the year.")
    until_ms = _begin_ms(book, end + datetime.timedelta(days=1))
    return Asked(
        begin,
        end,
        _begin_ms(book, begin),
        min(until_ms, book.at_ms + 1),
        *_basins(book, basin, place),
        place,
        until_ms > book.at_ms,
    )


def basins_of(book: Book) -> tuple[BasinRow, ...]:
    """Every basin, in the order of the settings."""
    rows = book.connection.execute("SELECT id, node || '/' || name, label, place FROM basin ORDER BY id")
    return tuple(BasinRow(row_id, key, label or key, place) for row_id, key, label, place in rows.fetchall())


def _basins(book: Book, basin: str, place: str) -> tuple[tuple[BasinRow, ...], bool]:
    every = basins_of(book)
    if basin and basin not in {each.key for each in every}:
        known = f"There are: {', '.join(each.key for each in every[:20]) or 'none'}."
        raise RefusedError("unknown-basin", f"There is no basin {basin[:80]!r}.", known)
    places = list(dict.fromkeys(each.place for each in every if each.place))
    if place and place not in places:
        known = f"There are: {', '.join(places[:20]) or 'none'}."
        raise RefusedError("unknown-place", f"No basin stands at {place[:80]!r}.", known)
    chosen = tuple(each for each in every if place in ("", each.place) and basin in ("", each.key))
    if every and not chosen:
        raise RefusedError("unknown-basin", f"{basin} does not stand at {place!r}.", "Leave one of them out.")
    return chosen, len(chosen) == len(every)


def _begin_ms(book: Book, day: datetime.date) -> int:
    """A local day may have 23 or 25 hours."""
    return int(datetime.datetime.combine(day, datetime.time(), book.zone).timestamp() * 1000)
