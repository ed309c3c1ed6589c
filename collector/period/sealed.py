"""Whether the readings behind a range are all sealed, and kept as they were sealed."""

from __future__ import annotations

import sqlite3
import zlib
from typing import NamedTuple

from collector.machine import PageSealed
from collector.period.asked import Asked
from collector.record.book import DAY_MS
from soak.decoding import json_decoder

_APART_MS = 2 * DAY_MS
"""A page's record lies so near its readings; one that was sealed later still is looked for by itself."""


class Damaged(NamedTuple):
    """A page whose readings cannot be shown any more.

    Attributes:
        basin: "node/name".
        since_ms: Its first reading, milliseconds since 1970.
        until_ms: Its last.
        why: In words.
    """

    basin: str
    since_ms: int
    until_ms: int
    why: str


def damaged(connection: sqlite3.Connection, asked: Asked) -> list[Damaged]:
    """Pages of the range that are not kept as their records say; their readings are not opened for that."""
    basins = {each.id: each.key for each in asked.basins}
    records = _records(connection, asked)
    rows = connection.execute(
        """SELECT s.basin_id, s.stream, i.first, i.first_utc_ms, i.last_utc_ms, p.sha256, p.body
           FROM page_index i JOIN stream s ON s.id = i.stream_id
           LEFT JOIN page p ON p.stream_id = i.stream_id AND p.first = i.first
           WHERE i.last_utc_ms >= ? AND i.first_utc_ms < ? ORDER BY i.first_utc_ms""",
        (asked.since_ms, asked.until_ms),
    )
    found = []
    for basin_id, stream, first, begin_ms, end_ms, sha256, body in rows:
        if basin_id not in basins:
            continue
        said = records.get((stream, first)) or _record(connection, stream, first)
        if why := _wrong(said, sha256, body):
            found.append(Damaged(basins[basin_id], begin_ms, end_ms, why))
    return found


def not_sealed(connection: sqlite3.Connection, asked: Asked) -> int:
    """Closures of the range whose readings are not all on pages yet."""
    basins = {each.id for each in asked.basins}
    rows = connection.execute(
        """SELECT basin_id, stream_id, last FROM closure
           WHERE closing_utc_ms >= ? AND closing_utc_ms < ? AND superseded_by IS NULL""",
        (asked.since_ms, asked.until_ms),
    ).fetchall()
    sealed = {stream_id: sealed_to(connection, stream_id) for stream_id in {row[1] for row in rows}}
    return sum(basin_id in basins and last > sealed[stream_id] for basin_id, stream_id, last in rows)


def sealed_to(connection: sqlite3.Connection, stream_id: int) -> int:
    """Number of the last reading of a stream that is on a page; 0: none."""
    row = connection.execute(
        "SELECT last FROM page WHERE stream_id = ? ORDER BY first DESC LIMIT 1", (stream_id,)
    ).fetchone()
    return int(row[0]) if row else 0


def _wrong(said: PageSealed | None, sha256: str | None, body: bytes | None) -> str:
    if body is None:
        return "it is gone"
    if said is None:
        return "no record of the ledger speaks of it"
    if said.sha256 != sha256 or zlib.crc32(body) != said.kept_crc32:
        return "it is not kept as it was sealed"
    return ""


def _records(connection: sqlite3.Connection, asked: Asked) -> dict[tuple[str, int], PageSealed]:
    first, last = (_number_at(connection, ms) for ms in (asked.since_ms - _APART_MS, asked.until_ms + _APART_MS))
    decode = json_decoder(PageSealed).decode
    rows = connection.execute(
        "SELECT body FROM ledger WHERE kind = 'page' AND number BETWEEN ? AND ?", (first, last)
    ).fetchall()
    said = [decode(body) for (body,) in rows]
    return {(each.stream, each.first): each for each in said}


def _number_at(connection: sqlite3.Connection, at_ms: int) -> int:
    """About which record was made at a moment: records follow on in time, but for a clock put right."""
    (high,) = connection.execute("SELECT ifnull(max(number), 0) FROM ledger").fetchone()
    low = 1
    while low < high:
        middle = (low + high) // 2
        row = connection.execute("SELECT at_ms FROM ledger WHERE number >= ? ORDER BY number LIMIT 1", (middle,))
        low, high = (middle + 1, high) if row.fetchone()[0] < at_ms else (low, middle)
    return int(low)


def _record(connection: sqlite3.Connection, stream: str, first: int) -> PageSealed | None:
    rows = connection.execute(
        "SELECT body FROM ledger WHERE kind = 'page' AND instr(body, ?) AND instr(body, ?)",
        (f'"{stream}"', f'"first":{first},'),
    )
    decode = json_decoder(PageSealed).decode
    said = [decode(body) for (body,) in rows]
    return next((each for each in said if (each.stream, each.first) == (stream, first)), None)
