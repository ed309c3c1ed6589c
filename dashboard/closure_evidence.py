"""What proves a closure's soak, each piece with the ledger's record that holds it: load, devices, tests, alarms."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

import msgspec

from collector import ledger
from collector.ledger import COLLECTOR, Record
from collector.record.book import Book
from collector.record.things import Alarm, ClosureNote, Fill, Load, MecTest, Profile, StripBottle, Thing, Turn
from dashboard.audit.spans import AFTER_OPENING_MS
from dashboard.ledger_pages import About, about
from dashboard.record_query import Names
from soak.decoding import from_json

MOST_LOOKED_AT = 20_000
"""Records that are looked through for those about a soak: some weeks of a busy site."""

_NEAR = 500
"""A page of readings is sealed with the verdict, or as few records before or after it."""


class RecordLine(NamedTuple):
    """One record of the ledger and what it is about."""

    record: Record
    about: About


class ReadingsPage(NamedTuple):
    """Readings of the closure, sealed: their numbers, the digest, and the record that has it, where it was found."""

    first: int
    last: int
    sha256: str
    number: int | None


class Evidence(NamedTuple):
    """All that the store has about a closure beside what was measured.

    Attributes:
        verdict: The record of its verdict.
        pages: Its readings.
        open_readings: Some of its readings are on no page yet: no digest covers them so far.
        fill: What the load lay in.
        profile: That fill's solution.
        tests: MEC tests that cleared the load.
        lots: Lots of the strips, by MEC test.
        alarms: Those about it.
        records: What people recorded about load, devices, tests, notes and fill, oldest first.
        cut: There are older ones that were not looked for.
    """

    verdict: Record | None
    pages: Sequence[ReadingsPage]
    open_readings: bool
    fill: Fill | None
    profile: Profile | None
    tests: Sequence[MecTest]
    lots: dict[str, str]
    alarms: Sequence[Alarm]
    records: Sequence[RecordLine]
    cut: bool


class _Closure(NamedTuple):
    stream_id: int
    stream: str
    first: int
    last: int
    basin: str
    closing_ms: int
    last_ms: int
    number: int


def evidence(book: Book, closure_id: int, load: Load | None, turns: Sequence[Turn], names: Names) -> Evidence:
    """Gather it.

    Args:
        book: To look in.
        closure_id: The closure's row, which is there.
        load: The load that was in it, if one was.
        turns: That load's rounds.
        names: People and basins as they are called.
    """
    closure = _Closure(
        *book.connection.execute(
            """SELECT c.stream_id, s.stream, c.first, c.last, b.node || '/' || b.name, c.closing_utc_ms, c.last_utc_ms,
                      c.number FROM closure c JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id
               WHERE c.id = ?""",
            (closure_id,),
        ).fetchone()
    )
    key = f"{closure.stream}:{closure.first}"
    fill = book.find(Fill, load.fill) if load else None
    test = book.find(MecTest, load.mec_test) if load and load.mec_test else None
    tests = [test] if test else []
    strips = [(each.id, book.find(StripBottle, each.strip_bottle)) for each in tests]
    about_it: list[Thing] = [*turns, *tests, *(each for each in (load, book.find(ClosureNote, key)) if each)]
    found, cut = _records(book.connection, about_it)
    pages = list(_pages(book.connection, closure))
    return Evidence(
        verdict=ledger.record(book.connection, closure.number),
        pages=pages,
        open_readings=sum(page.last - page.first + 1 for page in pages) < closure.last - closure.first + 1
        and (not pages or pages[-1].last < closure.last),
        fill=fill,
        profile=book.find(Profile, fill.profile) if fill else None,
        tests=tests,
        lots={test_id: bottle.lot for test_id, bottle in strips if bottle},
        alarms=_alarms(book.connection, closure, key, {turn.id for turn in turns}),
        records=[RecordLine(each, about(book, names, each)) for each in found],
        cut=cut,
    )


def _pages(connection: sqlite3.Connection, closure: _Closure) -> Iterator[ReadingsPage]:
    """The pages that hold a part of its readings."""
    rows = connection.execute(
        "SELECT first, last, sha256 FROM page WHERE stream_id = ? AND first <= ? AND last >= ? ORDER BY first",
        (closure.stream_id, closure.last, closure.first),
    ).fetchall()
    for first, last, sha256 in rows:
        row = connection.execute(
            """SELECT number FROM ledger WHERE kind = 'page' AND number BETWEEN ? AND ? AND instr(body, ?)""",
            (closure.number - _NEAR, closure.number + _NEAR, sha256),
        ).fetchone()
        yield ReadingsPage(max(first, closure.first), min(last, closure.last), sha256, row[0] if row else None)


def _alarms(connection: sqlite3.Connection, closure: _Closure, key: str, turns: Collection[str]) -> list[Alarm]:
    """Alarms that name it or a round in it, or whose cause in its basin lies in its time."""
    rows = connection.execute(
        """SELECT body FROM thing WHERE kind = 'alarm' AND (
               json_extract(body, '$.evidence.closure') = ?1 OR json_extract(body, '$.about') = ?1
               OR json_extract(body, '$.evidence.turn') IN (SELECT value FROM json_each(?5))
               OR (json_extract(body, '$.basin') = ?2 AND json_extract(body, '$.cause_ms') BETWEEN ?3 AND ?4))
           ORDER BY at_ms""",
        (
            key,
            closure.basin,
            closure.closing_ms,
            closure.last_ms + AFTER_OPENING_MS,
            msgspec.json.encode(sorted(turns)).decode(),
        ),
    )
    return [from_json(body, Alarm) for (body,) in rows]


def _records(connection: sqlite3.Connection, things: Sequence[Thing]) -> tuple[list[Record], bool]:
    """What people recorded of these things, oldest first, and whether older records were not looked for.

    From the last record that changed one of them backwards, until the one that made the last of them is found.
    """
    wanted = {(each.KIND, each.id) for each in things}
    if not wanted:
        return [], False
    newest = max(_last_change(connection, *each) for each in wanted)
    rows = connection.execute(
        "SELECT number, body FROM ledger WHERE who <> ? AND number <= ? ORDER BY number DESC LIMIT ?",
        (COLLECTOR, newest, MOST_LOOKED_AT),
    )
    texts = [f'"{thing_id}"' for _kind, thing_id in wanted]
    found, made, looked_at = [], set[tuple[str, str]](), 0
    for number, body in rows:
        looked_at += 1
        if not any(text in body for text in texts):
            continue
        changes = msgspec.json.decode(body).get("changes", {})
        changed = {(kind, each) for kind, by_id in changes.items() for each in by_id} & wanted
        made |= {(kind, each) for kind, each in changed if "id" in changes[kind][each]}
        if changed and (record := ledger.record(connection, number)):
            found.append(record)
        if made == wanted:
            return found[::-1], False
    return found[::-1], looked_at == MOST_LOOKED_AT


def _last_change(connection: sqlite3.Connection, kind: str, thing_id: str) -> int:
    row = connection.execute("SELECT number FROM thing WHERE kind = ? AND id = ?", (kind, thing_id)).fetchone()
    return int(row[0]) if row else 0
