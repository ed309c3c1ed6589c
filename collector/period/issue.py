"""A period report: put together once, when it is issued, and made again from its record at any later time."""

from __future__ import annotations

import base64
import hashlib
import io
import sqlite3
import zipfile
import zlib
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import msgspec

from collector import ledger
from collector.evidence.reissue import found_again, issue_words
from collector.evidence.sound import newer, refuse_unsound_tail
from collector.evidence.times import Times
from collector.evidence.typeset import Attachment, pictures, typeset, typesetter
from collector.ledger import Record
from collector.period.asked import asked
from collector.period.parts import Table
from collector.period.sheet import Sheet, report_of
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import PeriodReport
from soak.decoding import from_json
from soak.quantity import utc_text

TEMPLATE: Final = "period-report-1"
"""A template that reports were issued with is never changed: the next one gets the next number."""

_TEMPLATES = frozenset({TEMPLATE})
MANIFEST: Final = "manifest.json"


class Kept(msgspec.Struct, frozen=True):
    """A table of a report: its file name, what it lists, how many rows, its SHA-256 and size in bytes."""

    name: str
    what: str
    rows: int
    sha256: str
    size: int


class Enclosed(msgspec.Struct, frozen=True):
    """Everything that a period report says; it stands in the record of its issue.

    Attributes:
        template: What sets it.
        typesetter: What set it then; another version may set the same words in other bytes.
        title: Its title.
        first: First day.
        last: Last day.
        basins: "node/name" of those it is about.
        issued_at: When it is issued, as printed.
        by: Who asked for it, as printed.
        sheet: The words.
        tables: The tables attached.
        packed: The same tables whole: base64 of zlib over JSON, text by name. They are kept and not made again, for
            what they are made from goes on changing.
    """

    template: str
    typesetter: str
    title: str
    first: str
    last: str
    basins: tuple[str, ...]
    issued_at: str
    by: str
    sheet: Sheet
    tables: tuple[Kept, ...]
    packed: str


class Made(NamedTuple):
    """A report, made again.

    Attributes:
        issued: What it is.
        record: The record of its issue.
        name: Its file name, without an ending.
        content: PDF/A-3a.
        as_then: This machine's typesetter is the one that set it first: the bytes are the same.
    """

    issued: PeriodReport
    record: Record
    name: str
    content: bytes
    as_then: bool

    @property
    def sha256(self) -> str:
        """Of the file."""
        return hashlib.sha256(self.content).hexdigest()


def enclose(book: Book, first: str, last: str, basin: str = "", place: str = "") -> Enclosed:
    """Put together what a report says.

    Args:
        book: In the deed's transaction.
        first: First day, "2026-03-01".
        last: Last day.
        basin: Only this one, "node/name".
        place: Only basins at this place.

    Raises:
        RefusedError: What is asked for makes no sense, or the ledger's end is not sound.
    """
    wanted = asked(book, first, last, basin, place)
    refuse_unsound_tail(book.connection)
    try:
        sheet, tables = report_of(book, wanted)
    except msgspec.ValidationError as error:
        raise newer(f"Something on record cannot be read ({error}).") from None
    texts = {each.name: each.csv() for each in tables}
    return Enclosed(
        template=TEMPLATE,
        typesetter=typesetter(),
        title=f"Period report: {sheet.site}, {wanted.first} to {wanted.last}",
        first=wanted.first.isoformat(),
        last=wanted.last.isoformat(),
        basins=tuple(each.key for each in wanted.basins),
        issued_at=Times(book.zone, book.at_ms).full(book.at_ms),
        by=book.person.name,
        sheet=sheet,
        tables=tuple(_kept(each, texts[each.name].encode()) for each in tables),
        packed=base64.b64encode(zlib.compress(msgspec.json.encode(texts), 6)).decode(),
    )


def issued(connection: sqlite3.Connection, issued_id: str) -> tuple[PeriodReport, Record, Enclosed]:
    """What was issued under an id ("PR12"), its record, and all that the report says.

    Raises:
        RefusedError: There is none, or its record does not hold or is of a newer version.
    """
    return found_again(connection, PeriodReport, issued_id, Enclosed, templates=_TEMPLATES, listed="Period report")


