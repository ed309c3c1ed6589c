"""The outbox on disk: one SQLite file. Knows tables and transactions, nothing of threads or receipts.

A file that is damaged, foreign or newer than this program is named and left exactly as it is.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec

from firmware.errors import OutboxError
from soak.ranges import Ranges
from soak.reading import SensorId

FILE_NAME = "outbox.db"
BUSY_S = 1.0
_APPLICATION_ID = 0x534F_414B  # "SOAK"
_VERSION = 1
_SCHEMA = f"""
PRAGMA page_size = 1024;     -- a commit a second writes whole pages: small ones spare the card
PRAGMA journal_mode = WAL;
BEGIN IMMEDIATE;
CREATE TABLE stream (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    basin TEXT NOT NULL,
    boot TEXT NOT NULL,
    sensors TEXT NOT NULL,   -- JSON list: the order of the temperatures in `data`
    newest INTEGER NOT NULL, -- number of the newest reading ever written
    clock_ms INTEGER NOT NULL, utc_ms INTEGER NOT NULL, synced INTEGER NOT NULL -- both clocks at or after it
) STRICT;
CREATE TABLE reading (
    stream INTEGER NOT NULL,
    number INTEGER NOT NULL,
    data BLOB NOT NULL,      -- see packing.py
    PRIMARY KEY (stream, number)
) STRICT, WITHOUT ROWID;
PRAGMA application_id = {_APPLICATION_ID};
PRAGMA user_version = {_VERSION};
COMMIT;
"""
_KEEP = (
    "Nothing in it was changed. Move it and its -wal file to a safe place yourself, keep them for the readings in them"
)


class StoredStream(NamedTuple):
    """One row of the stream table. Clock values in milliseconds."""

    id: int
    name: str
    basin: str
    boot: str
    sensors: tuple[SensorId, ...]
    newest: int
    clock_ms: int
    utc_ms: int
    synced: bool


class Released(NamedTuple):
    """Readings to forget; without numbers the whole stream, which then holds none."""

    stream: int
    first: int
    last: int
    whole: bool = False


class OutboxFile:
    """The file, opened by one process at a time.

    Args:
        file: Where it is, or is made.

    Raises:
        OutboxError: It cannot be used.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        try:
            file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._lock = os.open(file.with_suffix(".lock"), os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
        except OSError as error:
            advice = "Let this user write there, or name another folder as data_dir."
            raise OutboxError(file, f"it cannot be made ({error.strerror}). {advice}") from error
        try:
            self._only_one()
            self._check()
            self._write = self._connect()
            self._read = self._connect()
        except BaseException:
            os.close(self._lock)
            raise

    def streams(self) -> list[tuple[StoredStream, Ranges]]:
        """Every stream with the numbers it holds, oldest first."""
        rows = self._read.execute("SELECT * FROM stream ORDER BY id").fetchall()
        return [(_stored(row), self._held(row[0])) for row in rows]

    def readings(self, stream: int, first: int, last: int) -> list[tuple[int, bytes]]:
        """Number and content of a stream's readings from `first` to `last`."""
        query = "SELECT number, data FROM reading WHERE stream = ? AND number BETWEEN ? AND ? ORDER BY number"
        return self._read.execute(query, (stream, first, last)).fetchall()

    def commit(
        self, streams: Iterable[StoredStream], readings: Sequence[tuple[int, int, bytes]], released: Iterable[Released]
    ) -> None:
        """Write all of this in one transaction; when it returns, the disk has it.

        Args:
            streams: Rows of the streams that these readings belong to, as they are after it.
            readings: Stream id, number and content.
            released: What is not needed any more.
        """
        database = self._write
        database.execute("BEGIN IMMEDIATE")
        try:
            for stream in streams:
                row = (*stream[:4], msgspec.json.encode(stream.sensors).decode(), *stream[5:])
                database.execute("REPLACE INTO stream VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
            database.executemany("INSERT INTO reading VALUES (?, ?, ?)", readings)
            for gone in released:
                range_of = "DELETE FROM reading WHERE stream = ? AND number BETWEEN ? AND ?"
                database.execute(range_of, (gone.stream, gone.first, gone.last))
                if gone.whole:
                    database.execute("DELETE FROM stream WHERE id = ?", (gone.stream,))
            database.execute("COMMIT")
        except BaseException:
            if database.in_transaction:
                database.execute("ROLLBACK")
            raise

    def close(self) -> None:
        """Let go of the file."""
        self._read.close()
        self._write.close()
        os.close(self._lock)

    def _held(self, stream: int) -> Ranges:
        islands = """SELECT min(number), max(number) FROM
            (SELECT number, number - row_number() OVER (ORDER BY number) AS island FROM reading WHERE stream = ?)
            GROUP BY island"""
        return Ranges(self._read.execute(islands, (stream,)))

    def _only_one(self) -> None:
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            advice = "Stop the other one, or give this one a data_dir of its own."
            raise OutboxError(self.file, f"another node already uses it. {advice}") from error

    def _check(self) -> None:
        """Look at an existing file without a write; make a new one."""
        if not self.file.exists() or self.file.stat().st_size == 0:
            self._make()
            return
        database = sqlite3.connect(f"{self.file.absolute().as_uri()}?mode=ro", uri=True)
        try:
            application_id = database.execute("PRAGMA application_id").fetchone()[0]
            version = database.execute("PRAGMA user_version").fetchone()[0]
            complaint = database.execute("PRAGMA quick_check(1)").fetchone()[0]
            tables = database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        except sqlite3.DatabaseError as error:
            raise OutboxError(self.file, f"it is damaged ({error}). {_KEEP}, and start again.") from error
        finally:
            database.close()
        if complaint == "ok" and not tables and not application_id:  # the power went while it was made
            self._make()
            return
        if application_id != _APPLICATION_ID:
            raise OutboxError(self.file, "it is a database of something else. Name another folder as data_dir.")
        if version > _VERSION:
            problem = f"it was written by a newer version (format {version}, this one knows {_VERSION})."
            raise OutboxError(self.file, f"{problem} Install the newer version again.")
        if complaint != "ok":
            raise OutboxError(self.file, f"it is damaged ({complaint}). {_KEEP}, and start again.")

    def _make(self) -> None:
        database = sqlite3.connect(self.file)
        try:
            os.chmod(self.file, 0o600)
            database.executescript(_SCHEMA)
        except sqlite3.Error as error:
            advice = "Make room or let this user write there."
            raise OutboxError(self.file, f"it cannot be made ({error}). {advice}") from error
        finally:
            database.close()

    def _connect(self) -> sqlite3.Connection:
        """Used by one thread at a time: `Outbox` sees to that."""
        database = sqlite3.connect(self.file, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        database.execute("PRAGMA synchronous = FULL")
        return database


def _stored(row: Sequence[object]) -> StoredStream:
    kinds = tuple[int, str, str, str, str, int, int, int, int]
    id_, name, basin, boot, sensors, newest, clock_ms, utc_ms, synced = msgspec.convert(row, kinds)
    order = msgspec.json.decode(sensors, type=tuple[str, ...])
    return StoredStream(id_, name, basin, boot, order, newest, clock_ms, utc_ms, bool(synced))
