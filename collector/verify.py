"""Walks the whole ledger and every page, and names the first record that does not hold. Only looks."""

from __future__ import annotations

import hashlib
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import msgspec
import rfc8785

from collector.ledger import BEFORE_THE_FIRST, FORMAT, Head, Record, hashed, records, site_id
from collector.machine import PageSealed
from collector.page import DamagedPageError, unpacked
from collector.schema import FILE_NAME, connect, refuse_newer, refuse_older
from soak.decoding import converted, from_json

_PAGES_AT_ONCE = 200
_SAY_EVERY = 20_000
_GUARDS = {"ledger_update", "ledger_delete", "ledger_insert", "page_update", "page_delete", "page_insert"}


class DoesNotHold(NamedTuple):
    """The first thing that is not as it must be.

    Attributes:
        number: Of the record; None where it concerns no single one.
        text: What is wrong with it.
    """

    number: int | None
    text: str


class Outcome(NamedTuple):
    """What was found.

    Attributes:
        head: The end of the chain as far as it was walked.
        pages: Pages that were opened and gave their digest.
        readings: Readings on them.
        wrong: The first thing that does not hold; None: everything does.
    """

    head: Head
    pages: int
    readings: int
    wrong: DoesNotHold | None


class _Extent(msgspec.Struct):
    """The part of a page that says which readings it holds."""

    stream: str
    first: int
    why: list[tuple[str, int]]


class _Kept(NamedTuple):
    """What the ledger says of one page."""

    number: int
    body: PageSealed


def verify(
    data_dir: Path,
    *,
    processes: int = 2,
    known: Iterable[Head] = (),
    say: Callable[[str], None] = lambda _line: None,
) -> Outcome:
    """Check chain and pages.

    Args:
        data_dir: The collector's data folder.
        processes: How many open pages side by side.
        known: Ends of the chain as they are printed elsewhere, on a record sheet for instance: a chain rewritten or cut
            short since then does not match them.
        say: Told how it goes.

    Raises:
        DataError: There are no data, or another version wrote them.
        sqlite3.Error: The database cannot be read.
    """
    db = connect(data_dir / FILE_NAME, read_only=True, once=True)
    try:
        refuse_newer(db)
        refuse_older(db)
        db.conn.execute("BEGIN")  # one look at everything, whatever is appended meanwhile
        pages: list[_Kept] = []
        head, wrong = _chain(db.conn, pages, list(known), say)
        if wrong is None:
            wrong = _guards(db.conn) or _table(db.conn, pages)
        db.conn.rollback()
    finally:
        db.close()
    if wrong is not None:
        return Outcome(head, 0, 0, wrong)
    opened = readings = 0
    for count, total, found in _opened(data_dir, pages, processes):
        opened, readings = opened + count, readings + total
        if found is not None:
            return Outcome(head, opened, readings, found)
        if opened % _SAY_EVERY < count:
            say(f"{opened:,} of {len(pages):,} pages")
    return Outcome(head, opened, readings, None)


def _chain(
    connection: sqlite3.Connection, pages: list[_Kept], known: list[Head], say: Callable[[str], None]
) -> tuple[Head, DoesNotHold | None]:
    """Every record in order; what it says of pages is collected."""
    site = site_id(connection)
    head = Head(0, BEFORE_THE_FIRST)
    printed: dict[int, set[str]] = {}
    for each in known:
        printed.setdefault(each.records, set()).add(each.hash)
    for record in legible(connection):
        if record is None:
            return head, DoesNotHold(head.records + 1, "it is no text in UTF-8: bytes were changed.")
        if text := _wrong_with(record, head, site):
            return head, DoesNotHold(record.number, text)
        if record.kind == PageSealed.KIND:
            pages.append(_Kept(record.number, from_json(record.body, PageSealed)))
        head = Head(record.number, record.hash)
        if other := printed.get(head.records, set()) - {head.hash}:
            return head, DoesNotHold(
                record.number,
                f"its hash is {head.hash}, but {min(other)} was printed for it: the chain was written again "
                "after that.",
            )
        if head.records % _SAY_EVERY == 0:
            say(f"{head.records:,} records")
    if beyond := [number for number in printed if number > head.records]:
        return head, DoesNotHold(
            None, f"The chain ends at record {head.records}, but record {max(beyond)} was printed: it was cut short."
        )
    return head, None


def legible(connection: sqlite3.Connection) -> Iterator[Record | None]:
    """The records in order; None in the place of one that is no text."""
    try:
        yield from records(connection)
    except sqlite3.OperationalError as error:
        if "UTF-8" not in str(error):  # Python's own words, with no code of SQLite's
            raise
        yield None


