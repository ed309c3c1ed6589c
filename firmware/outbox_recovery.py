"""Makes, converts and salvages outbox files. Whatever is on disk at the start, a file that can be used comes of it.

A new file is made beside the old one and takes its place whole, so a power cut in between costs nothing. A damaged file
is never deleted. A database of something else, or of a newer version, is refused and left as it is.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import struct
from collections.abc import Iterable
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import msgspec

from firmware import outbox_version1
from firmware.errors import OutboxError
from firmware.outbox_salvage import Image, salvaged

log = logging.getLogger(__name__)

VERSION = 2
_APPLICATION_ID = 0x534F_414B  # "SOAK"
_TABLE = b"CREATE TABLE block ("
_SCHEMA = f"""
PRAGMA page_size = 1024;     -- a commit a second writes whole pages: small ones spare the card
PRAGMA journal_mode = WAL;
BEGIN IMMEDIATE;
CREATE TABLE block (
    id INTEGER PRIMARY KEY,  -- of readings above 0, rising with time; of the card of stream n it is -n
    data BLOB NOT NULL       -- see packing.py
) STRICT;
PRAGMA application_id = {_APPLICATION_ID};
PRAGMA user_version = {VERSION};
COMMIT;
"""
_MAGIC = b"SQLite format 3\0"
_LARGEST_VERSION = 1_000  # a version beyond this is no version but damage
_PAGE_BYTES = 1024
_LOG_HEADER, _FRAME_HEADER = 32, 24
"""Bytes, from "WAL file format" in SQLite's documentation of its file format."""


def log_of(file: Path) -> Path:
    """SQLite's log beside a file."""
    return file.with_name(f"{file.name}-wal")


def prepare(file: Path) -> Path | None:
    """See to it that there is a file of this version.

    Returns:
        Where a damaged file was put aside, if there was one.

    Raises:
        OutboxError: What is there must not be touched, or there is no room.
    """
    _draft_of(file).unlink(missing_ok=True)
    if _new_of(file).exists():  # the power went while it took its place
        return _replace(file)
    head = _head(file, 100)
    if not head and not _size(log_of(file)):
        _make(file, [])
        return None
    if len(head) < 100 or not head.startswith(_MAGIC):
        return salvage(file, f"it is no database, or no longer: it begins with {head[:16]!r}")
    version, application_id = _number(head, 60), _number(head, 68)
    if application_id != _APPLICATION_ID:
        return _foreign(file, head)
    if VERSION < version <= _LARGEST_VERSION:
        newer = f"it was written by a newer version (format {version}, this one knows {VERSION})."
        raise OutboxError(file, f"{newer} Install the newer version again.")
    if version == 1:
        return _convert(file)
    problem = _log_problem(file) if version == VERSION else f"its format says {version}"
    return salvage(file, problem) if problem else None


def salvage(file: Path, problem: str) -> Path:
    """Make a new file of every block that can be read in a damaged one, and put that one aside.

    Which of the other readings a receipt had covered is not known: all of them are remembered as gone, and the
    collector tells by its receipts and records which ones it has.

    Returns:
        Where the damaged file is now.

    Raises:
        OutboxError: There is no room for it.
    """
    if _new_of(file).exists():  # made before, but it could not take its place
        return _replace(file)
    with ExitStack() as stack:
        parts = [stack.enter_context(part.open("rb")) for part in (file, log_of(file)) if part.exists()]
        count = _make(_new_of(file), salvaged([Image(part.fileno()) for part in parts]))
    log.error("outbox damaged problem=%r salvaged_blocks=%s file=%s", problem, count, file)
    return _replace(file)


def _log_problem(file: Path) -> str | None:
    """What is wrong with the log, if anything is; looked at before SQLite does.

    A power cut tears the commit that is being written; SQLite leaves that out by itself. If more than that cannot be
    understood, the log is damaged, and SQLite would pass over the rest of it in silence.
    """
    data = log_of(file).read_bytes() if _size(log_of(file)) else b""
    header = data[:_LOG_HEADER]
    page_bytes = _number(data, 8) or _PAGE_BYTES
    starts = range(_LOG_HEADER, len(data) - _FRAME_HEADER - page_bytes + 1, _FRAME_HEADER + page_bytes)
    if not starts or not header.strip(b"\0"):
        return None
    order = {0x377F0682: "<", 0x377F0683: ">"}.get(_number(data, 0))
    if order is None or page_bytes != _PAGE_BYTES:
        return "the header of its log is damaged"
    total = _checksum(order, header[:24], (0, 0))
    if total != struct.unpack_from(">2I", header, 24):
        return "the header of its log is damaged"
    whole, understood, ends = True, 0, list[int]()
    for index, at in enumerate(starts, 1):
        frame = data[at : at + _FRAME_HEADER]
        if frame[8:16] != header[16:24]:  # left from before the log began anew
            whole = False
            continue
        if whole:
            body = data[at + _FRAME_HEADER : at + _FRAME_HEADER + page_bytes]
            total = _checksum(order, frame[:8] + body, total)
            whole = total == struct.unpack_from(">2I", frame, 16)
            understood = index if whole else index - 1
        if _number(frame, 4):
            ends.append(index)
    if len(ends) > 1 and ends[-2] > understood:
        return f"only {understood} of {ends[-1]} pages of its log are whole"
    return None


