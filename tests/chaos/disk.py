"""What a dead node's outbox holds on its disk: looked at in a copy, so that nothing is mended by looking."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from firmware import packing
from firmware.outbox_file import FILE_NAME

Run = tuple[str, int, int]
"""The beginning of a stream's id, first and last number."""

KEY_DIGITS = 2 * packing.KEY_BYTES


def run_of(data: bytes) -> Run | None:
    """Which readings a block of the outbox holds; None if it holds none."""
    block = packing.parse(data)
    return (block.key.hex(), block.first, block.last) if isinstance(block, packing.Run) else None


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
