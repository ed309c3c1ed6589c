"""What counting asks of the store: one pass over narrow rows each, so that a year answers within a second."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import NamedTuple, TypeVar

import msgspec

from collector.counting.soaks import Laid, Round, Watched
from collector.record.book import DAY_MS, Book
from collector.record.things import Alarm, ClosureNote, Load, Person, Thing, Turn
from soak.closure import Verdict
from soak.decoding import json_decoder

T = TypeVar("T")

_BEFORE_MS = 30 * DAY_MS
"""Loads and rounds that began longer before a range are not asked about it."""

_AHEAD_MS = DAY_MS
"""Closures so long before a range are looked at too: whether a load had met is known from its earlier ones."""


class Found(NamedTuple):
    """What the store has for a range of days.

    Attributes:
        closures: Ended closures that no later verdict took the place of; some began before the range.
        loads: Loads that may have been in them.
        rounds: The loads' rounds by id.
        alarms: Raised in the range, at the basins asked for.
        every_closing_is_a_load: The site's own rule.
    """

    closures: list[Watched]
    loads: list[Laid]
    rounds: dict[str, Round]
    alarms: list[Alarm]
    every_closing_is_a_load: bool


class _Required(msgspec.Struct, frozen=True, gc=False):
    contact_ms: int
    min_mc: int


class _Closure(msgspec.Struct, frozen=True, gc=False):
    closing_ms: int
    credited_ms: int
    opening_ms: int | None = None
    requirement: _Required | None = None
    coldest_mc: int | None = None
    allowance_mc: int | None = None


class _Judged(msgspec.Struct, frozen=True, gc=False):
    closure: _Closure


def found(book: Book, basins: Sequence[tuple[int, str]], since_ms: int, until_ms: int, *, no_basin: bool) -> Found:
    """Everything that statistics of a range need.

    Args:
        book: To look in.
        basins: Row and "node/name" of each basin asked for.
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive.
        no_basin: Alarms that concern no basin count too.
    """
    keys = {key for _, key in basins}
    from_ms = since_ms - _AHEAD_MS - _BEFORE_MS
    loads = [each for each in _documents(book.connection, Load, Laid, from_ms, until_ms) if each.basin in keys]
    rounds = {each.id: each for each in _documents(book.connection, Turn, Round, from_ms, until_ms)}
    alarms = book.all(Alarm, since_ms=since_ms, until_ms=until_ms)
    return Found(
        list(_closures(book.connection, dict(basins), since_ms - _AHEAD_MS, until_ms)),
        loads,
        rounds,
        [each for each in alarms if each.basin in keys or (no_basin and not each.basin)],
        book.policy.every_closing_is_a_load,
    )


def _closures(
    connection: sqlite3.Connection, basins: dict[int, str], since_ms: int, until_ms: int
) -> Iterator[Watched]:
    decode = json_decoder(_Judged).decode
    rows = connection.execute(
        """SELECT c.id, s.stream, c.first, c.basin_id, c.closing_utc_ms, c.last_utc_ms, c.verdict, l.body
           FROM closure c JOIN stream s ON s.id = c.stream_id JOIN ledger l ON l.number = c.number
           WHERE c.closing_utc_ms >= ? AND c.closing_utc_ms < ? AND c.superseded_by IS NULL""",
        (since_ms, until_ms),
    ).fetchall()
    for row_id, stream, first, basin_id, closing_ms, last_ms, verdict, body in rows:
        if basin_id not in basins:
            continue
        closure = decode(body).closure
        asked = closure.requirement
        yield Watched(
            row_id,
            f"{stream}:{first}",
            basins[basin_id],
            closing_ms,
            last_ms,
            last_ms if closure.opening_ms is None else closing_ms + closure.opening_ms - closure.closing_ms,
            Verdict(verdict),
            closure.credited_ms,
            asked.contact_ms if asked else None,
            asked.min_mc if asked else None,
            closure.coldest_mc,
            closure.allowance_mc,
        )


def _documents(
    connection: sqlite3.Connection, kind: type[Thing], into: type[T], since_ms: int, until_ms: int
) -> Iterator[T]:
    decode = json_decoder(into).decode
    rows = connection.execute(
        "SELECT body FROM thing WHERE kind = ? AND open IN (0, 1) AND at_ms >= ? AND at_ms < ?",
        (kind.KIND, since_ms, until_ms),
    ).fetchall()
    return (decode(body) for (body,) in rows)


def said(book: Book, keys: Sequence[str], alarms: Sequence[Alarm]) -> dict[str, list[str]]:
    """What people wrote about closures: what they did about alarms, and notes. By "stream:first"."""
    written: dict[str, list[str]] = {key: [] for key in keys}
    for alarm in alarms:
        about = written.get(alarm.evidence.get("closure", ""))
        if about is not None and alarm.seen:
            about.append(alarm.seen.done)
    for key, about in written.items():
        if note := book.find(ClosureNote, key):
            about.extend(each.note for each in note.notes)
    return written


def people(book: Book) -> list[tuple[str, str]]:
    """Ids and names of everybody on record, so that no text that names one is shown."""
    return [(each.id, each.name) for each in book.all(Person)]
