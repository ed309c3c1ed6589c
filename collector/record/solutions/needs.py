"""What deeds about solutions ask of what people type."""

from __future__ import annotations

import datetime
from typing import Annotated

import msgspec

from collector.record import said
from collector.record.book import Book, as_date
from collector.record.deed import Deed
from collector.record.errors import RefusedError, UnknownThingError
from collector.record.solutions.lives import Calendar

Volume = Annotated[int, msgspec.Meta(ge=1, le=1_000_000)]
"""Millilitres of something that is there."""

OpenDays = Annotated[int, msgspec.Meta(ge=1, le=3_660)]
"""Days for which something may be used once open."""

_LONGEST_YEARS = 30
"""No container keeps that long: a date further off was mistyped."""


def need_reason(deed: Deed, what: str) -> None:
    """Refuse a deed without a reason.

    Args:
        deed: Which.
        what: What it is, e.g. "Discarding fill F1".
    """
    said.need_reason(deed, f"{what} needs a reason.", "Say in a few words why.")


def expiry(book: Book, text: str) -> str:
    """A date printed as expiry, in ISO form.

    Raises:
        RefusedError: There is no such day, or it lies so far off that it was mistyped.
    """
    day = as_date(text)
    today = book.local_date(book.at_ms)
    if abs(day.year - today.year) > _LONGEST_YEARS:
        raise RefusedError(
            "date", f"{text} is more than {_LONGEST_YEARS} years from today.", "Type the date again as it is printed."
        )
    return day.isoformat()


def past_date(book: Book, text: str, what: str) -> str:
    """A date that cannot lie ahead, in ISO form."""
    day = as_date(text)
    if day > book.local_date(book.at_ms) + datetime.timedelta(days=1):
        raise RefusedError("date", f"{what} {text} lies ahead.", "Type the date again as it is printed.")
    return day.isoformat()


def moment(book: Book, deed: Deed, at_ms: int | None, what: str) -> int:
    """When something happened: now, or earlier where somebody records it late and says why.

    Raises:
        RefusedError: It lies ahead, or is late without a reason.
    """
    if at_ms is None:
        return book.at_ms
    if at_ms > book.at_ms:
        raise RefusedError("time", f"{what} at {book.local_text(at_ms)} lies ahead.", "Type the time again.")
    need_reason(deed, f"{what} recorded late")
    return at_ms


def calendar(book: Book) -> Calendar:
    """The site's local time, and how it counts days."""
    return Calendar(book.zone, book.policy.last_day)


def known_basin(book: Book, basin: str) -> str:
    """A basin that the collector knows.

    Raises:
        UnknownThingError: It does not.
    """
    row = book.connection.execute("SELECT 1 FROM basin WHERE node = ? AND name = ?", tuple(basin.split("/")))
    if row.fetchone() is None:
        raise UnknownThingError("basin", basin, "Choose a basin of the list, or name it in the collector's settings.")
    return basin


def basin_name(book: Book, basin: str) -> str:
    """A basin as people call it; its key where nobody has named it."""
    row = book.connection.execute("SELECT label FROM basin WHERE node = ? AND name = ?", tuple(basin.split("/")))
    found = row.fetchone()
    return str(found[0]) if found and found[0] else f"basin {basin}"


def listed(words: list[str], last: str = "and") -> str:
    """Words as people list them: "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"