def make(connection: sqlite3.Connection, issued_id: str) -> Made:
    """The report, as it was issued.

    Raises:
        RefusedError: It cannot be made as it was: its record was changed, or is of a newer version.
    """
    thing, record, enclosed = issued(connection, issued_id)
    texts = tables_of(enclosed)
    attachments = [Attachment(each.name, "text/csv", each.what, texts[each.name]) for each in enclosed.tables]
    content = typeset(
        enclosed.template,
        _data(connection, enclosed, record, thing),
        title=enclosed.title,
        at_ms=record.at_ms,
        attachments=attachments,
    )
    return Made(thing, record, file_name(thing), content, enclosed.typesetter == typesetter())


def look(connection: sqlite3.Connection, issued_id: str, ppi: int = 110) -> list[bytes]:
    """Its pages as PNG, to be looked at."""
    thing, record, enclosed = issued(connection, issued_id)
    data = _data(connection, enclosed, record, thing)
    return pictures(enclosed.template, data, title=enclosed.title, at_ms=record.at_ms, ppi=ppi)


def tables_of(enclosed: Enclosed) -> dict[str, bytes]:
    """The tables of an issued report by name, the same bytes each time.

    Raises:
        RefusedError: One is not what is printed on the report.
    """
    texts = from_json(zlib.decompress(base64.b64decode(enclosed.packed)), dict[str, str])
    for each in enclosed.tables:
        content = texts.get(each.name, "").encode()
        if (hashlib.sha256(content).hexdigest(), len(content)) != (each.sha256, each.size):
            raise RefusedError(
                "attachment-differs",
                f"{each.name} does not come out as it was printed (SHA-256 {each.sha256[:12]}…).",
                "Run `soakledger verify`. The report that was handed out then stays what it is.",
            )
    return {each.name: texts[each.name].encode() for each in enclosed.tables}


def zip_issued(connection: sqlite3.Connection, issued_id: str) -> bytes:
    """The tables of an issued report in one ZIP, the same bytes each time."""
    thing, record, enclosed = issued(connection, issued_id)
    said = {"issue": thing.id, "number": record.number, "hash": record.hash, "title": enclosed.title}
    return _zipped(tables_of(enclosed), enclosed.tables, said, record.at_ms)


def zip_now(book: Book, first: str, last: str, basin: str = "", place: str = "") -> bytes:
    """The tables as they are now, in one ZIP. Nothing is issued by that, and its manifest says so.

    Raises:
        RefusedError: What is asked for makes no sense.
    """
    wanted = asked(book, first, last, basin, place)
    sheet, tables = report_of(book, wanted)
    texts = {each.name: each.csv().encode() for each in tables}
    head = ledger.head(book.connection)
    said = {
        "issue": "none: not issued, so nothing on record says what these tables held",
        "number": head.records,
        "hash": head.hash,
        "title": f"{sheet.site}, {sheet.days}. {sheet.scope}",
        "not_counted": list(sheet.limits),
    }
    return _zipped(texts, [_kept(each, texts[each.name]) for each in tables], said, book.at_ms)


def _zipped(texts: Mapping[str, bytes], tables: Any, said: Mapping[str, Any], at_ms: int) -> bytes:
    text = utc_text(at_ms)
    date = (int(text[:4]), int(text[5:7]), int(text[8:10]), int(text[11:13]), int(text[14:16]), int(text[17:19]))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in texts.items():
            archive.writestr(zipfile.ZipInfo(name, date), content, zipfile.ZIP_DEFLATED)
        manifest = {
            "what": "Tables of a period report: UTF-8, times in UTC, units in the columns' names",
            "ledger": said,
            "made_utc": text,
            "files": msgspec.to_builtins(tables),
        }
        content = msgspec.json.format(msgspec.json.encode(manifest), indent=1) + b"\n"
        archive.writestr(zipfile.ZipInfo(MANIFEST, date), content)
    return out.getvalue()


def file_name(thing: PeriodReport) -> str:
    """A file name, without an ending, that sorts by its range and is legal everywhere."""
    return f"period-report_{thing.first}_{thing.last}_{thing.id}"


def _kept(table: Table, content: bytes) -> Kept:
    rows = content.count(b"\r\n") - 1
    return Kept(table.name, table.what, rows, hashlib.sha256(content).hexdigest(), len(content))


def _data(connection: sqlite3.Connection, enclosed: Enclosed, record: Record, thing: PeriodReport) -> dict[str, Any]:
    """What the template sets: the words, and what only the record itself can say."""
    return {
        **msgspec.to_builtins(enclosed.sheet),
        "tables": msgspec.to_builtins(enclosed.tables),
        "issue": issue_words(connection, thing, record, enclosed),
    }
