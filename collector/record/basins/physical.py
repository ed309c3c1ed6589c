"""What was measured in a basin: its newest reading at a moment, and whether its lid switch was seen to move."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right

import msgspec
from sqlite_utils import Database

from collector.read import BasinNow
from collector.readings import Piece, stored_pieces
from collector.record.book import Book
from soak.decoding import from_json
from soak.reading import Fault, Lid, Reading

LOOK_BACK_MS = 60_000
"""How far back a reading of a past moment is looked for."""

_UNSEALED_MS = 24 * 3_600_000
"""What no page holds yet follows its stream's last page within a day: a page takes an hour of readings at the most."""

AHEAD_MS = 2_000
"""A node's clock may be ahead of ours by this much."""


class Measured(msgspec.Struct, frozen=True):
    """One reading of a basin.

    Attributes:
        at_ms: When it was taken, milliseconds since 1970.
        dated: That time can be trusted.
        lid: Lid state.
        mc: Indicated temperature per sensor, None without a value.
        fault: What is wrong with each sensor without a value.
    """

    at_ms: int
    dated: bool
    lid: Lid
    mc: dict[str, int | None]
    fault: dict[str, Fault]


def newest(connection: sqlite3.Connection, basin_id: int, at_ms: int) -> Measured | None:
    """The newest reading of a basin at a moment.

    Args:
        connection: To the database.
        basin_id: The basin's row.
        at_ms: The moment, milliseconds since 1970. If newer readings are stored than of then, only those of the minute
            before it are looked at.

    Raises:
        DamagedPageError: A page is not what was sealed.
    """
    now = _now(connection, basin_id)
    if now is not None and now.synced and now.at_utc_ms <= at_ms + AHEAD_MS:
        return _measured(now)
    found = _stored(connection, basin_id, at_ms)
    return found if found is not None or now is None or now.synced else _measured(now)


def lid_moved(book: Book, basin_id: int, basin: str, since_ms: int) -> bool:
    """Whether the basin's lid was seen to open or close between a moment and the book's.

    Args:
        book: Whose moment is the end.
        basin_id: The basin's row.
        basin: "node/name".
        since_ms: The beginning, milliseconds since 1970.
    """
    now = _now(book.connection, basin_id)
    if now is not None and now.closure is not None and now.closure.closing_seen:
        closed_ms = now.at_utc_ms - now.ms + now.closure.closing_ms
        if since_ms <= closed_ms <= book.at_ms:
            return True
    return any(
        (each.closure.closing_seen and since_ms <= each.closing_ms <= book.at_ms)
        or (each.closure.opening_seen and since_ms <= each.opened_ms <= book.at_ms)
        for each in book.closures(basin, since_ms, book.at_ms + 1)
    )


def _now(connection: sqlite3.Connection, basin_id: int) -> BasinNow | None:
    row = connection.execute("SELECT body FROM now WHERE basin_id = ?", (basin_id,)).fetchone()
    return from_json(row[0], BasinNow) if row else None


def _measured(now: BasinNow) -> Measured:
    return Measured(now.at_utc_ms, now.synced, now.lid, now.mc, now.fault)


def _stored(connection: sqlite3.Connection, basin_id: int, at_ms: int) -> Measured | None:
    """The newest stored reading of the minute before a moment."""
    found: tuple[int, Piece, Reading] | None = None
    database = Database(connection)
    for stream_id in _streams(connection, basin_id, at_ms):
        for piece in stored_pieces(database, stream_id, since_ms=at_ms - LOOK_BACK_MS, until_ms=at_ms + 1):
            place = bisect_right(piece.readings, at_ms - piece.offset_ms, key=_ms)
            if place:
                reading = piece.readings[place - 1]
                utc_ms = reading.ms + piece.offset_ms
                if utc_ms >= at_ms - LOOK_BACK_MS and (found is None or utc_ms >= found[0]):
                    found = utc_ms, piece, reading
    if found is None:
        return None
    utc_ms, piece, reading = found
    return Measured(utc_ms, piece.dated, reading.lid, reading.mc, reading.fault)


def _streams(connection: sqlite3.Connection, basin_id: int, at_ms: int) -> list[int]:
    """Streams that may hold a reading of the minute before a moment."""
    rows = connection.execute(
        """SELECT id FROM stream s WHERE basin_id = ? AND (
               (EXISTS (SELECT 1 FROM batch WHERE stream_id = s.id)
                AND coalesce((SELECT max(last_utc_ms) FROM page_index WHERE stream_id = s.id), ?) BETWEEN ? AND ?)
               OR EXISTS (SELECT 1 FROM page_index i
                          WHERE i.stream_id = s.id AND i.last_utc_ms >= ? AND i.first_utc_ms <= ?))""",
        (basin_id, at_ms, at_ms - _UNSEALED_MS, at_ms, at_ms - LOOK_BACK_MS, at_ms),
    )
    return [stream_id for (stream_id,) in rows.fetchall()]


def _ms(reading: Reading) -> int:
    return reading.ms
