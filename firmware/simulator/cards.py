"""Cards of the demonstration that have been counted for a while: an estimate of their life needs a day at least.

The count before the demonstration is invented; what is added to it while it runs is this machine's real disk.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import msgspec

from host import disk

DAYS = 30
MB_A_DAY = 1_100
"""About twice what a node of three basins writes by itself, as tests/bench/bench_wear.py measures; the rest is the
system's."""

MORE_MB_A_DAY = 450
"""More for each further machine, so that they differ."""

_DAY_MS = 86_400_000


def begin_counts(folders: Iterable[Path]) -> None:
    """Give each data folder that has none a count of the past month; nothing where the disk cannot be told."""
    for index, folder in enumerate(folders):
        folder.mkdir(parents=True, exist_ok=True)
        now = disk.counted(folder)
        if now is None or disk.read(folder) is not None:
            continue
        written_bytes = DAYS * (MB_A_DAY + index * MORE_MB_A_DAY) * 10**6
        counted = disk.carried_on(None, now)
        disk.write(folder, msgspec.structs.replace(counted, written_bytes=written_bytes, over_ms=DAYS * _DAY_MS))
