"""What the pages of the ledger ask."""

from __future__ import annotations

from collector import ledger
from collector.ledger import COLLECTOR, Record
from collector.record.book import Book
from dashboard.query import MissingError
from dashboard.record_query import PER_PAGE, Names, Part


def entries(book: Book, number: int, *, only_said: bool) -> dict[str, object]:
    """A page of records, newest first, and the end of the chain; `only_said`: what people said."""
    where = "who <> ?" if only_said else "? IS NOT NULL"
    rows = book.connection.execute(
        f"SELECT number FROM ledger WHERE {where} ORDER BY number DESC LIMIT ? OFFSET ?",  # noqa: S608 - of our own
        (COLLECTOR, PER_PAGE + 1, (number - 1) * PER_PAGE),
    ).fetchall()
    found = [each for (row,) in rows[:PER_PAGE] if (each := ledger.record(book.connection, row))]
    return {
        "names": Names(book),
        "head": ledger.head(book.connection),
        "part": Part(found, number, len(rows) > PER_PAGE),
    }


def entry(book: Book, number: int | None, asked: str) -> dict[str, object]:
    """One record, the hash before it, and whether its own hash holds.

    Raises:
        MissingError: There is no such record.
    """
    found = ledger.record(book.connection, number) if number else None
    if found is None:
        raise MissingError(f"There is no record {asked[:40]!r}. The newest are at /record.")
    previous = _previous(book, found)
    site = ledger.site_id(book.connection)
    return {
        "names": Names(book),
        "head": ledger.head(book.connection),
        "site_id": site,
        "record": found,
        "previous": previous,
        "holds": ledger.hashed(site, found, previous) == found.hash,
    }


def _previous(book: Book, record: Record) -> str:
    before = ledger.record(book.connection, record.number - 1)
    return before.hash if before else ledger.BEFORE_THE_FIRST
