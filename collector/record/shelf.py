"""Where the things stand: one table, a projection of the ledger."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, TypeVar

import msgspec

from collector.record.patch import patched
from collector.record.things import KINDS, Thing
from soak.decoding import converted, from_json

_Thing = TypeVar("_Thing", bound=Thing)

_AT_ONCE = 500
"""Ids in one question; SQLite takes far more, but each number of them is a statement of its own."""


def find(connection: sqlite3.Connection, kind: type[_Thing], thing_id: str) -> _Thing | None:
    """A thing by its id."""
    row = connection.execute("SELECT body FROM thing WHERE kind = ? AND id = ?", (kind.KIND, thing_id)).fetchone()
    return from_json(row[0], kind) if row else None


def find_all(
    connection: sqlite3.Connection,
    kind: type[_Thing],
    *,
    group: str | None = None,
    only_open: bool = False,
    since_ms: int | None = None,
    until_ms: int | None = None,
    newest_first: bool = False,
    limit: int = -1,
    offset: int = 0,
) -> list[_Thing]:
    """Things of a kind, by their time.

    Args:
        connection: To the database.
        kind: Which.
        group: Of this group only.
        only_open: What still needs somebody.
        since_ms: At or after this time.
        until_ms: Before it.
        newest_first: The latest first.
        limit: At most so many; all if not given.
        offset: Leave out so many first.
    """
    clauses, values = ["kind = ?"], [kind.KIND]
    for clause, given in (("grp = ?", group), ("at_ms >= ?", since_ms), ("at_ms < ?", until_ms)):
        if given is not None:
            clauses.append(clause)
            values.append(given)  # type: ignore[arg-type]
    if only_open:
        clauses.append("open = 1")
    order = "DESC" if newest_first else "ASC"
    sql = (
        f"SELECT body FROM thing WHERE {' AND '.join(clauses)} "  # noqa: S608 - clauses of our own
        f"ORDER BY at_ms {order}, length(id) {order}, id {order} LIMIT ? OFFSET ?"
    )
    return [from_json(body, kind) for (body,) in connection.execute(sql, (*values, limit, offset))]


def find_many(connection: sqlite3.Connection, kind: type[_Thing], ids: Sequence[str]) -> list[_Thing]:
    """Things by their ids, in that order; what is not there is left out."""
    found: dict[str, _Thing] = {}
    for begin in range(0, len(ids), _AT_ONCE):
        some = ids[begin : begin + _AT_ONCE]
        sql = f"SELECT id, body FROM thing WHERE kind = ? AND id IN ({', '.join('?' * len(some))})"  # noqa: S608
        rows = connection.execute(sql, (kind.KIND, *some))
        found |= {thing_id: from_json(body, kind) for thing_id, body in rows}
    return [found[each] for each in ids if each in found]


def find_by(connection: sqlite3.Connection, kind: type[_Thing], field: str, content: str) -> list[_Thing]:
    """Things of a kind whose field has this text, capital letters or not (ASCII), by id.

    Args:
        connection: To the database.
        kind: Which.
        field: A field of text of that kind, e.g. "serial".
        content: What it must be.
    """
    sql = """SELECT body FROM thing WHERE kind = ? AND lower(json_extract(body, '$.' || ?)) = lower(?)
             ORDER BY length(id), id"""
    return [from_json(body, kind) for (body,) in connection.execute(sql, (kind.KIND, field, content))]


def count(connection: sqlite3.Connection, kind: type[Thing]) -> int:
    """How many of a kind there have ever been: things are never taken away."""
    return int(connection.execute("SELECT count(*) FROM thing WHERE kind = ?", (kind.KIND,)).fetchone()[0])


def body_of(connection: sqlite3.Connection, kind: str, thing_id: str) -> Any:
    """A thing as JSON; None if there is none."""
    row = connection.execute("SELECT body FROM thing WHERE kind = ? AND id = ?", (kind, thing_id)).fetchone()
    return msgspec.json.decode(row[0]) if row else None


def write(connection: sqlite3.Connection, number: int, changes: dict[str, dict[str, Any]]) -> None:
    """Let the things follow a record.

    Args:
        connection: To the database, in the transaction that appends the record.
        number: The record's.
        changes: By kind and id: a JSON Merge Patch.
    """
    for kind, by_id in changes.items():
        for thing_id, patch in by_id.items():
            content = patched(body_of(connection, kind, thing_id), patch)
            thing = converted(content, KINDS[kind])
            connection.execute(
                """INSERT INTO thing (kind, id, grp, at_ms, open, number, body) VALUES (?, ?, ?, ?, ?, ?, ?)
                   ON CONFLICT DO UPDATE SET grp = excluded.grp, at_ms = excluded.at_ms, open = excluded.open,
                   number = excluded.number, body = excluded.body""",
                (
                    kind,
                    thing_id,
                    thing.group(),
                    thing.when_ms(),
                    int(thing.open()),
                    number,
                    msgspec.json.encode(content, order="deterministic").decode(),
                ),
            )
