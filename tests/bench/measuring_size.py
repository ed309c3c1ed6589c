"""What a SQLite file is made of, table by table, and how a table of figures is printed."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

FREE = "(free pages)"


class Part(NamedTuple):
    """A table, an index, or what is left over, of a database file.

    Attributes:
        name: As the database calls it.
        bytes: Of all its pages.
        filled: Of these, bytes that are in use.
    """

    name: str
    bytes: int
    filled: int


def checkpointed(path: Path) -> int:
    """Bytes of a database file with nothing left in its write-ahead log."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    return path.stat().st_size


def parts(path: Path) -> list[Part]:
    """Every table and index of a database file, the largest first, then its free pages.

    From SQLite's own `dbstat` table. Their sum is the size of the file.
    """
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT name, sum(pgsize), sum(pgsize - unused) FROM dbstat GROUP BY name").fetchall()
    [(free,)] = connection.execute("PRAGMA freelist_count").fetchall()
    [(page_bytes,)] = connection.execute("PRAGMA page_size").fetchall()
    connection.close()
    found = sorted((Part(*row) for row in rows), key=lambda part: -part.bytes)
    return [*found, Part(FREE, free * page_bytes, 0)]


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]], width: int = 16, first: int = 34) -> None:
    """Print a table: the first column to the left, the others to the right; a cell wider than its column pushes on."""
    for row in (head, *rows):
        print(f"{row[0]:<{first}}" + "".join(f"{cell:>{width}}" for cell in row[1:]), flush=True)


class LogMeter:
    """What goes through a database's write-ahead log, from the outside, by SQLite's file format.

    Looked at after every commit. The log's header (32 bytes: checkpoint number at 12, two salts at 16) changes when the
    log begins anew, which happens once everything in it has been copied into the file; a frame (24 bytes, then a page)
    belongs to it while it carries the same salts.

    Args:
        path: The database file.

    Attributes:
        frames: Pages written into the log.
        restarts: How often it began anew.
        copied_pages: Pages copied from it into the file before.
        largest_bytes: How long it has been.
    """

    HEADER_BYTES, FRAME_BYTES = 32, 24

    def __init__(self, path: Path) -> None:
        self._log = path.with_name(path.name + "-wal")
        self._salts = b""
        self._at = 0
        self._pages: set[int] = set()
        self.frames = self.restarts = self.copied_pages = self.page_bytes = 0
        self.largest_bytes = 0

    @property
    def bytes(self) -> int:
        """Bytes written by SQLite: into the log, and from there into the file."""
        frames = self.frames * (self.FRAME_BYTES + self.page_bytes)
        return frames + self.restarts * self.HEADER_BYTES + self.copied_pages * self.page_bytes

    def look(self) -> None:
        """Count what has come since."""
        with self._log.open("rb") as file:
            header = file.read(self.HEADER_BYTES)
            if len(header) < self.HEADER_BYTES:
                return
            if header[16:24] != self._salts:
                self._begin_anew(header)
            file.seek(self._at)
            while frame := self._frame(file.read(self.FRAME_BYTES + self.page_bytes)):
                self._pages.add(frame)
                self.frames += 1
                self._at += self.FRAME_BYTES + self.page_bytes
            self.largest_bytes = max(self.largest_bytes, self._log.stat().st_size)

    def _begin_anew(self, header: bytes) -> None:
        self.page_bytes = int.from_bytes(header[8:12], "big")
        self.restarts += bool(self._salts)
        self.copied_pages += len(self._pages)
        self._salts, self._at, self._pages = header[16:24], self.HEADER_BYTES, set()

    def _frame(self, frame: bytes) -> int:
        """The page that a frame holds; 0 where there is none."""
        whole = len(frame) == self.FRAME_BYTES + self.page_bytes and frame[8:16] == self._salts
        return int.from_bytes(frame[:4], "big") if whole else 0


def written_bytes() -> int:
    """What this process has sent to the storage layer so far.

    `write_bytes` of proc(5): counted when a page of the page cache (4,096 bytes) becomes dirty, so a commit that
    changes one byte counts 4,096; without what the file system itself writes (its journal, its tables). 0 in folders
    that are in memory.
    """
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise LookupError("/proc/self/io has no write_bytes")


def counts(path: Path, *questions: str) -> list[int]:
    """What each question to a database answers: one number, 0 for none."""
    connection = sqlite3.connect(path)
    found = [int(connection.execute(question).fetchone()[0] or 0) for question in questions]
    connection.close()
    return found
