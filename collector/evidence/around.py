"""What the ledger holds around a closure: its pages, the alarms about it, what people recorded of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

import msgspec

from collector import ledger
from collector.ledger import COLLECTOR, Record
from collector.record.things import Alarm, Thing
from soak.decoding import from_json

MOST_LOOKED_AT = 20_000
"""Records that a page of the dashboard looks through for those about a soak: some weeks of a busy site."""

AFTER_OPENING_MS = 10_000
"""The cause of an alarm about an opening lies just after the last reading with the lid closed."""

_NEAR = 500
"""A page of readings is sealed with the verdict, or as few records before or after it."""


class Row(NamedTuple):
    """A closure as the store finds it.

    Attributes:
        id: Its row.
        stream_id: Its stream's row.
        stream: Its stream.
        first: Number of its first reading.
        last: Number of its last.
        basin_id: Its basin's row.
        basin: "node/name".
        closing_ms: When it began, milliseconds since 1970.
        last_ms: Its last reading, likewise.
        number: The record of its verdict.
        superseded_by: The row of the later assessment that took its place.
    """

    id: int
    stream_id: int
    stream: str
    first: int
    last: int
    basin_id: int
    basin: str
    closing_ms: int
    last_ms: int
    number: int
    superseded_by: int | None

    @property
    def key(self) -> str:
        """As deeds name it, "stream:first"."""
        return f"{self.stream}:{self.first}"


class ReadingsPage(NamedTuple):
    """Readings of the closure, sealed: their numbers, the digest, and the record that has it, where it was found."""

    first: int
    last: int
    sha256: str
    number: int | None


_ROW = """SELECT c.id, c.stream_id, s.stream, c.first, c.last, c.basin_id, b.node || '/' || b.name, c.closing_utc_ms,
                 c.last_utc_ms, c.number, c.superseded_by
          FROM closure c JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id"""


def row_of(connection: sqlite3.Connection, closure_id: int) -> Row | None:
    """A closure by its row."""
    found = connection.execute(f"{_ROW} WHERE c.id = ?", (closure_id,)).fetchone()
    return Row._make(found) if found else None


def assessments(connection: sqlite3.Connection, stream: str, first: int) -> list[Row]:
    """Every verdict ever given of the closure that begins with this reading, and those that took their place.

    Args:
        connection: To the database.
        stream: The stream's id.
        first: Number of a first reading.

    Returns:
        Oldest first; the last one stands.
    """
    rows = connection.execute(f"{_ROW} WHERE s.stream = ? AND c.first = ? ORDER BY c.id", (stream, first)).fetchall()
    found = {row.id: row for row in map(Row._make, rows)}
    todo = list(found.values())
    while todo:
        row = todo.pop()
        near = [row.superseded_by] if row.superseded_by else []
        near += [each for (each,) in connection.execute("SELECT id FROM closure WHERE superseded_by = ?", (row.id,))]
        for other in near:
            if other not in found and (more := row_of(connection, other)):
                found[other] = more
                todo.append(more)
    return [found[row_id] for row_id in sorted(found)]


def pages_of(connection: sqlite3.Connection, row: Row, first: int, last: int) -> Iterator[ReadingsPage]:
    """The pages that hold readings of the closure's stream from one number to another, clipped to these.

    Args:
        connection: To the database.
        row: The closure: their records are near its own.
        first: Number of the first reading.
        last: Number of the last.
    """
    pages = connection.execute(
        "SELECT first, last, sha256 FROM page WHERE stream_id = ? AND first <= ? AND last >= ? ORDER BY first",
        (row.stream_id, last, first),
    ).fetchall()
    for begin, end, sha256 in pages:
        found = connection.execute(
            "SELECT number FROM ledger WHERE kind = 'page' AND number BETWEEN ? AND ? AND instr(body, ?)",
            (row.number - _NEAR, row.number + _NEAR, sha256),
        ).fetchone()
        yield ReadingsPage(max(begin, first), min(end, last), sha256, found[0] if found else None)


def alarms_of(connection: sqlite3.Connection, row: Row, turns: Collection[str]) -> list[Alarm]:
    """Alarms that name the closure or a round in it, or whose cause in its basin lies in its time."""
    rows = connection.execute(
        """SELECT body FROM thing WHERE kind = 'alarm' AND (
               json_extract(body, '$.evidence.closure') = ?1 OR json_extract(body, '$.about') = ?1
               OR json_extract(body, '$.evidence.turn') IN (SELECT value FROM json_each(?5))
               OR (json_extract(body, '$.basin') = ?2 AND json_extract(body, '$.cause_ms') BETWEEN ?3 AND ?4))
           ORDER BY at_ms""",
        (
            row.key,
            row.basin,
            row.closing_ms,
            row.last_ms + AFTER_OPENING_MS,
            msgspec.json.encode(sorted(turns)).decode(),
        ),
    )
    return [from_json(body, Alarm) for (body,) in rows]


def records_of(
    connection: sqlite3.Connection, things: Sequence[Thing], most: int | None = MOST_LOOKED_AT
) -> tuple[list[Record], bool]:
    """What people recorded of these things, oldest first, and whether older records were not looked for.

    From the last record that changed one of them backwards, until the one that made the last of them is found.

    Args:
        connection: To the database.
        things: Which.
        most: Look through so many records at most; None: until everything is found.
    """
    wanted = {(each.KIND, each.id) for each in things}
    if not wanted:
        return [], False
    newest = max(_last_change(connection, *each) for each in wanted)
    rows = connection.execute(
        "SELECT number, body FROM ledger WHERE who <> ? AND number <= ? ORDER BY number DESC LIMIT ?",
        (COLLECTOR, newest, -1 if most is None else most),
    )
    texts = [f'"{thing_id}"' for _kind, thing_id in wanted]
    found, made, looked_at = [], set[tuple[str, str]](), 0
    for number, body in rows:
        looked_at += 1
        if not any(text in body for text in texts):
            continue
        changes = msgspec.json.decode(body).get("changes", {})
        changed = {(kind, each) for kind, by_id in changes.items() for each in by_id} & wanted
        made |= {(kind, each) for kind, each in changed if "id" in changes[kind][each]}
        if changed and (record := ledger.record(connection, number)):
            found.append(record)
        if made == wanted:
            return found[::-1], False
    return found[::-1], looked_at == most


def _last_change(connection: sqlite3.Connection, kind: str, thing_id: str) -> int:
    row = connection.execute("SELECT number FROM thing WHERE kind = ? AND id = ?", (kind, thing_id)).fetchone()
    return int(row[0]) if row else 0
