"""A bundle's files out of one look at the data."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from sqlite_utils import Database

from collector import ledger
from collector.bundle import contents
from collector.bundle.archive import Archive
from collector.bundle.chosen import covered, pages_needed, touching
from collector.bundle.missing import EmptyRangeError, Missing, NewerRecordError, Unsealed
from collector.bundle.span import Span
from collector.bundle.told import CHECK_KINDS, PROFILE_KINDS, Told
from collector.errors import DataError
from collector.ledger import BEFORE_THE_FIRST, FORMAT, Head, Record, hashed, site_id
from collector.machine import PageSealed
from collector.page import DamagedPageError
from collector.pictures import Pictures
from collector.readings import stored_pieces
from collector.verify import legible, page_content
from soak.decoding import from_json
from soak.quantity import utc_text
from soak.ranges import Ranges

_SAY_EVERY = 20_000


class Gathered(NamedTuple):
    """What went into a bundle.

    Attributes:
        site: The ledger's id.
        site_name: The clinic.
        head: The end of the chain.
        counts: How many of what.
        missing: What should be in it and is not.
        unsealed: Readings in the range that no page holds yet.
    """

    site: str
    site_name: str
    head: Head
    counts: dict[str, int]
    missing: list[Missing]
    unsealed: list[Unsealed]


class _Chosen(NamedTuple):
    """A page to be packed: the day of its earliest reading, its record, its row."""

    day: str
    record: int
    row: int


def refuse_empty(db: Database, span: Span) -> None:
    """A range without a page and without a verdict has nothing to prove.

    Raises:
        EmptyRangeError: It is so.
        sqlite3.Error: The data cannot be read.
    """
    anything = db.conn.execute(
        """SELECT EXISTS (SELECT 1 FROM page p LEFT JOIN page_index i USING (stream_id, first)
                          WHERE i.first_utc_ms IS NULL OR (i.first_utc_ms < ?2 AND i.last_utc_ms >= ?1))
               OR EXISTS (SELECT 1 FROM closure WHERE closing_utc_ms < ?2 AND last_utc_ms >= ?1)""",
        span,
    ).fetchone()[0]
    if anything:
        return
    waiting = 0
    for (row_id,) in db.conn.execute("SELECT DISTINCT stream_id FROM batch").fetchall():
        for piece in stored_pieces(db, row_id, sealed=False):
            waiting += sum(span.from_ms <= each.ms + piece.offset_ms < span.to_ms for each in piece.readings)
    also = f" {waiting:,} readings in it are on no page yet: they are within the hour." if waiting else ""
    raise EmptyRangeError(
        f"There is nothing in the range {span.words()}: no page of readings and no verdict. No bundle was made.{also}"
    )


class Gathering:
    """Packs what the data hold into an archive.

    Args:
        db: In one read transaction, so that everything is of one moment.
        data_dir: The collector's data folder, for its pictures.
        span: The range.
        say: Told how it goes.
    """

    def __init__(self, db: Database, data_dir: Path, span: Span, say: Callable[[str], None]) -> None:
        self._db, self._data_dir, self._span, self._say = db, data_dir, span, say
        self._connection: sqlite3.Connection = db.conn
        self._told = Told()
        self._head = Head(0, BEFORE_THE_FIRST)
        self._missing: list[Missing] = []
        self._pages_packed = self._readings_packed = 0

    def pack(self, archive: Archive) -> Gathered:
        """Pack all of it but the texts and the manifest.

        Raises:
            EmptyRangeError: There is nothing in the range.
            NewerRecordError: A record is of a newer version.
            sqlite3.Error: The data cannot be read.
        """
        refuse_empty(self._db, self._span)
        told = self._told
        archive.add("ledger.jsonl", self._lines())
        standing = told.standing()
        verdicts = touching(standing, self._span)
        chosen = self._pages(pages_needed(told, verdicts, standing))
        unsealed = self._unsealed()
        self._pack_pages(archive, chosen)
        archive.add("verdicts.csv", contents.verdict_rows(self._connection, verdicts, told.basins))
        archive.add("profiles.json", [contents.pretty(self._documents(PROFILE_KINDS))])
        archive.add("checks.json", [contents.pretty(self._documents(CHECK_KINDS))])
        pictures = self._pack_pictures(archive)
        counts = {
            "records": self._head.records,
            "pages": self._pages_packed,
            "readings": self._readings_packed,
            "verdicts": len(verdicts),
            "verdicts_not_covered": sum(not covered(told, each) for each in verdicts),
            "pictures": pictures,
        }
        return Gathered(site_id(self._connection), told.site_name, self._head, counts, self._missing, unsealed)

    def _lines(self) -> Iterator[bytes]:
        """ledger.jsonl; what the records say is gathered on the way."""
        site = site_id(self._connection)
        for record in legible(self._connection):
            if record is None:
                self._lacks("record", "it is no text in UTF-8: bytes were changed; it and all after it are left out.")
                return
            self._look_at(record, site)
            self._head = Head(record.number, record.hash)
            yield contents.line(record)
            if record.number % _SAY_EVERY == 0:
                self._say(f"{record.number:,} records")

    def _look_at(self, record: Record, site: str) -> None:
        if record.format > FORMAT:
            raise NewerRecordError(
                f"Record {record.number} has format {record.format}; this version knows {FORMAT}. It was written by a "
                "newer version of this program, whose bundle would be another. Use that version."
            )
        if record.number != self._head.records + 1 or hashed(site, record, self._head.hash) != record.hash:
            self._lacks("record", "it does not follow on the one before, or was changed.", record=record.number)
        try:
            self._told.follow(record)
        except (msgspec.DecodeError, RecursionError, AttributeError, TypeError) as error:
            self._lacks("record", f"it cannot be read ({error}).", record=record.number)

    def _lacks(self, what: str, text: str, *, record: int | None = None, page: PageSealed | None = None) -> None:
        record = self._head.records + 1 if what == "record" and record is None else record
        lacks = Missing(what, text, record=record)
        if page:
            lacks = msgspec.structs.replace(lacks, stream=page.stream, first=page.first, last=page.last)
        self._missing.append(lacks)

    # Pages

    def _pages(self, needed: set[tuple[str, int]]) -> list[_Chosen]:
        """Those needed and those of the range, by the day and the number of their record."""
        expected = {(s, page.first): page.record for s in self._told.streams() for page in self._told.pages(s)}
        rows = self._connection.execute(
            """SELECT p.rowid, s.stream, p.first, i.first_utc_ms, i.last_utc_ms FROM page p
               JOIN stream s ON s.id = p.stream_id
               LEFT JOIN page_index i ON i.stream_id = p.stream_id AND i.first = p.first"""
        )
        chosen: list[_Chosen] = []
        for row, stream, first, begin_ms, end_ms in rows:
            record = expected.pop((stream, first), None)
            if record is None:
                self._lacks("page", f"there is a page (stream {stream}, reading {first}) of which no record speaks.")
            elif begin_ms is None:
                self._lacks("page", "it is not known when its page was: run soakledger rebuild.", record=record)
            elif (stream, first) in needed or (begin_ms < self._span.to_ms and end_ms >= self._span.from_ms):
                chosen.append(_Chosen(utc_text(begin_ms)[:10], record, row))
        for (stream, first), record in sorted(expected.items(), key=lambda item: item[1]):
            if (stream, first) in needed or self._touched_by_lost_page(stream, first):
                page = self._record_of(record)
                self._lacks(
                    "page", f"its page (stream {stream}, reading {first}) is not there.", record=record, page=page
                )
        return sorted(chosen)

    def _touched_by_lost_page(self, stream: str, first: int) -> bool:
        """Whether a page that is not there may have been of the range."""
        times = self._connection.execute(
            """SELECT i.first_utc_ms, i.last_utc_ms FROM page_index i JOIN stream s ON s.id = i.stream_id
               WHERE s.stream = ? AND i.first = ?""",
            (stream, first),
        ).fetchone()
        return times is None or (times[0] < self._span.to_ms and times[1] >= self._span.from_ms)

    def _pack_pages(self, archive: Archive, chosen: list[_Chosen]) -> None:
        """A file for each day."""
        begin = 0
        for end in range(1, len(chosen) + 1):
            if end == len(chosen) or chosen[end].day != chosen[begin].day:
                archive.add(f"pages/{chosen[begin].day}.jsonl", self._page_lines(chosen[begin:end]))
                self._say(f"{end:,} of {len(chosen):,} pages")
                begin = end

    def _page_lines(self, chosen: list[_Chosen]) -> Iterator[bytes]:
        for each in chosen:
            page = self._record_of(each.record)
            (kept,) = self._connection.execute("SELECT body FROM page WHERE rowid = ?", (each.row,)).fetchone()
            try:
                content = page_content(kept, page)
            except DamagedPageError as error:
                self._lacks("page", str(error), record=each.record, page=page)
                continue
            self._pages_packed += 1
            self._readings_packed += page.last - page.first + 1
            yield content + b"\n"

    def _record_of(self, number: int) -> PageSealed:
        record = ledger.record(self._connection, number)
        assert record is not None  # noqa: S101 - it was walked over in the same look
        return from_json(record.body, PageSealed)

    def _unsealed(self) -> list[Unsealed]:
        """Readings in the range that no page holds yet."""
        found: list[Unsealed] = []
        streams = self._connection.execute(
            "SELECT id, stream FROM stream WHERE id IN (SELECT stream_id FROM batch) ORDER BY id"
        ).fetchall()
        for row_id, stream in streams:
            sealed = Ranges((page.first, page.last) for page in self._told.pages(stream))
            waiting = Ranges()
            try:
                for piece in stored_pieces(self._db, row_id, sealed=False):
                    for number, reading in enumerate(piece.readings, piece.first):
                        if self._span.from_ms <= reading.ms + piece.offset_ms < self._span.to_ms:
                            waiting.add(number, number)
            except DamagedPageError as error:
                self._lacks("row", str(error))
            for first, last in waiting:
                for begin, end in sealed.missing(first, last):
                    basin = self._told.basins.get(stream, "")
                    found.append(Unsealed(basin, stream, begin, end, end - begin + 1))
        return found

    # What is beside them

    def _documents(self, kinds: tuple[str, ...]) -> dict[str, Any]:
        return {kind: self._told.documents[kind] for kind in kinds}

    def _pack_pictures(self, archive: Archive) -> int:
        pictures, packed = Pictures(self._data_dir), 0
        for digest, record in sorted(self._told.pictures.items()):
            try:
                found = pictures.find(digest)
            except (DataError, OSError) as error:
                self._lacks("picture", f"its picture does not hold: {error}", record=record)
                continue
            if found is None:
                self._lacks("picture", f"its picture {digest[:64]} is not there.", record=record)
                continue
            content, media_type = found
            ending = {"image/jpeg": "jpg", "image/png": "png", "application/pdf": "pdf"}[media_type]
            archive.add(f"pictures/{digest}.{ending}", [content], packed=False)
            packed += 1
        return packed
