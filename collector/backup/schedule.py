"""Backups that the collector takes by itself, each day at an hour, in a process apart; it says when the last is old."""

from __future__ import annotations

import contextlib
import datetime
import logging
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from collector.alarms.held import Held, Key
from collector.conditions import Conditions
from collector.machine import BackupMade
from collector.record.book import Book
from collector.schema import FILE_NAME
from collector.settings import BackupSettings, time_of_day
from soak.decoding import from_json
from soak.quantity import in_words

log = logging.getLogger(__name__)

FIRST_S = 60.0
"""After a start there is other work first."""

AGAIN_S = 900.0
"""After a backup that failed. Our own choice."""

COPIES = 2
"""Room for so many more copies is asked for, so that somebody can make room before one fails."""

ROOM_EVERY_S = 60.0

_BACKUP = "from collector.backup.command import command; command()"


def last_backup(connection: sqlite3.Connection) -> BackupMade | None:
    """The last backup that is on record; it was verified when it was taken."""
    row = connection.execute("SELECT content FROM site WHERE name = 'backup'").fetchone()
    return from_json(row[0], BackupMade) if row else None


class BackupSchedule:
    """Runs `soakledger backup` when it is due, with little claim on the processor.

    Args:
        data_dir: The collector's data folder.
        settings: Where, when, and what is too old; None: the site makes its backups by other means, or none.
        conditions: Where it is said that a backup failed.
        rehearsal: The clock of a rehearsal, as text; empty in earnest.
        first_s: How long after the start it is first looked at.
    """

    def __init__(
        self,
        data_dir: Path,
        settings: BackupSettings | None,
        conditions: Conditions,
        rehearsal: str = "",
        *,
        first_s: float = FIRST_S,
    ) -> None:
        self._data_dir, self._settings, self._conditions, self._rehearsal = data_dir, settings, conditions, rehearsal
        self._next_s = time.monotonic() + first_s
        self._process: subprocess.Popen[str] | None = None
        self._looked = False
        self._room_s = float("-inf")

    def look(self, book: Book) -> Iterator[Held]:
        """Whether the last backup is too old; begins the next one when it is due."""
        last = last_backup(book.connection)
        if self._process is not None:
            if self._process.poll() is None:
                return
            self._end(self._process)
            self._process = None
        may_begin = time.monotonic() >= self._next_s
        self._looked = self._looked or may_begin
        if self._looked and self._settings is not None:
            self._look_for_room(last, self._settings)
            if may_begin and (last is None or last.made_ms < _due_ms(book, self._settings)):
                self._next_s = time.monotonic() + AGAIN_S
                self._begin(self._settings)
                return
        if self._looked and (held := _too_old(book, last, self._settings)):
            yield held

    def _look_for_room(self, last: BackupMade | None, settings: BackupSettings) -> None:
        """Whether the folder's disk takes the next two copies; old ones are never taken away by this program."""
        if time.monotonic() - self._room_s < ROOM_EVERY_S:
            return
        self._room_s = time.monotonic()
        copy_bytes = last.bytes if last else sum(each.stat().st_size for each in self._data_dir.glob(f"{FILE_NAME}*"))
        free_bytes = _free_bytes(Path(settings.folder))
        if free_bytes is not None and free_bytes < COPIES * copy_bytes:
            detail = f"{free_bytes // 2**20:,} MiB are free, one takes {copy_bytes // 2**20:,} MiB"
            self._conditions.set("backup-room", detail=detail)
        else:
            self._conditions.clear("backup-room")

    def close(self) -> None:
        """End a backup that is being taken; its part of a copy goes with the next one."""
        if self._process is not None:
            self._process.terminate()
            self._process.communicate()
            self._process = None

    def _begin(self, settings: BackupSettings) -> None:
        command: Sequence[str] = [sys.executable, "-c", _BACKUP, "--data", str(self._data_dir), "--to", settings.folder]
        also = [word for path in settings.also or () for word in ("--also", path)]
        rehearsal = ["--rehearsal", self._rehearsal] if self._rehearsal else []
        self._process = subprocess.Popen(
            [*command, *also, *rehearsal, "--quiet", "--processes", "1"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        with contextlib.suppress(OSError):  # it has ended already
            os.setpriority(os.PRIO_PROCESS, self._process.pid, 19)

    def _end(self, process: subprocess.Popen[str]) -> None:
        said = process.communicate()[0].strip().splitlines()
        line = said[-1] if said else "it said nothing"
        if process.returncode == 0:
            self._conditions.clear("backup-failed")
            log.info("backup: %s", line)
        else:
            self._conditions.set("backup-failed", detail=line.removeprefix("soakledger backup: ")[:500].rstrip("."))
            log.error("backup: %s", line)


def _free_bytes(folder: Path) -> int | None:
    """Free where the folder is, or will be made; None where that cannot be told."""
    try:
        return shutil.disk_usage(next(each for each in (folder, *folder.parents) if each.is_dir())).free
    except (OSError, StopIteration):
        return None


def due_after_ms(book: Book, settings: BackupSettings) -> int:
    """The next moment at which one is to be taken."""
    last = datetime.datetime.fromtimestamp(_due_ms(book, settings) / 1000, book.zone)
    due = datetime.datetime.combine(last.date() + datetime.timedelta(days=1), time_of_day(settings.at), book.zone)
    return int(due.timestamp() * 1000)


def _due_ms(book: Book, settings: BackupSettings) -> int:
    """The last moment at which one was to be taken; one that was missed is made up for at the next look."""
    now = datetime.datetime.fromtimestamp(book.at_ms / 1000, book.zone)
    due = datetime.datetime.combine(now.date(), time_of_day(settings.at), book.zone)
    if due > now:
        due = datetime.datetime.combine(now.date() - datetime.timedelta(days=1), time_of_day(settings.at), book.zone)
    return int(due.timestamp() * 1000)


def _too_old(book: Book, last: BackupMade | None, settings: BackupSettings | None) -> Held | None:
    """Where none was ever made, the data themselves are as old as their first record."""
    limit_ms = (settings or BackupSettings(folder="")).too_old_ms()
    row = book.connection.execute("SELECT at_ms FROM ledger WHERE number = 1").fetchone()
    since_ms = last.made_ms if last else (row[0] if row else book.at_ms)
    if book.at_ms - since_ms <= limit_ms:
        return None
    if last is None:
        text = "No backup of these data is on record."
    else:
        text = f"The last backup on record is {in_words(book.at_ms - last.made_ms)} old: {last.name} in {last.folder}."
    return Held(Key("backup-old", "site"), text, since_ms + limit_ms)
