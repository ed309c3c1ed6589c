"""Makes a bundle: into a file, or for a page to send."""

from __future__ import annotations

import os
import secrets
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import IO, NamedTuple

import msgspec
from sqlite_utils import Database

from collector.bundle import contents
from collector.bundle.archive import MANIFEST, Archive, DamagedBundleError, read_back
from collector.bundle.gathered import Gathered, Gathering, refuse_empty
from collector.bundle.issue import record_issue
from collector.bundle.missing import IncompleteError
from collector.bundle.readme import readme
from collector.bundle.span import Span
from collector.errors import DataError
from collector.ledger import Record
from collector.record.desk import Desk
from collector.schema import FILE_NAME, connect, refuse_newer, refuse_older

FORMAT = 1
"""Of the bundle's layout."""

_CHUNK_BYTES = 1 << 18
_WITH_IT = ("formats.md", "verify.py")
"""Files of this package that travel in every bundle."""


class Made(NamedTuple):
    """What is in a bundle that was made.

    Attributes:
        gathered: What went into it.
        bytes: Its size.
    """

    gathered: Gathered
    bytes: int


@contextmanager
def looking(data_dir: Path) -> Iterator[Database]:
    """One look at everything, whatever is written meanwhile.

    Raises:
        DataError: There are no data, or another version wrote them.
    """
    if not (data_dir / FILE_NAME).is_file():
        raise DataError(f"There are no data in {data_dir} (no {FILE_NAME}). Name the collector's data folder.")
    db = connect(data_dir / FILE_NAME, read_only=True, once=True)
    try:
        refuse_newer(db)
        refuse_older(db)
        db.conn.execute("BEGIN")
        yield db
    finally:
        db.close()


def write(
    data_dir: Path,
    span: Span,
    file: IO[bytes],
    made_ms: int,
    *,
    incomplete: bool = False,
    say: Callable[[str], None] = lambda _line: None,
) -> Made:
    """Write a bundle and read it back.

    Args:
        data_dir: The collector's data folder.
        span: The range.
        file: Where to; it can be read, written and searched.
        made_ms: When, milliseconds since 1970.
        incomplete: Make one that names what it lacks, instead of none.
        say: Told how it goes.

    Raises:
        IncompleteError: Something is damaged or not there.
        EmptyRangeError: There is nothing in the range.
        NewerRecordError: A record is of a newer version.
        DataError: There are no data, another version wrote them, or the bundle does not read as it was written.
        sqlite3.Error: The data cannot be read.
        OSError: The file cannot be written.
    """
    software = f"soakledger {version('soakledger')}"
    with Archive(file) as archive:
        with looking(data_dir) as db:
            gathered = Gathering(db, data_dir, span, say).pack(archive)
        if gathered.missing and not incomplete:
            raise IncompleteError(gathered.missing)
        for name in _WITH_IT:
            archive.add(name, [(files("collector.bundle") / name).read_bytes()])
        archive.add("README.txt", [readme(gathered, span, software).encode()])
        archive.add(MANIFEST, [_manifest(gathered, span, software, made_ms, archive)])
    file.flush()
    size = file.tell()
    say("reading it back")
    try:
        file.seek(0)
        read_back(file)
    except DamagedBundleError as error:
        raise DataError(
            f"The bundle does not read as it was written ({error}). It was thrown away. Check the disk, then try again."
        ) from None
    return Made(gathered, size)


def _manifest(gathered: Gathered, span: Span, software: str, made_ms: int, archive: Archive) -> bytes:
    return contents.pretty(
        {
            "format": FORMAT,
            "made_ms": made_ms,
            "software": software,
            "site": gathered.site,
            "site_name": gathered.site_name,
            "from_ms": span.from_ms,
            "to_ms": span.to_ms,
            "head": gathered.head._asdict(),
            "files": {path: part._asdict() for path, part in archive.parts.items()},
            "counts": gathered.counts,
            "missing": [msgspec.to_builtins(each) for each in gathered.missing],
            "unsealed": [msgspec.to_builtins(each) for each in gathered.unsealed],
        }
    )


def write_file(
    data_dir: Path,
    span: Span,
    out: Path,
    made_ms: int,
    *,
    incomplete: bool = False,
    replace: bool = False,
    say: Callable[[str], None] = lambda _line: None,
) -> Made:
    """Write a bundle to a file, which is whole or not there; see `write`.

    Raises:
        FileExistsError: There is a file of that name, and it is not to be replaced.
    """
    refuse_existing(out, replace=replace)
    waiting = out.with_name(f".{out.name}.{secrets.token_hex(4)}.unfinished")
    try:
        with open(waiting, "x+b", opener=lambda path, flags: os.open(path, flags, 0o600)) as file:
            made = write(data_dir, span, file, made_ms, incomplete=incomplete, say=say)
            os.fsync(file.fileno())
        refuse_existing(out, replace=replace)
        waiting.rename(out)
    finally:
        waiting.unlink(missing_ok=True)
    folder = os.open(out.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return made


def refuse_existing(out: Path, *, replace: bool) -> None:
    """A bundle is evidence: none is written over unasked."""
    if not replace and out.exists():
        raise FileExistsError(f"There is a file {out} already.")


def stream(data_dir: Path, span: Span, made_ms: int) -> tuple[Made, Iterator[bytes]]:
    """A bundle for a page to send: made and read back first, so that what is sent is whole.

    Returns:
        What is in it, and its bytes piece by piece; it lies in a file without a name until they are all taken.

    Raises:
        IncompleteError, EmptyRangeError, NewerRecordError, DataError, sqlite3.Error, OSError: As `write`.
    """
    file = tempfile.TemporaryFile(dir=data_dir if os.access(data_dir, os.W_OK) else None)  # noqa: SIM115 - closed when its bytes are taken
    try:
        made = write(data_dir, span, file, made_ms)
    except BaseException:
        file.close()
        raise
    return made, _pieces(file)


def issued(desk: Desk, data_dir: Path, span: Span, who: str) -> tuple[Record, Made, Iterator[bytes]]:
    """What a page does when somebody asks for a bundle: records it, makes it, and has its bytes to send.

    It takes a second for every few days of five basins: call it in a thread of its own.

    Args:
        desk: At the data.
        data_dir: The same data's folder.
        span: The range.
        who: Who asks, as they have proven it.

    Returns:
        The record of its issue, what is in it, and its bytes.

    Raises:
        EmptyRangeError: There is nothing in the range; nothing was recorded.
        IncompleteError, NewerRecordError, DataError, sqlite3.Error, OSError: As `write`; its issue is on record.
    """
    refuse_empty(desk.database, span)
    record = record_issue(desk, span, who)
    made, pieces = stream(data_dir, span, desk.clock())
    return record, made, pieces


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        file.seek(0)
        while piece := file.read(_CHUNK_BYTES):
            yield piece
