"""Makes every projection again, from ledger and pages alone."""

from __future__ import annotations

import fcntl
import hashlib
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from sqlite_utils import Database

from collector import projections
from collector.errors import DataError
from collector.ledger import Record, records
from collector.machine import PageSealed
from collector.readings import synchronised_of
from collector.record import shelf
from collector.schema import FILE_NAME, connect, refuse_newer, refuse_older
from collector.sealing import index_row
from soak.decoding import from_json

_SAY_EVERY = 20_000
_ORDER = {
    "basin": "id",
    "requirement": "id",
    "lost": "stream_id, first",
    "closure": "id",
    "page_index": "stream_id, first",
    "page_course": "stream_id, first",
    "thing": "kind, id",
    "once": "who, key",
    "boot": "node, boot",
}


class Rebuilt(NamedTuple):
    """What came of it.

    Attributes:
        rows: Of each table, now.
        differing: Tables whose content was another before.
    """

    rows: dict[str, int]
    differing: list[str]


def rebuild_folder(data_dir: Path, *, keep: bool, say: Callable[[str], None] = lambda _line: None) -> Rebuilt:
    """Make every projection of a data folder again.

    Args:
        data_dir: The collector's data folder; no collector may be using it.
        keep: Keep what came of it; else only compare.
        say: Told how it goes.

    Raises:
        DataError: There are no data, another version wrote them, or a collector is using them.
        DamagedPageError: A page is not what was sealed; nothing was changed.
        sqlite3.Error: The database cannot be read or written; nothing was changed.
    """
    if not (data_dir / FILE_NAME).is_file():
        raise DataError(f"There are no data in {data_dir} (no {FILE_NAME}). Name the collector's data folder.")
    with (data_dir / "collector.lock").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise DataError(f"A collector is using {data_dir}. Stop it first, then run this again.") from None
        db = connect(data_dir / FILE_NAME)
        try:
            refuse_newer(db)
            refuse_older(db)
            db.conn.execute("PRAGMA foreign_keys = OFF")  # rows are taken away and made again under the same numbers
            db.conn.execute("BEGIN IMMEDIATE")
            rebuilt = rebuild(db, say)
            if keep and not db.conn.execute("PRAGMA foreign_key_check").fetchone():
                db.conn.commit()
            else:
                db.conn.rollback()
        finally:
            db.close()
    return rebuilt


def rebuild(db: Database, say: Callable[[str], None] = lambda _line: None) -> Rebuilt:
    """Empty the projections and let every record be followed again.

    Args:
        db: The database, in a transaction begun IMMEDIATE, with foreign keys off.
        say: Told how it goes.
    """
    connection = db.conn
    before = {table: _digest(connection, table) for table in _ORDER}
    for table in projections.TABLES:
        connection.execute(f"DELETE FROM {table}")  # noqa: S608 - names of our own
    connection.execute("UPDATE boot SET synced_ms = NULL, synced_utc_ms = NULL")
    pages: list[PageSealed] = []
    for record in records(connection):
        _follow(connection, record, pages)
        if record.number % _SAY_EVERY == 0:
            say(f"{record.number:,} records")
    for count, page in enumerate(pages, 1):
        _index(db, page)
        if count % _SAY_EVERY == 0:
            say(f"{count:,} of {len(pages):,} pages")
    after = {table: _digest(connection, table) for table in _ORDER}
    return Rebuilt(
        {table: count for table, (count, _) in after.items()},
        [table for table in _ORDER if before[table] != after[table]],
    )


def _follow(connection: sqlite3.Connection, record: Record, pages: list[PageSealed]) -> None:
    if record.kind in projections.MACHINE:
        projections.follow(connection, record)
        if record.kind == PageSealed.KIND:
            pages.append(from_json(record.body, PageSealed))
        return
    content = record.content()
    shelf.write(connection, record.number, content.get("changes", {}))
    if once := content.get("once"):
        thing_kind, _, thing_id = content["about"].partition("/")
        connection.execute(
            "INSERT INTO once (who, key, number, kind, id) VALUES (?, ?, ?, ?, ?)",
            (record.who, once, record.number, thing_kind, thing_id),
        )


def _index(db: Database, page: PageSealed) -> None:
    """By the clocks as they are known in the end: a page whose clock was set later is dated back."""
    stream_id = projections.stream_id(db.conn, page.stream)
    (body,) = db.conn.execute(
        "SELECT body FROM page WHERE stream_id = ? AND first = ?", (stream_id, page.first)
    ).fetchone()
    *row, course = index_row(body, page.sha256, synchronised_of(db, stream_id))
    db.conn.execute(
        """INSERT INTO page_index (stream_id, first, first_utc_ms, last_utc_ms, undated, minutes)
           VALUES (?, ?, ?, ?, ?, ?)""",
        (stream_id, page.first, *row),
    )
    db.conn.execute(
        "INSERT INTO page_course (stream_id, first, body) VALUES (?, ?, ?)", (stream_id, page.first, course)
    )


def _digest(connection: sqlite3.Connection, table: str) -> tuple[int, str]:
    """How many rows, and a digest of them."""
    digest, count = hashlib.sha256(), 0
    for row in connection.execute(f"SELECT * FROM {table} ORDER BY {_ORDER[table]}"):  # noqa: S608
        digest.update(repr(row).encode())
        count += 1
    return count, digest.hexdigest()
