"""Closures by everything that is asked for at once, newest first, a page at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

import msgspec

from collector.evidence.around import AFTER_OPENING_MS
from collector.read import Reader, StoredClosure
from collector.record.book import Book
from dashboard.audit.spans import (
    Sieve,
    of_alarm,
    of_device,
    of_encounter,
    of_lot,
    of_person,
)
from dashboard.audit.wanted import Place, Wanted, span_of
from dashboard.when import SiteTime

PER_PAGE = 50
MOST_COUNTED = 1_000

_SIEVES = {"device": of_device, "encounter": of_encounter, "lot": of_lot, "person": of_person, "alarm": of_alarm}


class Searched(NamedTuple):
    """What was found.

    Attributes:
        clauses: Of SQL, over the table of closures.
        values: Theirs.
        means: What each field that was filled in was taken for: ids of things, by field.
    """

    clauses: str
    values: tuple[object, ...]
    means: dict[str, list[str]]


def search(book: Book, wanted: Wanted, when: SiteTime) -> Searched:
    """Make the question once; `rows` and `count` then ask it.

    Args:
        book: To look in.
        wanted: Without mistakes.
        when: The site's time, in which its days are meant.
    """
    since_ms, until_ms = span_of(wanted, when)
    clauses: list[str] = ["superseded_by IS NULL"]
    values: list[object] = []
    for clause, given in (
        ("basin_id = ?", _basin_ids(book.connection).get(wanted.basin) if wanted.basin else None),
        ("closing_utc_ms >= ?", since_ms),
        ("closing_utc_ms < ?", until_ms),
        ("verdict = ?", wanted.verdict or None),
    ):
        if given is not None:
            clauses.append(clause)
            values.append(given)
    asked = wanted.said()
    sieves = {name: sieve(book, asked[name]) for name, sieve in _SIEVES.items() if name in asked}
    if sieves:
        fitting = set.intersection(*(_closures(book.connection, each) for each in sieves.values()))
        clauses.append("id IN (SELECT value FROM json_each(?))")
        values.append(_json(sorted(fitting)))
    return Searched(" AND ".join(clauses), tuple(values), {name: list(each.means) for name, each in sieves.items()})


def rows(
    reader: Reader, searched: Searched, after: Place | None, limit: int = PER_PAGE
) -> tuple[list[StoredClosure], bool]:
    """A page of closures, newest first, and whether there are more behind it.

    A page begins behind the last closure of the one before, not at a count: what comes in meanwhile shifts nothing.
    """
    clauses, values = searched.clauses, searched.values
    if after is not None:
        clauses, values = f"{clauses} AND (closing_utc_ms, id) < (?, ?)", (*values, *after)
    found = reader.connection.execute(
        f"SELECT id FROM closure WHERE {clauses} ORDER BY closing_utc_ms DESC, id DESC LIMIT ?",  # noqa: S608 - our own
        (*values, limit + 1),
    ).fetchall()
    closures = [closure for (row,) in found[:limit] if (closure := reader.closure(row))]
    return closures, len(found) > limit


def count(connection: sqlite3.Connection, searched: Searched) -> int:
    """How many there are; one more than `MOST_COUNTED` for all that are more."""
    (found,) = connection.execute(
        f"SELECT count(*) FROM (SELECT 1 FROM closure WHERE {searched.clauses} LIMIT ?)",  # noqa: S608 - our own
        (*searched.values, MOST_COUNTED + 1),
    ).fetchone()
    return int(found)


def _closures(connection: sqlite3.Connection, sieve: Sieve) -> set[int]:
    """Rows of the closures that stand and fall into a sieve."""
    ids = _basin_ids(connection)
    spans = [(ids[each.basin], each.since_ms, each.until_ms) for each in sieve.spans if each.basin in ids]
    moments = [(ids[each.basin], each.at_ms) for each in sieve.moments if each.basin in ids]
    keys = [key.rpartition(":") for key in sieve.keys]
    named = [(stream, int(first)) for stream, _colon, first in keys if first.isascii() and first.isdigit()]
    found = connection.execute(
        """SELECT c.id FROM json_each(?1) s CROSS JOIN closure c ON c.basin_id = s.value ->> 0
               AND c.closing_utc_ms >= s.value ->> 1 AND c.closing_utc_ms < s.value ->> 2
           WHERE c.superseded_by IS NULL
           UNION SELECT c.id FROM json_each(?2) k CROSS JOIN stream t ON t.stream = k.value ->> 0
               CROSS JOIN closure c ON c.stream_id = t.id AND c.first = k.value ->> 1
           WHERE c.superseded_by IS NULL
           UNION SELECT c.id FROM json_each(?3) m CROSS JOIN closure c ON c.id = (
               SELECT id FROM closure WHERE basin_id = m.value ->> 0 AND closing_utc_ms <= m.value ->> 1
               AND superseded_by IS NULL ORDER BY closing_utc_ms DESC LIMIT 1)
           WHERE c.last_utc_ms + ?4 >= m.value ->> 1""",
        (_json(spans), _json(named), _json(moments), AFTER_OPENING_MS),
    )
    return {int(row) for (row,) in found}


def _basin_ids(connection: sqlite3.Connection) -> dict[str, int]:
    return {f"{node}/{name}": row for row, node, name in connection.execute("SELECT id, node, name FROM basin")}


def _json(content: Iterable[object]) -> str:
    return msgspec.json.encode(list(content)).decode()
