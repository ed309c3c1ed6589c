"""Taking a backup: a copy of database and pictures, whole or not at all, verified before anybody relies on it."""

from __future__ import annotations

import datetime
import fcntl
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from collector import ledger
from collector.backup import manifest as manifests
from collector.backup.manifest import UNFINISHED, Manifest
from collector.backup.proving import wrong_with
from collector.beside import append_beside
from collector.clock import UtcClock
from collector.errors import DataError
from collector.health import unusable
from collector.machine import BackupMade
from collector.pictures import FOLDER as PICTURES
from collector.record.book import Book
from collector.schema import FILE_NAME, connect, refuse_newer, refuse_older

DOES_NOT_HOLD = "does-not-hold-"
SETTINGS = "settings"
_ROOM = 1.1
"""So much of the size of the data must be free: the copy and its journal. Our own choice."""


class Taken(NamedTuple):
    """A backup that holds.

    Attributes:
        path: Its folder.
        manifest: What is in it.
        same_disk: It lies on the disk that it is a backup of.
        recorded: Number of the record that says so; None where the data can only be read.
    """

    path: Path
    manifest: Manifest
    same_disk: bool
    recorded: int | None


def take(
    data_dir: Path,
    folder: Path,
    clock: UtcClock,
    *,
    also: Sequence[Path] = (),
    processes: int = 1,
    say: Callable[[str], None] = lambda _line: None,
) -> Taken:
    """Back a data folder up while the collector works on it, or not.

    What proves who somebody is goes along (digests of PINs and badges), or nobody could sign in after a restore; so do
    the browsers that people are known at, or an attack under way would lock them out, and the record of sign-ins.
    Sessions do not. Nobody but its owner can read it.

    Args:
        data_dir: The collector's data folder.
        folder: Where backups are kept; made if it is not there.
        clock: The collector's wall clock.
        also: Files to be kept beside the data, such as collector.toml.
        processes: How many open pages side by side.
        say: Told how it goes.

    Raises:
        DataError: There are no data, no room, another backup is being taken, or the copy does not hold.
    """
    source = data_dir / FILE_NAME
    if not source.is_file():
        raise DataError(f"There are no data in {data_dir} (no {FILE_NAME}). Name the collector's data folder.")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _alone(folder):
            for left in folder.glob(f"{UNFINISHED}*"):  # by a backup that was cut short: no more than a part of a copy
                shutil.rmtree(left)
            _refuse_without_room(data_dir, folder)
            made_ms = clock()
            unfinished = folder / f"{UNFINISHED}{manifests.name_of(made_ms)}"
            try:
                manifest = _copy(data_dir, unfinished, made_ms, also)
                say("every file is written; now it is verified")
                path = _proven(unfinished, manifest, processes, say)
            finally:
                shutil.rmtree(unfinished, ignore_errors=True)
            same_disk = folder.stat().st_dev == data_dir.stat().st_dev
            return Taken(path, manifest, same_disk, _record(data_dir, path, manifest, clock))
    except sqlite3.Error as error:
        raise DataError(unusable(source, error)) from None
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        raise DataError(
            f"The backup could not be written into {folder}{where}: {error.strerror or error}. There is no new backup; "
            "earlier ones are as they were. Look at the folder's owner and free space, then run this again."
        ) from None


def _copy(data_dir: Path, unfinished: Path, made_ms: int, also: Sequence[Path]) -> Manifest:
    """All files, on the disk."""
    unfinished.mkdir(mode=0o700)
    _copy_database(data_dir / FILE_NAME, unfinished / FILE_NAME)
    _copy_pictures(data_dir / PICTURES, unfinished / PICTURES)
    if also:
        (unfinished / SETTINGS).mkdir(mode=0o700)
        for each in also:
            _copy_file(each, unfinished / SETTINGS / each.name)
    manifest = _described(unfinished, made_ms)
    manifests.write(unfinished, manifest)
    _flush(unfinished)
    return manifest


