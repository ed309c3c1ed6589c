"""How a ledger begins: with an id, and with whatever was stored before there was one."""

from __future__ import annotations

import secrets
import sqlite3
import zlib

from collector.ledger import Ledger
from collector.machine import (
    BasinKnown,
    BootSynchronised,
    ClosureJudged,
    Lost,
    Machine,
    PageSealed,
    Required,
    SiteNamed,
    StreamBegun,
)
from soak.closure import Closure
from soak.decoding import from_json
from soak.requirement import Requirement, SensorTerms

_REASON = "stored before there was a ledger"


def begin_ledger(connection: sqlite3.Connection, now_ms: int) -> None:
    """Draw an id and write the first records.

    Args:
        connection: To a database whose tables are all there; in the migration's transaction.
        now_ms: When, milliseconds since 1970.
    """
    connection.execute("INSERT INTO site VALUES ('ledger', ?)", (secrets.token_hex(16),))
    if not connection.in_transaction:  # sqlite-utils holds one open around a migration
        connection.execute("BEGIN IMMEDIATE")
    ledger = Ledger(connection, lambda: now_ms)
    rows = connection.execute
    streams = {
        row_id: (stream, f"{node}/{name}", boot)
        for row_id, stream, node, name, boot in rows(
            """SELECT s.id, s.stream, b.node, b.name, s.boot FROM stream s JOIN basin b ON b.id = s.basin_id
               ORDER BY s.id"""
        ).fetchall()
    }

    def kept(body: Machine) -> None:
        ledger.append(body.KIND, body, reason=_REASON)

    for (name,) in rows("SELECT content FROM site WHERE name = 'name'").fetchall():
        kept(SiteNamed(name))
    basins = rows("SELECT id, node, name, label, place FROM basin ORDER BY id").fetchall()
    keys = {}
    for basin_id, node, name, label, place in basins:
        keys[basin_id] = f"{node}/{name}"
        kept(BasinKnown(keys[basin_id], label, place))
    for basin_id, since_ms, requirement, sensors in rows(
        "SELECT basin_id, since_ms, requirement, sensors FROM requirement ORDER BY id"
    ).fetchall():
        required = from_json(requirement, Requirement) if requirement else None
        terms = from_json(sensors, dict[str, SensorTerms])
        kept(Required(keys[basin_id], since_ms, required, terms))
    for stream in streams.values():
        kept(StreamBegun(*stream))
    for boot in rows("SELECT node, boot, synced_ms, synced_utc_ms FROM boot WHERE synced_ms IS NOT NULL").fetchall():
        kept(BootSynchronised(*boot))
    for stream_id, first, last, sha256, body in rows(
        "SELECT stream_id, first, last, sha256, body FROM page ORDER BY rowid"
    ):
        kept(PageSealed(streams[stream_id][0], first, last, sha256, zlib.crc32(body)))
    for stream_id, first, last, noticed_ms, found_ms in rows("SELECT * FROM lost ORDER BY stream_id, first").fetchall():
        kept(Lost(streams[stream_id][0], first, last, noticed_ms, found_ms))
    _closures(connection, ledger, streams)


def _closures(connection: sqlite3.Connection, ledger: Ledger, streams: dict[int, tuple[str, str, str]]) -> None:
    found = connection.execute(
        """SELECT id, stream_id, closing_utc_ms, clock_synced, dated_back_ms, body, assessed_ms
           FROM closure ORDER BY id"""
    ).fetchall()
    numbers: dict[int, int] = {}
    for row_id, stream_id, closing_ms, synced, back_ms, body, assessed_ms in found:
        superseded = connection.execute("SELECT id FROM closure WHERE superseded_by = ? ORDER BY id", (row_id,))
        judged = ClosureJudged(
            streams[stream_id][0],
            closing_ms,
            bool(synced),
            from_json(body, Closure),
            back_ms,
            assessed_ms,
            [numbers[earlier] for (earlier,) in superseded.fetchall() if earlier in numbers],
        )
        record = ledger.append(judged.KIND, judged, reason=_REASON)
        numbers[row_id] = record.number
        connection.execute("UPDATE closure SET number = ? WHERE id = ?", (record.number, row_id))
