"""What a dead node's outbox holds on its disk: looked at in a copy, so that nothing is mended by looking."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from firmware.outbox_file import FILE_NAME
from firmware.packing import parse

Run = tuple[str, int, int]
"""Stream, first and last number."""


def run_of(data: bytes) -> Run | None:
    """Which readings a block of the outbox holds; None if it only tells which are gone."""
    block = parse(data)
    return None if block.tells_gone else (block.origin.name, block.first, block.last)


def held_on_disk(data_dir: Path) -> list[Run]:
    """Readings in the outbox of a node that does not run."""
    with tempfile.TemporaryDirectory() as folder:
        for path in data_dir.glob(f"{FILE_NAME}*"):
            shutil.copy(path, folder)
        copy = Path(folder) / FILE_NAME
        if not copy.exists():
            return []
        with closing(sqlite3.connect(copy)) as database:
            if not database.execute("SELECT 1 FROM sqlite_master WHERE name = 'block'").fetchone():
                return []  # killed before its first commit
            rows = database.execute("SELECT data FROM block").fetchall()
    return [run for (data,) in rows if (run := run_of(data))]
