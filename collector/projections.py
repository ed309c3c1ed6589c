"""How the collector's tables follow from its own records; the store does it as it appends, a rebuild from the start.

The tables of what people declare follow from theirs in `collector/record/shelf.py`.
"""

from __future__ import annotations

import sqlite3

import msgspec

from collector.ledger import Record
from collector.machine import (
    BackupMade,
    BasinKnown,
    BootSynchronised,
    ClockNoted,
    ClosureJudged,
    Found,
    Lost,
    Machine,
    NodeCommissioned,
    NodeEnrolled,
    NodeRevoked,
    PageSealed,
    Required,
    SiteNamed,
    StreamBegun,
)
from soak.decoding import from_json
from soak.ranges import Range, Ranges

TABLES = ("basin", "requirement", "lost", "closure", "page_index", "page_course", "thing", "once")
"""Made again from nothing by a rebuild; of `boot` and `site` only what records say."""

MACHINE: dict[str, type[Machine]] = {
    each.KIND: each
    for each in (
        SiteNamed,
        BasinKnown,
        Required,
        StreamBegun,
        BootSynchronised,
        ClockNoted,
        PageSealed,
        Lost,
        Found,
        ClosureJudged,
        BackupMade,
        NodeCommissioned,
        NodeEnrolled,
        NodeRevoked,
    )
}
"""The collector's own kinds of record."""


def follow(connection: sqlite3.Connection, record: Record) -> None:
    """Let the tables follow one of the collector's own records.

    They follow from the record as it is written, not from what this version would write: a record of years ago gives
    the same rows again. A page's rows in `page_index` and `page_course` follow from the page itself: see `sealing.py`.

    Args:
        connection: To the database, in the transaction that appends the record.
        record: The record.
    """
    match body := from_json(record.body, MACHINE[record.kind]):
        case SiteNamed():
            set_site(connection, "name", body.name)
        case BasinKnown():
            node, name = body.basin.split("/")
            connection.execute(
                """INSERT INTO basin (node, name, label, place) VALUES (?, ?, ?, ?)
                   ON CONFLICT DO UPDATE SET label = excluded.label, place = excluded.place""",
                (node, name, body.label, body.place),
            )
        case Required():
            connection.execute(
                "INSERT INTO requirement (basin_id, since_ms, requirement, sensors) VALUES (?, ?, ?, ?)",
                (
                    basin_id(connection, body.basin),
                    body.since_ms,
                    _text(body.requirement) if body.requirement else None,
                    _text(body.sensors),
                ),
            )
        case StreamBegun():
            connection.execute(
                """INSERT INTO stream (stream, basin_id, boot, first_heard_ms) VALUES (?, ?, ?, ?)
                   ON CONFLICT DO NOTHING""",
                (body.stream, basin_id(connection, body.basin), body.boot, record.at_ms),
            )
        case BootSynchronised():
            connection.execute(
                """INSERT INTO boot (node, boot, synced_ms, synced_utc_ms) VALUES (?, ?, ?, ?)
                   ON CONFLICT DO UPDATE SET synced_ms = excluded.synced_ms, synced_utc_ms = excluded.synced_utc_ms""",
                (body.node, body.boot, body.ms, body.utc_ms),
            )
        case Lost():
            _lost(connection, body)
        case Found():
            _found(connection, body)
        case ClosureJudged():
            _judged(connection, record, body)
        case BackupMade():
            set_site(connection, "backup", record.body)
        case _:
            pass


def set_site(connection: sqlite3.Connection, name: str, content: str) -> None:
    """Keep a fact about the site."""
    connection.execute(
        "INSERT INTO site VALUES (?, ?) ON CONFLICT DO UPDATE SET content = excluded.content", (name, content)
    )


def basin_id(connection: sqlite3.Connection, basin: str) -> int:
    """The row of a basin ("node/name") that is known."""
    row = connection.execute("SELECT id FROM basin WHERE node = ? AND name = ?", tuple(basin.split("/"))).fetchone()
    return int(row[0])


def stream_id(connection: sqlite3.Connection, stream: str) -> int:
    """The row of a stream that is known."""
    return int(connection.execute("SELECT id FROM stream WHERE stream = ?", (stream,)).fetchone()[0])


def _lost(connection: sqlite3.Connection, body: Lost) -> None:
    connection.execute(
        """INSERT INTO lost VALUES (?, ?, ?, ?, ?)
           ON CONFLICT DO UPDATE SET last = max(last, excluded.last), found_ms = excluded.found_ms""",
        (stream_id(connection, body.stream), body.first, body.last, body.noticed_ms, body.found_ms),
    )


def _found(connection: sqlite3.Connection, body: Found) -> None:
    """What is still missing stays recorded as lost."""
    row_id = stream_id(connection, body.stream)
    rows: list[tuple[int, int, int]] = connection.execute(
        """SELECT first, last, noticed_ms FROM lost
           WHERE stream_id = ? AND first <= ? AND last >= ? AND found_ms IS NULL""",
        (row_id, body.last, body.first),
    ).fetchall()
    for first, last, noticed_ms in rows:
        connection.execute("DELETE FROM lost WHERE stream_id = ? AND first = ?", (row_id, first))
        pieces: list[tuple[Range, int | None]] = [
            (piece, None) for piece in Ranges([(body.first, body.last)]).missing(first, last)
        ]
        pieces.append(((max(body.first, first), min(body.last, last)), body.found_ms))
        for piece, found_ms in pieces:
            connection.execute("INSERT INTO lost VALUES (?, ?, ?, ?, ?)", (row_id, *piece, noticed_ms, found_ms))


def _judged(connection: sqlite3.Connection, record: Record, body: ClosureJudged) -> None:
    closure = body.closure
    stream, basin = connection.execute("SELECT id, basin_id FROM stream WHERE stream = ?", (body.stream,)).fetchone()
    row_id = connection.execute(
        """INSERT INTO closure (basin_id, stream_id, first, last, closing_utc_ms, last_utc_ms, clock_synced,
           dated_back_ms, verdict, assessed_ms, number) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        (
            basin,
            stream,
            closure.first,
            closure.last,
            body.closing_utc_ms,
            body.closing_utc_ms + closure.closed_ms,
            int(body.clock_synced),
            body.dated_back_ms,
            closure.verdict.value,
            record.at_ms if body.assessed_ms is None else body.assessed_ms,
            record.number,
        ),
    ).lastrowid
    for earlier in body.supersedes:
        connection.execute("UPDATE closure SET superseded_by = ? WHERE number = ?", (row_id, earlier))


def _text(content: object) -> str:
    return msgspec.json.encode(content).decode()
