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
