"""What is known of every basin with a load or a fill in it, gathered for one look."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from collector.alarms.ended import CLOCK_WRONG_MS
from collector.alarms.held import Held, Key
from collector.alarms.watched import Soaking, soaking_held
from collector.read import BasinNow, NodeNow
from collector.record.book import Book
from collector.record.rounds.soaks import immersed_ms, longest_immersion_ms, soak_of
from collector.record.solutions.fills import fill_block
from collector.record.things import Fill, Load, Policy, Profile, SensorCheck, Turn
from collector.required import required_of
from soak.decoding import from_json
from soak.reading import Lid
from soak.requirement import Judge
from soak.wire import BasinSide, State


class _Basin(NamedTuple):
    id: int
    label: str


class _Known(NamedTuple):
    """What of a load changes only with a record or a closing.

    Attributes:
        closing: The closure in progress, as "stream:first"; empty while the lid is open.
        rests_on: What is on record of it, by kind and id, and its basin.
        unmet: How many of its devices have still to meet.
        judge: What its readings must fulfil.
        immersed_from_ms: Since when it has been in the solution.
        longest_ms: For how long it may be.
    """

    closing: str
    rests_on: frozenset[tuple[str, str]]
    unmet: int
    judge: Judge | None
    immersed_from_ms: int
    longest_ms: int


class _Said(msgspec.Struct):
    """Of a person's record, which things it changed, by kind and id."""

    changes: dict[str, dict[str, msgspec.Raw]] = {}


_OF_MANY = frozenset({Policy.KIND, Profile.KIND, SensorCheck.KIND})
"""Kinds whose change may concern any load."""

_BASIN = "basin"


class Gather:
    """Remembers what is costly to find out until something it rests on has changed.

    Attributes:
        from_ms: While a rehearsal's past is played, loads and openings from before this are half told, and not looked
            at. None else.
    """

    def __init__(self) -> None:
        self.from_ms: int | None = None
        self._known: dict[str, _Known] = {}
        self._said = self._ended = 0
        self._open_since_ms: dict[str, int] = {}

    def look(self, book: Book, silent: Mapping[str, str], heard: Iterable[NodeNow] = ()) -> Iterator[Held]:
        """Everything that is so of basins now.

        Args:
            book: At the present.
            silent: By basin as "node/name", why nothing is heard of it.
            heard: The nodes as last heard of.
        """
        rows = book.connection.execute("SELECT id, node || '/' || name, label FROM basin").fetchall()
        basins = {basin: _Basin(row_id, label) for row_id, basin, label in rows}
        fills = {fill.basin: fill for fill in book.all(Fill, only_open=True)}
        loads = [
            load
            for load in book.all(Load, only_open=True, since_ms=self.from_ms)
            if load.basin in basins and not load.not_known
        ]
        loaded = {load.basin for load in loads}
        nows = {basin: _now(book, basins[basin].id) for basin in loaded | fills.keys() if basin in basins}
        self._forget(book)
        for load in loads:
            soak = self._soaking(book, load, basins[load.basin], fills.get(load.basin), nows[load.basin])
            yield from soaking_held(soak._replace(silent=silent.get(load.basin, "")))
        for gone in self._known.keys() - {load.id for load in loads}:
            del self._known[gone]
        yield from self._open_lids(book, basins, fills, {**nows, **dict.fromkeys(silent)})
        yield from _said_at_basins(book, basins, loaded, heard)

    def _soaking(self, book: Book, load: Load, basin: _Basin, fill: Fill | None, now: BasinNow | None) -> Soaking:
        known = self._known.get(load.id)
        if known is None or known.closing != _closing(now):
            known = self._known[load.id] = _find_out(book, load, basin.id, _closing(now))
        used = fill if fill is not None and fill.id == load.fill else book.find(Fill, load.fill)
        refusal = fill_block(book, used, book.at_ms) if used else None
        return Soaking(
            load.basin,
            basin.label,
            load,
            known.unmet,
            now,
            known.judge,
            "",
            used,
            refusal.text if refusal else "",
            book.at_ms - known.immersed_from_ms,
            known.longest_ms,
            book.at_ms,
        )

    def _forget(self, book: Book) -> None:
        """What was known of loads that something new was said of, or whose lid was opened."""
        one = book.connection.execute
        if not self._known:
            ((self._said,),) = one("SELECT ifnull(max(number), 0) FROM ledger")
            ((self._ended,),) = one("SELECT ifnull(max(id), 0) FROM closure")
        changed: set[tuple[str, str]] = set()
        sql = "SELECT number, body FROM ledger WHERE number > ? AND who <> 'collector' ORDER BY number"
        for number, body in one(sql, (self._said,)).fetchall():
            self._said = number
            changes = from_json(body, _Said).changes
            if _OF_MANY & changes.keys():
                self._known.clear()
            changed |= {(kind, each) for kind, by_id in changes.items() for each in by_id}
            changed |= {(_BASIN, fill.basin) for each in changes.get(Fill.KIND, ()) if (fill := book.find(Fill, each))}
        sql = "SELECT c.id, b.node || '/' || b.name FROM closure c JOIN basin b ON b.id = c.basin_id WHERE c.id > ?"
        for row_id, basin in one(sql, (self._ended,)):
            self._ended = max(self._ended, row_id)
            changed.add((_BASIN, basin))
        for load_id in [each for each, known in self._known.items() if known.rests_on & changed]:
            del self._known[load_id]

    def _open_lids(
        self, book: Book, basins: Mapping[str, _Basin], fills: Mapping[str, Fill], nows: Mapping[str, BasinNow | None]
    ) -> Iterator[Held]:
        """Vapour: a lid that stands open over solution, whether anything is soaked in it or not."""
        since: dict[str, int] = {}
        for basin, fill in fills.items():
            now = nows.get(basin)
            if now is None or now.lid is not Lid.OPEN:
                continue
            if self.from_ms is not None and now.at_utc_ms < self.from_ms:
                continue
            since[basin] = self._open_since_ms.get(basin, min(now.at_utc_ms, book.at_ms))
            when = book.local_text(since[basin])
            text = f"{basins[basin].label}: the lid has stood open over fill {fill.id} since {when}."
            yield Held(Key("lid-left-open", basin), text, since[basin], basin, {"fill": fill.id})
        self._open_since_ms = since


