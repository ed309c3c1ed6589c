"""The outbox on disk: one SQLite file with one table of blocks. Knows nothing of receipts.

Blocks say whose they are (`firmware.packing`), so no other row changes with a commit: it costs one page or two,
however many basins there are. Rows with readings have rising ids, oldest first; the card of stream n has id -n. Used by
one thread at a time.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from firmware import outbox_recovery
from firmware.errors import OutboxError
from firmware.packing import Block, Card, DamagedBlockError, Run, parse

FILE_NAME = "outbox.db"
LEAST_BYTES = 256 * 1024
DAMAGE = sqlite3.DatabaseError, DamagedBlockError, UnicodeDecodeError
"""What a damaged file raises; the last where SQLite's complaint quotes it. `sqlite3.OperationalError` is one too, and
may only mean that the disk is full."""

_PAGE_BYTES = 1024
_MOST_LOG_PAGES = 1_000
_SPARE_PAGES = 8  # for the pages between the rows
_AT_ONCE = 4  # rows given up between two looks at how much room there is


class OutboxFile:
    """The file, opened by one process at a time.

    Args:
        file: Where it is, or is made.
        most_bytes: What it may take at most, its log included; None for no bound.

    Attributes:
        salvaged: Where the damaged file was put, if the last opening found one.

    Raises:
        OutboxError: It cannot be used.
    """

    def __init__(self, file: Path, most_bytes: int | None = None) -> None:
        self.file = file
        self.salvaged: Path | None = None
        self._database: sqlite3.Connection
        if most_bytes is not None and most_bytes < LEAST_BYTES:
            problem = f"its share of the disk is {most_bytes} bytes; it needs {LEAST_BYTES} at least."
            raise OutboxError(file, f"{problem} Allow it a larger share, or give it a larger disk.")
        # A commit puts its pages into the log first; they come back into the file when it has grown this long.
        self._log_pages = min(_MOST_LOG_PAGES, most_bytes // _PAGE_BYTES // 32) if most_bytes else _MOST_LOG_PAGES
        self._most_pages = (most_bytes // 4 * 3) // _PAGE_BYTES if most_bytes else None
        try:
            file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._lock = os.open(file.with_suffix(".lock"), os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
        except OSError as error:
            advice = "Let this user write there, or name another folder as data_dir."
            raise OutboxError(file, f"it cannot be made ({error.strerror}). {advice}") from error
        try:
            self._only_one()
            self._open()
        except BaseException:
            os.close(self._lock)
            raise

    def rows(self) -> Iterator[tuple[int, Block]]:
        """Every row: its id and its block, cards first, then the readings from the oldest on.

        Raises:
            sqlite3.DatabaseError, DamagedBlockError, UnicodeDecodeError: The file is damaged (`DAMAGE`): `heal` it.
        """
        for id_, data in self._database.execute("SELECT id, data FROM block ORDER BY id"):
            yield id_, parse(data)

    def run(self, id_: int) -> Run:
        """One row's readings.

        Raises:
            DamagedBlockError: There is no such row, or it is not what was written.
        """
        row = self._database.execute("SELECT data FROM block WHERE id = ?", (id_,)).fetchone()
        if row is None:
            raise DamagedBlockError(f"there is no row {id_}")
        return _run(row[0])

    def begin(self) -> None:
        """Begin a transaction."""
        self._database.execute("BEGIN IMMEDIATE")

    def delete(self, ids: Iterable[int]) -> None:
        """Delete rows."""
        self._database.executemany("DELETE FROM block WHERE id = ?", ((id_,) for id_ in ids))

    def put(self, rows: Iterable[tuple[int, bytes]]) -> None:
        """Write rows, in place of those with the same ids."""
        self._database.executemany("REPLACE INTO block VALUES (?, ?)", rows)

    def make_room(self, rows: Sequence[bytes]) -> Iterator[Run]:
        """Delete the oldest readings until the bound leaves room for these rows: a file does not shrink again.

        Yields:
            What was deleted.
        """
        if self._most_pages is None:
            return
        needed = sum(map(len, rows)) * 3 // 2 // _PAGE_BYTES + _SPARE_PAGES
        while self._used_pages() + needed > self._most_pages:
            oldest = "SELECT id, data FROM block WHERE id > 0 ORDER BY id LIMIT ?"
            found = self._database.execute(oldest, (_AT_ONCE,)).fetchall()
            if not found:
                return
            self.delete(id_ for id_, _ in found)
            yield from (_run(data) for _, data in found)

    def commit(self) -> None:
        """End the transaction; when it returns, the disk has it."""
        self._database.execute("COMMIT")

    def rollback(self) -> None:
        """End the transaction without a trace, if there is one."""
        if self._database.in_transaction:
            self._database.execute("ROLLBACK")

    def bytes(self) -> int:
        """What the file and its log take now."""
        parts = (self.file, outbox_recovery.log_of(self.file))
        return sum(part.stat().st_size for part in parts if part.exists())

    def heal(self, problem: str) -> None:
        """Put the damaged file aside, and go on with a new one that holds every block which can be read in it.

        Raises:
            OutboxError: There is no room for it.
        """
        self._database.close()
        self.salvaged = outbox_recovery.salvage(self.file, problem)
        self._database = self._connect()

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()
        os.close(self._lock)

    def _only_one(self) -> None:
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            advice = "Stop the other one, or give this one a data_dir of its own."
            raise OutboxError(self.file, f"another node already uses it. {advice}") from error

    def _open(self) -> None:
        self.salvaged = outbox_recovery.prepare(self.file)
        self._database = self._connect()
        try:
            problem = self._problem()
            if problem:
                self.heal(problem)
            self._give_back()
        except sqlite3.Error as error:
            self._database.close()
            raise OutboxError(self.file, f"it cannot be opened ({error}). Make room or replace the card.") from error
        except BaseException:
            self._database.close()
            raise

    def _problem(self) -> str | None:
        """What is wrong with the file, by SQLite's own check of its structure."""
        try:
            complaint = str(self._database.execute("PRAGMA quick_check(1)").fetchone()[0])
        except DAMAGE as error:
            if isinstance(error, sqlite3.OperationalError) and not error.sqlite_errorname.startswith("SQLITE_IOERR"):
                raise
            return str(error)
        return None if complaint == "ok" else complaint

    def _give_back(self) -> None:
        """Make a file smaller that grew under a larger bound."""
        if self._most_pages is None:
            return
        (pages,) = self._database.execute("PRAGMA page_count").fetchone()
        if pages > self._most_pages >= self._used_pages():
            self._database.execute("VACUUM")
            self._database.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _used_pages(self) -> int:
        (pages,) = self._database.execute("PRAGMA page_count").fetchone()
        (free,) = self._database.execute("PRAGMA freelist_count").fetchone()
        return int(pages - free)

    def _connect(self) -> sqlite3.Connection:
        database = sqlite3.connect(self.file, timeout=1.0, isolation_level=None, check_same_thread=False)
        try:
            for pragma in (
                "locking_mode = EXCLUSIVE",  # no shared-memory file: it would be written to the card as well
                "journal_mode = WAL",
                "synchronous = FULL",
                f"wal_autocheckpoint = {self._log_pages}",
                f"journal_size_limit = {self._log_pages * 2 * _PAGE_BYTES}",
            ):
                database.execute(f"PRAGMA {pragma}")
        except DAMAGE:
            pass  # damaged: the check finds it and names it
        return database


def _run(data: bytes) -> Run:
    block = parse(data)
    if isinstance(block, Card):
        raise DamagedBlockError("a card lies where readings should be")
    return block
