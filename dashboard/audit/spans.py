"""Which time in which basin belongs to a device, an encounter, a lot, a person or an alarm: asked of the things.

Each question gives a `Sieve`: times in basins, and closures by name. A closure falls into a time if its lid was closed
in it, as `load_over` says of loads.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple, TypeVar

import msgspec

from collector.record.book import Book
from collector.record.things import Alarm, Bottle, ClosureNote, Device, Fill, Load, MecTest, StripBottle, Thing, Turn
from dashboard.audit.wanted import ANY_ALARM
from dashboard.when import LATEST_MS
from soak.alarms import KINDS
from soak.decoding import from_json

_Thing = TypeVar("_Thing", bound=Thing)


class Span(NamedTuple):
    """From one moment in a basin to another, which is no part of it; milliseconds since 1970."""

    basin: str
    since_ms: int
    until_ms: int


class Moment(NamedTuple):
    """A moment in a basin that may lie in a closure, or just after one."""

    basin: str
    at_ms: int


class Sieve(NamedTuple):
    """What a closure must fall into: one of these times, or be one of these by name, "stream:first".

    Attributes:
        spans: Its lid was closed in one of these.
        keys: It is one of these.
        moments: One of these lies in it.
        means: What was found under the name that was asked for, for people.
    """

    spans: Sequence[Span] = ()
    keys: Sequence[str] = ()
    moments: Sequence[Moment] = ()
    means: Sequence[str] = ()


def of_device(book: Book, text: str) -> Sieve:
    """The rounds of devices with this asset or serial number; where none has just that, of those that have it in it."""
    asked, known = text.casefold(), book.all(Device)
    exact = [each for each in known if asked in (each.id.casefold(), each.serial.casefold())]
    found = exact or [each for each in known if asked in each.id.casefold() or asked in each.serial.casefold()]
    turns = [turn for device in found for turn in book.all(Turn, group=device.id)]
    return _of_turns(turns, [each.id for each in found])


def of_encounter(book: Book, text: str) -> Sieve:
    """Rounds that began with this encounter or whose device was then used for it, capital letters or not."""
    turns = _asked(
        book.connection,
        Turn,
        "lower(?1) IN (lower(json_extract(body, '$.came_from')), lower(json_extract(body, '$.used.encounter')))",
        text,
    )
    return _of_turns(turns, list(dict.fromkeys(turn.device for turn in turns)))


def of_lot(book: Book, text: str) -> Sieve:
    """Fills with solution of this lot or bottle; loads that a strip of this lot or bottle cleared."""
    asked = text.casefold()

    def fits(*names: str) -> bool:
        return asked in (name.casefold() for name in names)

    fills = [each for each in book.all(Fill) if any(fits(part.lot, part.bottle) for part in each.poured)]
    strips = [each for each in book.all(StripBottle) if fits(each.lot, each.id)]
    bottles = [each for each in book.all(Bottle) if fits(each.lot, each.id)]
    tests = _asked(
        book.connection,
        MecTest,
        "json_extract(body, '$.strip_bottle') IN (SELECT value FROM json_each(?1))",
        _json(each.id for each in strips),
    )
    loads = _asked(
        book.connection,
        Load,
        "json_extract(body, '$.mec_test') IN (SELECT value FROM json_each(?1))",
        _json(each.id for each in tests),
    )
    spans = [Span(each.basin, each.poured_ms, each.discarded.at_ms if each.discarded else LATEST_MS) for each in fills]
    return Sieve([*spans, *map(_of_load, loads)], means=[each.id for each in (*bottles, *strips, *fills)])


def of_person(book: Book, person: str) -> Sieve:
    """Rounds, loads, tests and notes in which somebody is named: prepared, loaded, took out, rinsed, released, …"""
    quoted = msgspec.json.encode(person).decode()

    def named(kind: type[_Thing]) -> list[_Thing]:
        return [
            each for each in _asked(book.connection, kind, "instr(body, ?1)", quoted) if names(each, person)
        ]  # the text may stand in a note as well

    tested = {each.used_for for each in named(MecTest) if each.used_for}
    cleared = [load for each in sorted(tested) if (load := book.find(Load, each))]
    turns = _of_turns(named(Turn), [person])
    return turns._replace(
        spans=[*turns.spans, *map(_of_load, [*named(Load), *cleared])],
        keys=[*turns.keys, *(each.id for each in named(ClosureNote))],
    )


def names(thing: Thing, person: str) -> bool:
    """Somebody is named as having done something in it: in a field that says by whom."""
    return _names(msgspec.to_builtins(thing), person)


def _names(content: Any, person: str) -> bool:
    if isinstance(content, dict):
        return any(
            (value == person and (field == "by" or field.endswith("_by"))) or _names(value, person)
            for field, value in content.items()
        )
    return isinstance(content, list | tuple) and any(_names(each, person) for each in content)


def of_alarm(book: Book, text: str) -> Sieve:
    """Closures that alarms are about: of a kind, one by its id, or any."""
    if text == ANY_ALARM:
        alarms = book.all(Alarm)
    elif text in KINDS:
        alarms = _asked(book.connection, Alarm, "json_extract(body, '$.code') = ?1", text)
    else:
        alarms = [each for each in (book.find(Alarm, text), book.find(Alarm, text.upper())) if each][:1]
    keys, spans, moments = [], [], []
    for alarm in alarms:
        evidence = alarm.evidence
        if closure := evidence.get("closure", alarm.about if ":" in alarm.about else ""):
            keys.append(closure)
        elif (turn := book.find(Turn, evidence.get("turn", ""))) and turn.in_ms is not None:
            spans.append(_of_turn(turn))
        elif alarm.basin:
            moments.append(Moment(alarm.basin, alarm.cause_ms))
    return Sieve(spans, keys, moments, [each.id for each in alarms])


def _of_turns(turns: Iterable[Turn], means: Sequence[str]) -> Sieve:
    soaked = [turn for turn in turns if turn.in_ms is not None]
    return Sieve([_of_turn(turn) for turn in soaked], [turn.closure for turn in soaked if turn.closure], means=means)


def _of_turn(turn: Turn) -> Span:
    return Span(turn.basin, turn.in_ms or 0, LATEST_MS if turn.out_ms is None else turn.out_ms)


def _of_load(load: Load) -> Span:
    return Span(load.basin, load.began_ms, LATEST_MS if load.ended_ms is None else load.ended_ms)


def _asked(connection: sqlite3.Connection, kind: type[_Thing], clause: str, text: str) -> list[_Thing]:
    """Things of a kind that a clause of our own holds of; what was typed is only ever a value."""
    rows = connection.execute(f"SELECT body FROM thing WHERE kind = ?2 AND ({clause})", (text, kind.KIND))  # noqa: S608
    return [from_json(body, kind) for (body,) in rows]


def _json(texts: Iterable[str]) -> str:
    return msgspec.json.encode(list(texts)).decode()
