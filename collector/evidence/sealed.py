"""Readings of a soak as its pages hold them: opened, checked against their records, dated, and as CSV.

Which pages, which readings of them and which clocks is written down when a paper is issued, so that later finds (a
reading that came after all, a clock set since) change nothing about a paper that is out.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import msgspec
from sqlite_utils import Database

from collector.evidence.around import Row, pages_of
from collector.evidence.sound import newer, refuse_changed
from collector.ledger import record
from collector.machine import PageSealed
from collector.page import FORMAT, DamagedPageError, unseal
from collector.readings import Anchors, dated, synchronised_of
from collector.record.errors import RefusedError
from soak.decoding import from_json
from soak.quantity import utc_text
from soak.reading import Reading
from soak.requirement import SensorTerms

AROUND = 120
"""Readings shown before the closing and after the opening: two minutes, so that the lid is seen to move."""

_DAMAGED = "Run `soakledger verify`, then restore the data from a backup and issue it again."


class PageUsed(msgspec.Struct, frozen=True, omit_defaults=True):
    """A page of readings that a paper rests on.

    Attributes:
        stream: Its stream.
        first: Number of its first reading.
        last: Number of its last.
        sha256: Of its uncompressed bytes.
        number: The ledger's record that holds this digest.
    """

    stream: str
    first: int
    last: int
    sha256: str
    number: int


class Dating(msgspec.Struct, frozen=True):
    """From which reading on which clock dates them.

    Attributes:
        first: Number of the reading.
        offset_ms: Wall clock minus the node's uninterrupted clock.
        trusted: The wall clock was synchronised, or has been since in the same boot.
    """

    first: int
    offset_ms: int
    trusted: bool


class Used(msgspec.Struct, frozen=True):
    """What of the readings a paper rests on: enough to find the same again.

    Attributes:
        first: Number of the first reading taken.
        last: Number of the last.
        pages: Their pages.
        dates: Their clocks, from the first reading on.
        terms: Correction and U of each required sensor.
    """

    first: int
    last: int
    pages: tuple[PageUsed, ...]
    dates: tuple[Dating, ...]
    terms: dict[str, SensorTerms]


class Taken(NamedTuple):
    """One reading with its number and its wall-clock time, milliseconds since 1970."""

    number: int
    utc_ms: int
    reading: Reading


def take(connection: sqlite3.Connection, row: Row, terms: Mapping[str, SensorTerms]) -> tuple[Used, list[Taken]]:
    """The readings of a closure with some before and after it, for a new paper.

    Args:
        connection: To the database.
        row: The closure.
        terms: Correction and U of each required sensor in it.

    Raises:
        RefusedError: Not all of them are sealed yet, or a page is damaged.
    """
    pages = tuple(
        PageUsed(row.stream, page.first, page.last, page.sha256, _number(connection, page.sha256, page.number))
        for page in _whole_pages(connection, row)
    )
    _refuse_open(row, pages)
    first, last = max(pages[0].first, row.first - AROUND), min(pages[-1].last, row.last + AROUND)
    used = Used(first, last, pages, (), dict(terms))
    synchronised = synchronised_of(Database(connection), row.stream_id)
    readings, dates = list[Taken](), list[Dating]()
    for page in pages:
        begin, opened, anchors = _opened(connection, page)
        for piece in dated(begin, opened, anchors, synchronised):
            within = [
                Taken(number, reading.ms + piece.offset_ms, reading)
                for number, reading in enumerate(piece.readings, piece.first)
                if first <= number <= last
            ]
            if within and (not dates or (dates[-1].offset_ms, dates[-1].trusted) != (piece.offset_ms, piece.dated)):
                dates.append(Dating(within[0].number, piece.offset_ms, piece.dated))
            readings += within
    return msgspec.structs.replace(used, dates=tuple(dates)), readings


def take_again(connection: sqlite3.Connection, used: Used) -> list[Taken]:
    """The same readings again, dated as they were then.

    Raises:
        RefusedError: A page is damaged or gone.
    """
    readings: list[Taken] = []
    dates = list(used.dates)
    for page in used.pages:
        begin, opened, _ = _opened(connection, page)
        for number, reading in enumerate(opened, begin):
            if used.first <= number <= used.last:
                while len(dates) > 1 and number >= dates[1].first:
                    del dates[0]
                readings.append(Taken(number, reading.ms + dates[0].offset_ms, reading))
    return readings


def as_csv(readings: Iterable[Taken], terms: Mapping[str, SensorTerms]) -> bytes:
    """The readings as CSV (RFC 4180), a line each; `soakledger assess` reads it.

    `time_s` is the node's uninterrupted clock, by which durations count; `utc` its wall clock. Of each sensor
    `indicated_c` as it came and, where it is required, `temp_c` with its correction; blank where there was no value,
    then `fault` says why, with the raw bytes.
    """
    readings = list(readings)
    sensors = sorted({sensor for each in readings for sensor in each.reading.mc} | set(terms))
    required = [sensor for sensor in sensors if sensor in terms]
    head = ["number", "time_s", "utc", "lid", "why"]
    head += [f"indicated_c {sensor}" for sensor in sensors] + [f"temp_c {sensor}" for sensor in required]
    columns = [(sensor, 0) for sensor in sensors] + [(sensor, terms[sensor].correction_mc) for sensor in required]
    written: dict[int | None, str] = {None: ""}  # a sensor has few steps: the same temperatures come again
    minutes: dict[int, str] = {}
    lines = [",".join(map(_field, [*head, "fault"]))]
    for number, utc_ms, reading in readings:
        minute, ms = divmod(utc_ms, 60_000)
        if minute not in minutes:
            minutes[minute] = utc_text(minute * 60_000)[:17]
        at = f"{minutes[minute]}{ms // 1000:02d}.{ms % 1000:03d}Z"
        line = f"{number},{reading.ms // 1000}.{reading.ms % 1000:03d},{at},{reading.lid},{reading.why}"
        for sensor, correction_mc in columns:
            mc = reading.mc.get(sensor)
            value = None if mc is None else mc + correction_mc
            if value not in written:
                written[value] = thousandths(value or 0)
            line += f",{written[value]}"
        lines.append(f"{line},{_faults(reading)}")
    return ("\r\n".join(lines) + "\r\n").encode()


def _faults(reading: Reading) -> str:
    if not reading.fault:
        return ""
    return _field(
        "; ".join(f"{each} {fault.code} {fault.raw}".rstrip() for each, fault in sorted(reading.fault.items()))
    )


def thousandths(value: int) -> str:
    """A whole number of thousandths as a decimal number with three places: 21312 is "21.312"."""
    return f"{'-' if value < 0 else ''}{abs(value) // 1000}.{abs(value) % 1000:03d}"


def _field(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(char in text for char in ',"\r\n') else text


def _whole_pages(connection: sqlite3.Connection, row: Row) -> list[PageUsed]:
    """Pages with a reading of the closure or of the minutes beside it, whole, where they follow on without a hole."""
    near = {page.sha256: page.number for page in pages_of(connection, row, row.first - AROUND, row.last + AROUND)}
    found = [
        PageUsed(row.stream, first, last, sha256, near.get(sha256) or 0)
        for first, last, sha256 in connection.execute(
            "SELECT first, last, sha256 FROM page WHERE stream_id = ? AND first <= ? AND last >= ? ORDER BY first",
            (row.stream_id, row.last + AROUND, row.first - AROUND),
        )
    ]
    run: list[PageUsed] = []
    for page in found:
        if run and page.first != run[-1].last + 1:
            if run[-1].last >= row.first:
                break
            run = []
        run.append(page)
    return run


def _refuse_open(row: Row, pages: Sequence[PageUsed]) -> None:
    if not pages or pages[0].first > row.first or pages[-1].last < row.last:
        raise RefusedError(
            "readings-not-sealed",
            "Not all readings of this soak are sealed yet, so no digest covers them: a paper about them could not be "
            "proven later.",
            "They are sealed within the hour while the collector runs. Issue it then.",
        )


def _number(connection: sqlite3.Connection, sha256: str, number: int) -> int:
    """The record of a page; looked for in the whole ledger where it is not near the verdict."""
    if number:
        return number
    row = connection.execute("SELECT number FROM ledger WHERE kind = 'page' AND instr(body, ?)", (sha256,)).fetchone()
    if row is None:
        raise RefusedError(
            "page-not-recorded", f"No record of the ledger speaks of the page with the digest {sha256[:12]}….", _DAMAGED
        )
    return int(row[0])


def _opened(connection: sqlite3.Connection, page: PageUsed) -> tuple[int, Sequence[Reading], Anchors]:
    """A page's first number, readings and clocks, if it is what its record says.

    Raises:
        RefusedError: It is not.
    """
    kept = connection.execute(
        "SELECT p.body FROM page p JOIN stream s ON s.id = p.stream_id WHERE s.stream = ? AND p.first = ?",
        (page.stream, page.first),
    ).fetchone()
    said = record(connection, page.number)
    if kept is None or said is None:
        raise _damaged(page, "it is gone")
    sealed = from_json(said.body, PageSealed)
    refuse_changed(connection, said)
    if (sealed.stream, sealed.first, sealed.last, sealed.sha256) != (page.stream, page.first, page.last, page.sha256):
        raise _damaged(page, f"record {page.number} speaks of another page")
    if zlib.crc32(kept[0]) != sealed.kept_crc32:
        raise _damaged(page, "it is not kept as it was sealed: bytes were changed")
    _refuse_newer(kept[0])
    try:
        first, readings, anchors = _unsealed(kept[0], page.sha256)
    except DamagedPageError as error:
        raise _damaged(page, str(error)) from None
    if (first, len(readings)) != (page.first, page.last - page.first + 1):
        raise _damaged(page, "it holds other readings than its record says")
    return first, readings, anchors


@lru_cache(maxsize=4)
def _unsealed(kept: bytes, sha256: str) -> tuple[int, Sequence[Reading], Anchors]:
    """A page is opened for its soak's issue, for its paper, and for the soak after it: a few megabytes spare that."""
    return unseal(kept, sha256)


class _Format(msgspec.Struct):
    """The part of a page that says how it is written."""

    format: int


def _refuse_newer(kept: bytes) -> None:
    try:
        page_format = from_json(zlib.decompress(kept), _Format).format
    except (zlib.error, msgspec.DecodeError, RecursionError):
        return  # damaged: whoever opens it says how
    if page_format > FORMAT:
        raise newer(f"A page of its readings is written in format {page_format}; this version reads up to {FORMAT}.")


def _damaged(page: PageUsed, text: str) -> RefusedError:
    return RefusedError(
        "page-damaged",
        f"The page with readings {page.first} to {page.last} of stream {page.stream} is damaged ({text}): there is no "
        "evidence of this soak without it.",
        _DAMAGED,
    )