def _checksum(order: str, data: bytes, total: tuple[int, int]) -> tuple[int, int]:
    """As "Checksum Algorithm" in the same document says."""
    one, two = total
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for first, second in zip(words[::2], words[1::2], strict=True):
        one = (one + first + two) & 0xFFFF_FFFF
        two = (two + second + one) & 0xFFFF_FFFF
    return one, two


def _foreign(file: Path, head: bytes) -> Path | None:
    """A database without our mark: one whose making was cut short is made again, a damaged one salvaged."""
    if _TABLE in _head(file, _PAGE_BYTES) or _has_blocks(file) or _has_blocks(log_of(file)):
        return salvage(file, f"its mark says {_number(head, 68)}")
    tables = 1
    with suppress(sqlite3.DatabaseError, UnicodeDecodeError):
        if not _size(log_of(file)):  # else there may be tables in it
            with closing(sqlite3.connect(f"{file.absolute().as_uri()}?immutable=1", uri=True)) as database:
                tables = database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables or _number(head, 68):
        raise OutboxError(file, "it is a database of something else. Name another folder as data_dir.")
    _make(file, [])
    return None


def _convert(file: Path) -> Path | None:
    """Take over a file of version 1."""
    try:
        blocks = outbox_version1.blocks(file)
    except (sqlite3.DatabaseError, ValueError, LookupError, msgspec.DecodeError) as error:
        if isinstance(error, sqlite3.OperationalError) and "no such" not in str(error):
            raise OutboxError(file, f"it cannot be taken over ({error}). Make room, then start again.") from error
        return salvage(file, f"version 1, {error}")
    count = _make(file, blocks)
    log.info("outbox converted from version=1 blocks=%s file=%s", count, file)
    return None


def _make(file: Path, blocks: Iterable[tuple[int, bytes]]) -> int:
    """Make a file, with rows of ids and blocks, and put it in its place at once.

    Returns:
        How many rows there are.
    """
    draft, count = _draft_of(file), 0
    try:
        draft.unlink(missing_ok=True)
        draft.touch(mode=0o600)
        with closing(sqlite3.connect(draft, isolation_level=None)) as database:
            database.executescript(_SCHEMA)
            database.execute("PRAGMA synchronous = FULL")
            database.execute("BEGIN")
            for row in blocks:
                database.execute("INSERT INTO block VALUES (?, ?)", row)
                count += 1
            database.execute("COMMIT")
        draft.replace(file)
        _sync(file.parent)
    except (sqlite3.OperationalError, OSError) as error:
        raise OutboxError(file, f"it cannot be made ({error}). Make room or let this user write there.") from error
    return count


def _replace(file: Path) -> Path:
    """Let the new file take the place of the damaged one, which goes aside; goes on where a power cut ended it."""
    number = 1
    while _aside(file, number).exists() or log_of(_aside(file, number)).exists():
        number += 1
    aside = _aside(file, number if file.exists() or number == 1 else number - 1)
    with suppress(FileNotFoundError):
        log_of(file).replace(log_of(aside))
    with suppress(FileNotFoundError):
        file.replace(aside)
    _new_of(file).replace(file)
    _sync(file.parent)
    log.error("outbox damaged file kept=%s; copy it to a safe place, then delete it here", aside)
    return aside


def _has_blocks(file: Path) -> bool:
    if not _size(file):
        return False
    with file.open("rb") as opened:
        return any(True for _ in Image(opened.fileno()).blocks())


def _head(file: Path, most: int) -> bytes:
    """Its first bytes; none if there is no file."""
    try:
        with file.open("rb") as opened:
            return opened.read(most)
    except FileNotFoundError:
        return b""


def _size(file: Path) -> int:
    return file.stat().st_size if file.exists() else 0


def _number(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 4], "big")


def _aside(file: Path, number: int) -> Path:
    return file.with_name(f"{file.stem}.damaged-{number}{file.suffix}")


def _draft_of(file: Path) -> Path:
    return file.with_suffix(".draft")


def _new_of(file: Path) -> Path:
    """A complete file that is about to take the damaged one's place."""
    return file.with_suffix(".new")


def _sync(folder: Path) -> None:
    """Let the disk have the names in a folder."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
