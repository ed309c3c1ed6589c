"""The disk of the node's computer."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from host.doctor import Found, Mark

LEAST_FREE = 0.05
"""Below this share of free space the disk is told. Our own choice: SQLite and the system need some to work at all."""

SLOW_MS = 1_000
"""A write that takes longer than a tick is told: the node goes on meanwhile, a power cut would cost those readings."""

TRIES = 5
_BYTES = 4_096


class Disk(NamedTuple):
    """What was found of the disk under a folder.

    Attributes:
        free_bytes: What this user may still write.
        total_bytes: Its size.
        written_ms: How long each write took until the disk had it; empty where none was tried.
        problem: Why it cannot be used; empty where it can.
    """

    free_bytes: int
    total_bytes: int
    written_ms: Sequence[int] = ()
    problem: str = ""


def look_at_disk(folder: Path, *, write: bool) -> Disk:
    """The disk that a folder is on, or will be.

    Args:
        folder: The node's data folder.
        write: Also try it out, with a few small files that are taken away again.
    """
    place = next((each for each in (folder, *folder.parents) if each.is_dir()), Path("/"))
    try:
        usage = shutil.disk_usage(place)
    except OSError as error:
        return Disk(0, 0, problem=error.strerror or str(error))
    if not write:
        return Disk(usage.free, usage.total)
    if place != folder:
        return Disk(usage.free, usage.total, problem=f"there is no folder {folder} yet")
    try:
        return Disk(usage.free, usage.total, [_write_ms(folder) for _ in range(TRIES)])
    except OSError as error:
        return Disk(usage.free, usage.total, problem=f"{folder} takes nothing ({error.strerror or error})")


def _write_ms(folder: Path) -> int:
    with tempfile.TemporaryFile(dir=folder) as file:
        began_ns = time.monotonic_ns()
        file.write(os.urandom(_BYTES))
        file.flush()
        os.fsync(file.fileno())
        return (time.monotonic_ns() - began_ns) // 1_000_000


def judge_disk(disk: Disk) -> Found:
    """What that means."""
    if disk.problem:
        said = f"{disk.problem}: readings cannot be kept over a power cut."
        return Found("disk", Mark.WRONG, said, "Let the node's user write there, or name another folder as data_dir.")
    room = f"{_size(disk.free_bytes)} of {_size(disk.total_bytes)} free"
    if disk.free_bytes < LEAST_FREE * disk.total_bytes:
        said = f"{room}: when it is full, the oldest readings that wait are given up."
        return Found("disk", Mark.WRONG, said, "Remove what does not belong there, or put in a larger card.")
    if not disk.written_ms:
        return Found("disk", Mark.GOOD, f"{room}.")
    slowest_ms = max(disk.written_ms)
    said = f"{room}; {len(disk.written_ms)} writes took at most {slowest_ms} ms each."
    if slowest_ms > SLOW_MS:
        return Found("disk", Mark.NOTE, said, "Slow: try again; if it stays so, put in a card made for many writes.")
    return Found("disk", Mark.GOOD, said)


def _size(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 10**8 else f"{count / 1e6:.1f} MB"
