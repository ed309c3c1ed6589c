"""A disinfection record: put together once, when it is issued, and made again from its record at any later time."""

from __future__ import annotations

import hashlib
import sqlite3
from typing import Any, Final, NamedTuple

import msgspec

from collector.evidence.called import Called
from collector.evidence.ledger_json import records_json
from collector.evidence.reissue import found_again, issue_words
from collector.evidence.sealed import PageUsed, Taken, Used, as_csv, take, take_again
from collector.evidence.sheet import Sheet, sheet_of
from collector.evidence.soak_facts import Facts, facts_of, terms_of
from collector.evidence.times import Times
from collector.evidence.trend import Marks, drawn
from collector.evidence.typeset import Attachment, pictures, typeset, typesetter
from collector.ledger import Record
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Issued

TEMPLATE: Final = "disinfection-record-1"
"""A template that papers were issued with is never changed: the next one gets the next number."""

_TEMPLATES = frozenset({TEMPLATE})
CSV_NAME: Final = "readings.csv"
JSON_NAME: Final = "ledger-records.json"


class Digest(msgspec.Struct, frozen=True):
    """An attached file: its SHA-256 and its size in bytes."""

    sha256: str
    size: int


class Enclosed(msgspec.Struct, frozen=True):
    """Everything that a disinfection record says; it stands in the record of its issue.

    Attributes:
        template: What sets it.
        typesetter: What set it then; another version may set the same words in other bytes.
        title: Its title.
        closure: "stream:first".
        basin: "node/name".
        about_ms: The closing, milliseconds since 1970.
        verdict_number: The record of the verdict.
        verdict_hash: Its hash.
        issued_at: When it is issued, as printed.
        by: Who asked for it, as printed.
        sheet: The words.
        marks: What the trend shows besides the readings.
        used: Which readings, by their pages.
        records: Numbers of the records attached.
        csv: The readings, attached.
        json: Those records, attached.
    """

    template: str
    typesetter: str
    title: str
    closure: str
    basin: str
    about_ms: int
    verdict_number: int
    verdict_hash: str
    issued_at: str
    by: str
    sheet: Sheet
    marks: Marks
    used: Used
    records: tuple[int, ...]
    csv: Digest
    json: Digest


class Made(NamedTuple):
    """A paper, made again.

    Attributes:
        issued: What it is.
        record: The record of its issue.
        name: Its file name.
        content: PDF/A-3a.
        as_then: This machine's typesetter is the one that set it first: the bytes are the same.
    """

    issued: Issued
    record: Record
    name: str
    content: bytes
    as_then: bool

    @property
    def sha256(self) -> str:
        """Of the file."""
        return hashlib.sha256(self.content).hexdigest()


def enclose(book: Book, closure: str) -> Enclosed:
    """Put together what a paper about a soak says.

    Args:
        book: In the deed's transaction.
        closure: As the deed names it.

    Raises:
        RefusedError: There is no such closure, or what is on record of it is not sealed, not sound or not readable.
    """
    facts = facts_of(book, closure)
    row = facts.judged.row
    terms = terms_of(book, row)
    used, readings = take(book.connection, row, terms)
    times = Times(book.zone, row.closing_ms)
    called = Called(book.connection, row.last_ms)
    records = _records(facts, used)
    sheet = sheet_of(facts, used, called, times)
    return Enclosed(
        template=TEMPLATE,
        typesetter=typesetter(),
        title=f"Disinfection record: {sheet.basin}, {sheet.when}",
        closure=row.key,
        basin=row.basin,
        about_ms=row.closing_ms,
        verdict_number=facts.judged.record.number,
        verdict_hash=facts.judged.record.hash,
        issued_at=times.full(book.at_ms),
        by=book.person.name,
        sheet=sheet,
        marks=_marks(facts, times),
        used=used,
        records=records,
        csv=_digest(as_csv(readings, terms)),
        json=_digest(records_json(book.connection, records)),
    )


def issued(connection: sqlite3.Connection, issued_id: str) -> tuple[Issued, Record, Enclosed]:
    """What was issued under an id ("E12"), its record, and all that the paper says.

    Raises:
        RefusedError: There is none, or its record does not hold or is of a newer version.
    """
    return found_again(connection, Issued, issued_id, Enclosed, templates=_TEMPLATES, listed="Evidence")


