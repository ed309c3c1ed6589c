"""The disk under a folder: what is written to it, counted by the kernel, and what is free.

The kernel counts from its start, so the count is carried on in a small file over restarts. It begins when this software
first looks: what an installation writes says nothing about the years to come. What is written between the last look
before a restart and the restart itself is missing, and so is its time: the rate stays right.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import msgspec

from host.clock import boot_id, boottime_ms
from host.doctor import Found, Mark
from soak.decoding import from_json
from soak.wear import LOOK_MS, wear, wear_words, years
from soak.wire import DiskUse

log = logging.getLogger(__name__)

FILE_NAME = "disk-count.json"
SAVE_EVERY_MS = 3_600_000
"""A small write; a restart costs at most an hour of the count."""

SECTOR_BYTES = 512
"""Documentation/block/stat.rst of Linux: sectors there are of 512 bytes, whatever the disk's own are."""

_WRITE_SECTORS = 6
"""Place of the sectors written in a disk's `stat`, by the same page."""

_IDENTITIES = ("device/cid", "device/serial", "serial", "device/wwid", "wwid")
_MOST_BYTES = 10_000


class Counted(NamedTuple):
    """What the kernel has counted.

    Attributes:
        disk: Which disk: its name and what its maker calls it.
        boot: Which start of the machine.
        ms: When, milliseconds of the uninterrupted clock.
        written_bytes: Written to the whole disk since that start.
    """

    disk: str
    boot: str
    ms: int
    written_bytes: int


class Kept(msgspec.Struct, frozen=True):
    """The file: the count so far, and the kernel's when it was last added.

    Attributes:
        disk: Which disk.
        boot: Which start of the machine.
        ms: When, milliseconds of the uninterrupted clock.
        kernel_bytes: What the kernel had counted then.
        written_bytes: All that was counted, restarts included.
        over_ms: Over which time.
    """

    disk: str
    boot: str
    ms: int
    kernel_bytes: int
    written_bytes: int = 0
    over_ms: int = 0


def carried_on(kept: Kept | None, now: Counted) -> Kept:
    """The count with what has been written since. Pure. Another disk begins anew."""
    if kept is None or kept.disk != now.disk:
        return Kept(now.disk, now.boot, now.ms, now.written_bytes)
    since_bytes, since_ms = now.written_bytes, now.ms  # since this start of the machine
    if kept.boot == now.boot:
        since_bytes, since_ms = since_bytes - kept.kernel_bytes, since_ms - kept.ms
    if since_bytes < 0 or since_ms < 0:  # a 32-bit kernel's count begins again after 2 TB
        since_bytes = since_ms = 0
    return Kept(
        now.disk, now.boot, now.ms, now.written_bytes, kept.written_bytes + since_bytes, kept.over_ms + since_ms
    )


def counted(folder: Path, system: Path = Path("/sys")) -> Counted | None:
    """What the kernel has counted for the disk that holds a folder.

    Returns:
        None where no single disk can be told: memory, network, a volume over several disks.
    """
    try:
        device = folder.stat().st_dev
        found = (system / f"dev/block/{os.major(device)}:{os.minor(device)}").resolve(strict=True)
        disk = found.parent if (found / "partition").exists() else found
        fields = (disk / "stat").read_text(encoding="ascii").split()
        written_bytes = int(fields[_WRITE_SECTORS]) * SECTOR_BYTES
    except (OSError, ValueError, IndexError):
        return None
    return Counted(f"{disk.name} {_identity(disk)}".strip(), boot_id(), boottime_ms(), written_bytes)


def _identity(disk: Path) -> str:
    for name in _IDENTITIES:
        with contextlib.suppress(OSError, UnicodeDecodeError):
            if text := (disk / name).read_text(encoding="ascii").strip():
                return text[:100]
    return ""


def read(folder: Path) -> Kept | None:
    """The file; None where there is none that can be used, and then the count begins anew."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            return from_json(file.read(_MOST_BYTES), Kept)
    except (OSError, msgspec.MsgspecError):
        return None


def write(folder: Path, kept: Kept) -> None:
    """Overwrite the file, whole or not at all.

    Raises:
        OSError: It cannot be written.
    """
    draft = folder / f"{FILE_NAME}.new"
    with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644), "wb") as file:
        file.write(msgspec.json.encode(kept))
        file.flush()
        os.fsync(file.fileno())
    draft.replace(folder / FILE_NAME)


def use(folder: Path, rated_tb: int, kept: Kept | None) -> DiskUse | None:
    """The disk as it is told on; None where even its size is not known."""
    try:
        size = shutil.disk_usage(folder)
    except OSError:
        return None
    written_bytes, over_ms = (kept.written_bytes, kept.over_ms) if kept else (0, 0)
    return DiskUse(written_bytes, over_ms, size.free, size.total, rated_tb)


def present(folder: Path, rated_tb: int) -> DiskUse | None:
    """The disk now, for those who only look: the count that is kept, carried on but not written down."""
    kept, now = read(folder), counted(folder)
    return use(folder, rated_tb, carried_on(kept, now) if kept and now else None)


def judge_wear(what: str, disk: DiskUse | None) -> Found:
    """What the doctor says of a card's life."""
    found = wear(disk)
    if found is None:
        return Found(what, Mark.NOTE, wear_words(disk))
    if found.left_ms < LOOK_MS:
        text = f"{wear_words(disk)} About {years(found.left_ms)} years of them are left."
        return Found(what, Mark.WRONG, text, "Plan a new one, rated for more; see card_rated_tb in the settings.")
    return Found(what, Mark.GOOD, wear_words(disk))


class DiskCount:
    """Carries the count on. For one thread.

    Args:
        folder: A data folder; the file lies in it.
        rated_tb: What its card bears, terabytes.
        look: Asks the kernel.
        now_ms: Milliseconds of a clock that only rises.
    """

    def __init__(
        self,
        folder: Path,
        rated_tb: int,
        look: Callable[[Path], Counted | None] = counted,
        now_ms: Callable[[], int] = lambda: time.monotonic_ns() // 1_000_000,
    ) -> None:
        self._folder, self._rated_tb, self._look, self._now_ms = folder, rated_tb, look, now_ms
        self._kept: Kept | None = None
        self._saved_ms: int | None = None
        self._failed = False

    def now(self) -> DiskUse | None:
        """The disk now; written down once an hour. Says what is wrong instead of failing."""
        found = self._look(self._folder)
        if found is None:
            return use(self._folder, self._rated_tb, None)
        if self._saved_ms is None:
            self._kept = read(self._folder)
        self._kept = carried_on(self._kept, found)
        if self._saved_ms is None or self._now_ms() - self._saved_ms >= SAVE_EVERY_MS:
            self._saved_ms = self._now_ms()
            self._save(self._kept)
        return use(self._folder, self._rated_tb, self._kept)

    def _save(self, kept: Kept) -> None:
        try:
            write(self._folder, kept)
        except OSError as error:
            if not self._failed:
                log.warning("disk count not written folder=%s problem=%r", self._folder, str(error))
            self._failed = True
        else:
            self._failed = False