def _proven(unfinished: Path, manifest: Manifest, processes: int, say: Callable[[str], None]) -> Path:
    """Where the backup is once it has been verified.

    Raises:
        DataError: It does not hold.
    """
    folder, name = unfinished.parent, unfinished.name.removeprefix(UNFINISHED)
    if (folder / name).exists():
        raise DataError(f"There is a backup {name} in {folder} already. Look at the clock, then run this again.")
    if found := wrong_with(unfinished, manifest, processes=processes, say=say):
        kept = unfinished.rename(folder / f"{DOES_NOT_HOLD}{name}")
        raise DataError(
            f"The copy does not hold: {found} It is kept as {kept} to be looked at and is no backup. Run `soakledger "
            "verify` on the data: if these are damaged too, keep them as they are and restore the last backup."
        )
    path = unfinished.rename(folder / name)
    _flush_folder(folder)
    return path


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    with (folder / "backup.lock").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise DataError(
                f"Another backup is being taken into {folder}. Wait for its end; this one was not begun."
            ) from None
        yield


def _refuse_without_room(data_dir: Path, folder: Path) -> None:
    wanted = sum(
        path.stat().st_size
        for path in (*data_dir.glob(f"{FILE_NAME}*"), *(data_dir / PICTURES).glob("*"))
        if path.is_file()
    )
    free = shutil.disk_usage(folder).free
    if free < wanted * _ROOM:
        raise DataError(
            f"{folder} has {free // 2**20:,} MiB free, and a backup needs {int(wanted * _ROOM) // 2**20 + 1:,}. "
            "There is no new backup; earlier ones are as they were. Make room, or name a folder on another disk."
        )


def _copy_database(source: Path, target: Path) -> None:
    """As it is at one moment, whatever is written meanwhile; one file that needs no other beside it."""
    database = connect(source, read_only=True)
    try:
        refuse_newer(database)
        refuse_older(database)
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        with closing(sqlite3.connect(target)) as copy:
            database.conn.backup(copy, pages=-1)  # in steps it would begin anew at every commit
            copy.execute("PRAGMA journal_mode = DELETE")
            copy.execute("PRAGMA secure_delete = ON")
            with copy:
                copy.execute("DELETE FROM session")
    finally:
        database.close()


def _copy_pictures(source: Path, target: Path) -> None:
    """After the database, so that every picture that it names is there; one kept since then does no harm."""
    if source.is_dir():
        target.mkdir(mode=0o700)
        for picture in sorted(source.iterdir()):
            if picture.is_file() and not picture.name.startswith("."):
                _copy_file(picture, target / picture.name)


def _copy_file(source: Path, target: Path) -> None:
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    shutil.copyfile(source, target)


def _described(backup: Path, made_ms: int) -> Manifest:
    database = connect(backup / FILE_NAME, read_only=True)
    try:
        book = Book.looking(database.conn, made_ms)
        made_on = book.local_date(made_ms)
        (name,) = database.conn.execute("SELECT ifnull(max(content), '') FROM site WHERE name = 'name'").fetchone()
        head = ledger.head(database.conn)
        return Manifest(
            format=manifests.FORMAT,
            made_ms=made_ms,
            software=f"soakledger {version('soakledger')}",
            site=name,
            ledger=ledger.site_id(database.conn),
            records=head.records,
            hash=head.hash,
            keep_until=_years_later(made_on, book.policy.retention_years).isoformat(),
            files={name: manifests.of_file(path) for name, path in manifests.files_in(backup)},
        )
    finally:
        database.close()


def _years_later(day: datetime.date, years: int) -> datetime.date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return day.replace(year=day.year + years, month=3, day=1)


def _flush(backup: Path) -> None:
    """Onto the disk: files, then folders, so that a power cut leaves all of it or an unfinished one."""
    for path in sorted(backup.rglob("*")):
        if path.is_file():
            with path.open("rb") as file:
                os.fsync(file.fileno())
    for path in (*(each for each in backup.rglob("*") if each.is_dir()), backup):
        _flush_folder(path)


def _flush_folder(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _record(data_dir: Path, path: Path, manifest: Manifest, clock: UtcClock) -> int | None:
    """Say in the ledger that it is there: what is made of that is told by alarm and pages."""
    if not os.access(data_dir / FILE_NAME, os.W_OK):
        return None
    size = sum(each.bytes for each in manifest.files.values())
    body = BackupMade(
        name=path.name,
        folder=str(path.parent.absolute()),
        made_ms=manifest.made_ms,
        records=manifest.records,
        hash=manifest.hash,
        bytes=size,
    )
    return append_beside(data_dir, body, clock)