def make(connection: sqlite3.Connection, issued_id: str) -> Made:
    """The paper, as it was issued.

    Raises:
        RefusedError: It cannot be made as it was: a page is damaged, a record was changed.
    """
    thing, record, enclosed = issued(connection, issued_id)
    readings = take_again(connection, enclosed.used)
    attachments = (
        _attachment(CSV_NAME, "text/csv", _CSV_IS, as_csv(readings, enclosed.used.terms), enclosed.csv),
        _attachment(JSON_NAME, "application/json", _JSON_IS, records_json(connection, enclosed.records), enclosed.json),
    )
    content = typeset(
        enclosed.template,
        _data(connection, enclosed, record, thing, readings),
        title=enclosed.title,
        at_ms=record.at_ms,
        attachments=attachments,
    )
    return Made(thing, record, _name(enclosed, thing), content, enclosed.typesetter == typesetter())


def look(connection: sqlite3.Connection, issued_id: str, ppi: int = 110) -> list[bytes]:
    """Its pages as PNG, to be looked at."""
    thing, record, enclosed = issued(connection, issued_id)
    readings = take_again(connection, enclosed.used)
    data = _data(connection, enclosed, record, thing, readings)
    return pictures(enclosed.template, data, title=enclosed.title, at_ms=record.at_ms, ppi=ppi)


_CSV_IS = "Every reading of the soak, with some before and after it; soakledger assess reads it"
_JSON_IS = "The ledger's records about the soak, verbatim, with what it takes to make their hashes again"


def _data(
    connection: sqlite3.Connection, enclosed: Enclosed, record: Record, thing: Issued, readings: list[Taken]
) -> dict[str, Any]:
    """What the template sets: the words, the drawing, and what only the record itself can say."""
    return {
        **msgspec.to_builtins(enclosed.sheet),
        "drawing": drawn(readings, enclosed.used.terms, enclosed.marks),
        "issue": issue_words(connection, thing, record, enclosed),
        "verdict_record": {"number": enclosed.verdict_number, "hash": enclosed.verdict_hash},
        "closure": enclosed.closure,
        "pages": [_page(each) for each in enclosed.used.pages],
        "readings_range": [enclosed.used.first, enclosed.used.last],
        "csv": {"name": CSV_NAME, **msgspec.to_builtins(enclosed.csv)},
        "json": {"name": JSON_NAME, **msgspec.to_builtins(enclosed.json)},
    }


def _page(page: PageUsed) -> dict[str, Any]:
    return {"number": page.number, "first": page.first, "last": page.last, "sha256": page.sha256}


def _records(facts: Facts, used: Used) -> tuple[int, ...]:
    numbers = {each.record.number for each in facts.verdicts} | {each.number for each in used.pages}
    return tuple(sorted(numbers | {each.number for each in facts.records}))


def _marks(facts: Facts, times: Times) -> Marks:
    row, closure = facts.judged.row, facts.judged.closure
    asked = closure.requirement
    opened_ms = None if closure.opening_ms is None else row.closing_ms + closure.opening_ms - closure.closing_ms
    marks = Marks(
        closure.first,
        closure.last,
        times.near(row.closing_ms),
        "" if opened_ms is None else times.near(opened_ms),
        closure.opening_ms,
    )
    if asked is None:
        return marks
    return msgspec.structs.replace(marks, min_mc=asked.min_mc, max_mc=asked.max_mc, max_gap_ms=asked.max_gap_ms)


def _attachment(name: str, mime: str, description: str, content: bytes, printed: Digest) -> Attachment:
    if _digest(content) != printed:
        raise RefusedError(
            "attachment-differs",
            f"{name} does not come out as it was printed (SHA-256 {printed.sha256[:12]}…): something that it is made "
            "from was changed.",
            "Run `soakledger verify`. The paper that was handed out then stays what it is.",
        )
    return Attachment(name, mime, description, content)


def _digest(content: bytes) -> Digest:
    return Digest(hashlib.sha256(content).hexdigest(), len(content))


def _name(enclosed: Enclosed, thing: Issued) -> str:
    """A file name that sorts by time and is legal everywhere."""
    at = enclosed.sheet.when[:19].replace(" ", "T").replace(":", "")
    return f"{at}_{enclosed.basin.replace('/', '-')}_{thing.id}.pdf"