def _wrong_with(record: Record, head: Head, site: str) -> str | None:
    """What is wrong with a record that follows on a sound one."""
    if record.number != head.records + 1:
        return f"it follows on record {head.records}: records between are missing."
    if record.format != FORMAT:
        return f"it has format {record.format}; this version knows {FORMAT}."
    if hashed(site, record, head.hash) != record.hash:
        return "its content, or that of the record before, does not give its hash: something was changed."
    return _wrong_with_body(record)


def _wrong_with_body(record: Record) -> str | None:
    try:
        content = record.content()
        if rfc8785.dumps(content).decode() != record.body:
            return "its body is not canonical JSON (RFC 8785)."
        if record.kind == PageSealed.KIND:
            converted(content, PageSealed)
    except RecursionError:
        return "its body is nested more deeply than anything this program writes."
    except (msgspec.DecodeError, rfc8785.CanonicalizationError) as error:
        return f"its body cannot be read ({error})."
    return None


def _guards(connection: sqlite3.Connection) -> DoesNotHold | None:
    """The database's own refusals are in place."""
    there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    if missing := sorted(_GUARDS - there):
        return DoesNotHold(
            None,
            f"The database no longer refuses changes ({', '.join(missing)} missing). The chain itself holds so far.",
        )
    return None


def _table(connection: sqlite3.Connection, pages: list[_Kept]) -> DoesNotHold | None:
    """There is a page for each record and a record for each page."""
    rows = connection.execute(
        "SELECT s.stream, p.first, p.last, p.sha256 FROM page p LEFT JOIN stream s ON s.id = p.stream_id"
    )
    there = {(stream, first): (last, sha256) for stream, first, last, sha256 in rows}
    for number, body in pages:
        row = there.pop((body.stream, body.first), None)
        if row is None:
            return DoesNotHold(number, f"its page (stream {body.stream}, reading {body.first}) is not there.")
        if row != (body.last, body.sha256):
            return DoesNotHold(
                number, f"its page (stream {body.stream}, reading {body.first}) has another extent or digest."
            )
    if there:
        stream, first = min(there, key=str)
        return DoesNotHold(None, f"There is a page (stream {stream}, reading {first}) of which no record speaks.")
    return None


def _opened(data_dir: Path, pages: list[_Kept], processes: int) -> Iterator[tuple[int, int, DoesNotHold | None]]:
    """Pages, readings and the first wrong thing of one part after the other, in order."""
    parts = [pages[at : at + _PAGES_AT_ONCE] for at in range(0, len(pages), _PAGES_AT_ONCE)]
    if processes < 2 or len(parts) < 2:
        yield from (_open(data_dir, part) for part in parts)
        return
    with ProcessPoolExecutor(processes) as pool:
        try:
            yield from pool.map(_open, [data_dir] * len(parts), parts)
        finally:
            pool.shutdown(cancel_futures=True)


def _open(data_dir: Path, part: list[_Kept]) -> tuple[int, int, DoesNotHold | None]:
    """Open some pages; runs in a process of its own."""
    db = connect(data_dir / FILE_NAME, read_only=True, once=True)
    opened = readings = 0
    try:
        for number, body in part:
            (kept,) = db.conn.execute(
                """SELECT p.body FROM page p JOIN stream s ON s.id = p.stream_id
                   WHERE s.stream = ? AND p.first = ?""",
                (body.stream, body.first),
            ).fetchone()
            if text := _wrong_with_page(kept, body):
                return opened, readings, DoesNotHold(number, text)
            opened, readings = opened + 1, readings + body.last - body.first + 1
    finally:
        db.close()
    return opened, readings, None


def _wrong_with_page(kept: bytes, body: PageSealed) -> str | None:
    try:
        page_content(kept, body)
    except DamagedPageError as error:
        return str(error)
    return None


def page_content(kept: bytes, body: PageSealed) -> bytes:
    """The uncompressed bytes of a page.

    Args:
        kept: As the page is kept.
        body: What its record says of it.

    Raises:
        DamagedPageError: They are not what the record says; the text goes on after "it does not hold:".
    """
    if zlib.crc32(kept) != body.kept_crc32:
        raise DamagedPageError("its page is not kept as it was sealed: bytes were changed.")
    try:
        content = unpacked(kept)
        extent = from_json(content, _Extent)
    except (DamagedPageError, msgspec.DecodeError, RecursionError) as error:
        raise DamagedPageError(f"its page cannot be opened ({error}).") from None
    if hashlib.sha256(content).hexdigest() != body.sha256:
        raise DamagedPageError("its page does not give the digest that was recorded.")
    last = extent.first + sum(length for _, length in extent.why) - 1
    if (extent.stream, extent.first, last) != (body.stream, body.first, body.last):
        raise DamagedPageError(
            f"its page holds readings {extent.first} to {last} of stream {extent.stream}, not what was recorded."
        )
    return content
