"""Things of the record as the API gives them."""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

import msgspec

from collector.record.things import Thing
from dashboard.answers import ThingBody, ThingsBody
from dashboard.query import MissingError

_ENCOUNTERS = ("came_from", "encounter")


class Wanted(NamedTuple):
    """Which things of a kind are asked for: see `shelf.find_all`."""

    group: str | None = None
    only_open: bool = False
    since_ms: int | None = None
    until_ms: int | None = None
    newest_first: bool = False
    limit: int = 200
    offset: int = 0


def things_body(connection: sqlite3.Connection, kind: type[Thing], wanted: Wanted, *, personal: bool) -> ThingsBody:
    """A page of things, and how many fit in all; `personal`: with the encounters they belong to."""
    clauses, values = ["kind = ?"], [kind.KIND]
    for clause, given in (
        ("grp = ?", wanted.group),
        ("at_ms >= ?", wanted.since_ms),
        ("at_ms < ?", wanted.until_ms),
        ("open = ?", 1 if wanted.only_open else None),
    ):
        if given is not None:
            clauses.append(clause)
            values.append(given)  # type: ignore[arg-type]
    where = " AND ".join(clauses)
    order = "DESC" if wanted.newest_first else "ASC"
    (total,) = connection.execute(f"SELECT count(*) FROM thing WHERE {where}", values).fetchone()  # noqa: S608
    rows = connection.execute(
        f"SELECT id, number, open, at_ms, body FROM thing WHERE {where} "  # noqa: S608 - clauses of our own
        f"ORDER BY at_ms {order}, length(id) {order}, id {order} LIMIT ? OFFSET ?",
        (*values, wanted.limit, wanted.offset),
    )
    return ThingsBody(kind.KIND, total, wanted.limit, wanted.offset, [_body(*row, personal=personal) for row in rows])


def thing_body(connection: sqlite3.Connection, kind: type[Thing], thing_id: str, *, personal: bool) -> ThingBody:
    """One thing; `personal`: with the encounters it belongs to.

    Raises:
        MissingError: There is none.
    """
    row = connection.execute(
        "SELECT id, number, open, at_ms, body FROM thing WHERE kind = ? AND id = ?", (kind.KIND, thing_id)
    ).fetchone()
    if row is None:
        raise MissingError(f"There is no {kind.KIND.replace('-', ' ')} {thing_id[:80]!r}. See /api/things/{kind.KIND}.")
    return _body(*row, personal=personal)


def _body(thing_id: str, number: int, is_open: int, at_ms: int, body: str, *, personal: bool) -> ThingBody:
    thing = msgspec.json.decode(body)
    return ThingBody(thing_id, number, bool(is_open), at_ms, thing if personal else _without_encounters(thing))


def _without_encounters(thing: Any) -> Any:
    if isinstance(thing, dict):
        return {key: _without_encounters(each) for key, each in thing.items() if key not in _ENCOUNTERS}
    return [_without_encounters(each) for each in thing] if isinstance(thing, list) else thing
