"""The collector's store as web handlers use it: looks, off the event loop, each with a connection of its own."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple, TypeVar

from collector.errors import DataError
from collector.read import Reader
from collector.readings import stored_readings
from collector.schema import FILE_NAME, connect
from dashboard.texts import _
from soak.reading import Reading

T = TypeVar("T")


class NotReadyError(Exception):
    """There are no data to show yet."""


class Numbered(NamedTuple):
    """A reading with its number in its stream and its time, milliseconds since 1970."""

    stream_id: int
    number: int
    utc_ms: int
    reading: Reading


class Store:
    """Where the data are.

    Args:
        data_dir: The collector's data folder; it need not have a database yet.
    """

    def __init__(self, data_dir: Path) -> None:
        self.data_dir = data_dir

    async def read(self, ask: Callable[[Reader], T]) -> T:
        """Ask the store in a thread; the connection lives as long as the question.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be used.
        """
        return await asyncio.to_thread(self._read, ask)

    def _read(self, ask: Callable[[Reader], T]) -> T:
        with self.reader() as reader:
            return ask(reader)

    @contextmanager
    def reader(self) -> Iterator[Reader]:
        """A connection for the thread that asks.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be used.
        """
        with understood(self.data_dir), self.open() as reader:
            yield reader

    def file(self) -> tuple[int, int] | None:
        """Which file the database is at present; None without one."""
        try:
            found = (self.data_dir / FILE_NAME).stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino

    def open(self) -> Reader:
        """A connection to keep, for one thread; see `reader`."""
        if self.file() is None:
            raise NotReadyError(_("There are no data in {folder} yet.").format(folder=self.data_dir))
        return Reader(self.data_dir)

    def numbered(self, basin_id: int, since_ms: int, until_ms: int) -> list[Numbered]:
        """Readings of a basin in a range with their numbers, stream by stream."""
        db = connect(self.data_dir / FILE_NAME, read_only=True)
        try:
            streams = db.conn.execute("SELECT id FROM stream WHERE basin_id = ? ORDER BY id", (basin_id,)).fetchall()
            return [
                Numbered(stream_id, stored.number, stored.utc_ms, stored.reading)
                for (stream_id,) in streams
                for stored in stored_readings(db, stream_id, since_ms=since_ms, until_ms=until_ms)
                if since_ms <= stored.utc_ms < until_ms
            ]
        finally:
            db.close()


class KeptReader:
    """A connection kept open for one thread.

    Args:
        store: Where the data are.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._reader: Reader | None = None
        self._file: tuple[int, int] | None = None

    def connected(self) -> Reader:
        """The connection; a new one where a backup has been put in the place of the database.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be used.
        """
        file = self._store.file()
        if self._reader is None or file != self._file:
            self.close()
            self._reader, self._file = self._store.open(), file
        return self._reader

    def close(self) -> None:
        """Give it back."""
        if self._reader is not None:
            self._reader.close()
        self._reader = None


@contextmanager
def understood(data_dir: Path) -> Iterator[None]:
    """Turn what SQLite says into what it means here.

    Raises:
        NotReadyError: The tables are not there yet.
        DataError: Anything else.
    """
    try:
        yield
    except sqlite3.OperationalError as error:
        if "no such table" in str(error):
            raise NotReadyError(_("The database in {folder} is still being set up.").format(folder=data_dir)) from None
        raise _unusable(data_dir, error) from None
    except sqlite3.Error as error:
        raise _unusable(data_dir, error) from None


def _unusable(data_dir: Path, error: sqlite3.Error) -> DataError:
    return DataError(
        _(
            "The database in {folder} cannot be read at present ({problem}). Nothing was changed. If it stays so, look "
            "at the collector’s messages and the folder’s free space."
        ).format(folder=data_dir, problem=error)
    )