def _closing(now: BasinNow | None) -> str:
    return f"{now.stream}:{now.closure.first}" if now and now.closure else ""


def _find_out(book: Book, load: Load, basin_id: int, closing: str) -> _Known:
    turns = [turn for each in load.turns if (turn := book.find(Turn, each)) and turn.out_ms is None]
    unmet = sum(not soak_of(book, turn).met for turn in turns)
    fill = book.find(Fill, load.fill)
    profile = book.find(Profile, fill.profile) if fill else None
    longest_ms = longest_immersion_ms(book, profile) if profile else book.policy.longest_immersion_ms
    required = [each for each in required_of(book.connection, basin_id) if each.since_ms <= book.at_ms]
    judge = None
    if required and required[-1].requirement is not None and required[-1].terms:
        judge = Judge(required[-1].requirement, required[-1].terms)
    immersed = max((immersed_ms(book, turn) for turn in turns), default=0)
    rests_on = {(Load.KIND, load.id), (_BASIN, load.basin), *((Turn.KIND, each) for each in load.turns)}
    return _Known(closing, frozenset(rests_on), unmet, judge, book.at_ms - immersed, longest_ms)


def _now(book: Book, basin_id: int) -> BasinNow | None:
    """Its newest reading; one that is dated far from the present, by a node's wrong clock, is dated now.

    Of a basin that is heard it is seconds old; who is not heard is told of as silent.
    """
    row = book.connection.execute("SELECT body FROM now WHERE basin_id = ?", (basin_id,)).fetchone()
    now = from_json(row[0], BasinNow) if row else None
    if now is not None and abs(now.at_utc_ms - book.at_ms) > CLOCK_WRONG_MS:
        now = replace(now, at_utc_ms=book.at_ms)
    return now


def nodes(book: Book) -> list[NodeNow]:
    """Every node as last heard of."""
    rows = book.connection.execute("SELECT node, heard_ms, up, body FROM node ORDER BY node").fetchall()
    return [NodeNow(node, heard, bool(up), from_json(body, State)) for node, heard, up, body in rows]


def sides(heard: Iterable[NodeNow]) -> Iterator[tuple[str, BasinSide]]:
    """What is said and shown at every basin of nodes that are up, by "node/name"."""
    for node in heard:
        if node.up:
            for side in node.state.basins:
                yield f"{node.node}/{side.basin}", side


def _said_at_basins(
    book: Book, basins: Mapping[str, _Basin], loaded: set[str], heard: Iterable[NodeNow]
) -> Iterator[Held]:
    """A load that only the basin's button told of: the node signals what the record cannot know."""
    for basin, side in sides(heard):
        if side.alarm == "opened-early" and side.said_ms is not None and basin in basins and basin not in loaded:
            label = basins[basin].label
            text = f"{label}: opened early, says its node. A load was said at its button; the record has none in it."
            yield Held(Key("opened-early", basin), text, book.at_ms, basin)
