"""Real faults under a real collector: a disk that is full, that refuses to write, a database that somebody holds."""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from running import CollectorProcess

from collector import status
from collector.schema import FILE_NAME

PRIVILEGED = os.geteuid() == 0


@contextmanager
def small_disk(folder: Path, size_kb: int = 3_000) -> Iterator[bool]:
    """A file system of its own at `folder`, where this user may mount one; tells whether it is one."""
    folder.mkdir(parents=True, exist_ok=True)
    mounting = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "none", str(folder)]
    mounted = PRIVILEGED and subprocess.run(mounting, capture_output=True, check=False).returncode == 0
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", str(folder)], check=True)


@contextmanager
def files_may_not_grow(collector: CollectorProcess, most_bytes: int | None = None) -> Iterator[None]:
    """Every write beyond a size fails for this process (EFBIG, which SQLite reports as an I/O error); for any user."""
    assert collector.process
    pid = collector.process.pid
    wal = collector.data_dir / f"{FILE_NAME}-wal"
    most_bytes = wal.stat().st_size if most_bytes is None else most_bytes
    before = resource.prlimit(pid, resource.RLIMIT_FSIZE, (most_bytes, resource.RLIM_INFINITY))
    try:
        yield
    finally:
        with suppress(ProcessLookupError):  # killed meanwhile
            resource.prlimit(pid, resource.RLIMIT_FSIZE, before)


@contextmanager
def disk_full(folder: Path) -> Iterator[None]:
    """Whatever room there is, is taken; on a disk of its own only."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as filling:
        for size in (65_536, 4_096, 1):
            try:
                while filling.write(b"x" * size):
                    pass
            except OSError:
                continue
    try:
        yield
    finally:
        filler.unlink()


@contextmanager
def nothing_may_be_written(collector: CollectorProcess) -> Iterator[None]:
    """No write works at all: files that may not be changed, where this user can make them so; else files of no size."""
    # Not the log's index, which SQLite maps: the kernel ends whoever writes to a mapped file that may not change.
    files = [each for each in collector.data_dir.iterdir() if each.is_file() and not each.name.endswith("-shm")]
    try:
        if PRIVILEGED and _chattr_holds(collector.data_dir.parent) and _chattr("+i", files):
            yield
        else:
            with files_may_not_grow(collector, 0):
                yield
    finally:
        if PRIVILEGED:
            _chattr("-i", files)


def _chattr_holds(folder: Path) -> bool:
    """Not every file system keeps those from writing who have the file open."""
    probe = folder / "probe"
    with probe.open("wb", buffering=0) as held:
        if not _chattr("+i", [probe]):
            return False
        try:
            held.write(b"x")
        except OSError:
            return True
        finally:
            _chattr("-i", [probe])
            probe.unlink()
    return False


def _chattr(change: str, files: list[Path]) -> bool:
    try:
        return subprocess.run(["chattr", change, *map(str, files)], capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


@contextmanager
def somebody_writes(data_dir: Path) -> Iterator[None]:
    """Another process (this one) holds the database for writing, as a careless backup or repair would."""
    with closing(sqlite3.connect(data_dir / FILE_NAME, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def codes(data_dir: Path) -> list[str]:
    """What the collector says is wrong."""
    seen = status.read(data_dir).status
    return [each.code for each in seen.conditions] if seen else []


def integrity(data_dir: Path) -> str:
    """What SQLite finds, read whole."""
    with closing(sqlite3.connect(data_dir / FILE_NAME)) as db:
        return str(db.execute("PRAGMA integrity_check").fetchone()[0])
