"""Whether the database may be used: looked at before it is opened, and named when it refuses."""

from __future__ import annotations

import logging
import os
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlite_utils import Database

from collector import schema, status
from collector.errors import DataError

log = logging.getLogger(__name__)

WHOLE_CHECK_BYTES = 200_000_000
"""A database up to this size is looked through whole at every start, a larger one only in the tables of `_NEEDED`.
A card reads some tens of megabytes a second (common practice), and nobody waits for minutes in a power cut's wake.
What lies in pages has a digest of its own, which is checked whenever a page is read."""

_NEEDED = ("sqlite_master", "site", "basin", "requirement", "stream", "batch", "lost", "node", "now", "ledger")
_HEADER = b"SQLite format 3\x00"
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_CODES = {
    sqlite3.SQLITE_FULL: "disk-full",
    sqlite3.SQLITE_READONLY: "read-only",
    sqlite3.SQLITE_BUSY: "database-locked",
    sqlite3.SQLITE_LOCKED: "database-locked",
    sqlite3.SQLITE_IOERR: "disk-errors",
    sqlite3.SQLITE_CANTOPEN: "disk-errors",
    sqlite3.SQLITE_CORRUPT: "database-damaged",
    sqlite3.SQLITE_NOTADB: "database-damaged",
}


def condition_of(error: sqlite3.Error) -> str:
    """The code of the condition that an error of SQLite means."""
    return _CODES.get((getattr(error, "sqlite_errorcode", None) or 0) & 0xFF, "cannot-store")


def in_full(error: sqlite3.Error) -> str:
    """What SQLite says, with the name of its code: "disk I/O error, SQLITE_IOERR_WRITE"."""
    name = getattr(error, "sqlite_errorname", None)
    return f"{error}, {name}" if name else str(error)


def check(data_dir: Path) -> None:
    """Look at a data folder before anything is opened for writing or made in it.

    Raises:
        DataError: The database is damaged, or it is missing where there has been one.
    """
    path = data_dir / schema.FILE_NAME
    size_bytes = path.stat().st_size if path.is_file() else 0
    if size_bytes == 0:
        _refuse_missing(data_dir, path)
        return
    with path.open("rb") as file:
        if file.read(len(_HEADER)) != _HEADER:
            raise DataError(_damaged(path, "it does not begin as a database does"))
    tables = None if size_bytes <= WHOLE_CHECK_BYTES else _NEEDED
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=10)) as db:
            found = _quick_check(db, tables)
    except sqlite3.DatabaseError as error:
        if condition_of(error) != "database-damaged":
            raise DataError(unusable(path, error)) from None
        found = in_full(error)
    if found != "ok":
        raise DataError(_damaged(path, found))


def _quick_check(db: sqlite3.Connection, tables: tuple[str, ...] | None) -> str:
    """The word "ok", or the first thing that is wrong."""
    if tables is None:
        return str(db.execute("PRAGMA quick_check(1)").fetchone()[0])
    there = {"sqlite_master", *(name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'"))}
    for table in tables:
        if table in there:
            found = str(db.execute(f"PRAGMA quick_check({table})").fetchone()[0])
            if found != "ok":
                return found
    return "ok"


def _refuse_missing(data_dir: Path, path: Path) -> None:
    """An empty database must not take the place of one that somebody moved away.

    Nodes would be told that nothing is stored, and what they no longer have would count as never taken.
    """
    beside = [data_dir / status.FILE_NAME, path.with_name(f"{path.name}-wal")]
    left = [each.name for each in beside if each.exists() and each.stat().st_size > 0]
    if left:
        raise DataError(
            f"{path} is {'empty' if path.exists() else 'not there'}, but {' and '.join(left)} beside it says that this "
            "folder had a database. Nothing was changed. Put it back with the files that belong to it, or restore the "
            "last backup; to begin with nothing, name an empty folder with --data."
        )


def unusable(path: Path, error: sqlite3.Error) -> str:
    """What to say of a database that refuses, and is not damaged."""
    return (
        f"{path} cannot be used ({in_full(error)}). Nothing was changed or moved away. "
        "Check the folder's owner and free space and whether another program holds the database, then start again."
    )


def _damaged(path: Path, found: str) -> str:
    return (
        f"{path} is damaged ({found.splitlines()[0][:200]}). Nothing was changed or moved away; nodes keep their "
        "readings. Copy the folder, check the disk, then restore the last backup in its place and start again."
    )


def damaged_while_running(path: Path, error: sqlite3.Error) -> DataError:
    """What ends a collector whose database turned out to be damaged."""
    return DataError(_damaged(path, in_full(error)))


def back_up_before_migrating(data_dir: Path) -> Path | None:
    """Keep a copy of a database that this version is about to change; None if it is not.

    Raises:
        DataError: There is no room for a copy, or the database cannot be read.
    """
    path = data_dir / schema.FILE_NAME
    if not path.is_file() or path.stat().st_size == 0:
        return None
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=10)) as source:
            pending = _pending(source)
            copy = data_dir / f"before-{pending[0]}.sqlite" if pending else None
            if copy is None or copy.exists():
                return None
            _copy(source, copy)
    except (sqlite3.Error, OSError) as error:
        raise DataError(
            f"{path} must be changed for this version, and a copy of it could not be kept ({error}). Nothing was "
            "changed. Make room for a second copy in its folder, then start again."
        ) from None
    log.info("this version changes the database; a copy of it as it was is %s", copy)
    return copy


def _pending(source: sqlite3.Connection) -> list[str]:
    """Names of the migrations to come; none for a database that nothing was ever made in."""
    db = Database(source)
    if not schema.migrations.applied(db):
        return []
    return [migration.name for migration in schema.migrations.pending(db)]


def _copy(source: sqlite3.Connection, copy: Path) -> None:
    """Whole or not at all."""
    unfinished = copy.with_suffix(".unfinished")
    unfinished.unlink(missing_ok=True)
    try:
        os.close(os.open(unfinished, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        with closing(sqlite3.connect(unfinished)) as target:
            source.backup(target, pages=-1)
        unfinished.rename(copy)
    finally:
        unfinished.unlink(missing_ok=True)


class Place:
    """Where the database file is: SQLite goes on writing into one that was moved away, and nobody reads that."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = self._now()

    def kept(self) -> bool:
        """It is still the same file."""
        return self._now() == self._file

    def _now(self) -> tuple[int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino
