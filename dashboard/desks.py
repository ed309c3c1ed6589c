"""The record as web handlers use it: looks and deeds, off the event loop, each with a connection of its own."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from collector.record.desk import Desk
from collector.schema import FILE_NAME, connect
from dashboard.store import NotReadyError, understood
from dashboard.texts import _

T = TypeVar("T")

_WRITERS = 4
"""Threads for whoever writes: SQLite lets one write at a time, and secrets are compared by few at once."""


class NotWrittenError(Exception):
    """The database could not be written; nothing was recorded, and it may go better soon."""


class Desks:
    """Desks on one data folder.

    Args:
        data_dir: The collector's data folder; it need not have a database yet.
        clock: The wall clock of the record, milliseconds since 1970: a rehearsal's, in a rehearsal.
    """

    def __init__(self, data_dir: Path, clock: Callable[[], int]) -> None:
        self._data_dir, self._clock = data_dir, clock
        # Of their own, so that pages can be read while everybody who writes waits for a locked database.
        self._writers = ThreadPoolExecutor(_WRITERS, "desk")

    async def look(self, ask: Callable[[sqlite3.Connection], T]) -> T:
        """Ask in a thread, with a connection that cannot write.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be used.
        """
        return await asyncio.to_thread(self._look, ask)

    async def write(self, work: Callable[[Desk], T]) -> T:
        """Do something at a desk in a thread.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be used.
            NotWrittenError: It cannot be written at present.
        """
        return await asyncio.get_running_loop().run_in_executor(self._writers, self._write, work)

    async def run(self, work: Callable[[], T]) -> T:
        """Do something else that waits for the disk in a thread."""
        return await asyncio.to_thread(work)

    def _look(self, ask: Callable[[sqlite3.Connection], T]) -> T:
        self._expect_data()
        with understood(self._data_dir):
            db = connect(self._data_dir / FILE_NAME, read_only=True)
            try:
                return ask(db.conn)
            finally:
                db.close()

    def _write(self, work: Callable[[Desk], T]) -> T:
        self._expect_data()
        with _written(), Desk(self._data_dir, self._clock) as desk:
            return work(desk)

    def _expect_data(self) -> None:
        if not (self._data_dir / FILE_NAME).is_file():
            raise NotReadyError(_("There are no data in {folder} yet.").format(folder=self._data_dir))


@contextmanager
def _written() -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            text = _("Others were writing for too long. Nothing was recorded. Try again.")
        else:
            text = _(
                "The record cannot be written at present ({problem}). Nothing was recorded. Look at the free space and "
                "the owner of the data folder, then try again; meanwhile write it on paper."
            ).format(problem=error)
        raise NotWrittenError(text) from None
