"""What is known of every basin with a load or a fill in it, gathered for one look."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import msgspec

from collector.alarms.held import Held, Key
from collector.alarms.watched import Soaking, soaking_held
from collector.read import BasinNow, NodeNow
from collector.record.book import Book
from collector.record.rounds.soaks import immersed_ms, longest_immersion_ms, soak_of
from collector.record.solutions.fills import fill_block
from collector.record.things import Fill, Load, Profile, Turn
from collector.required import required_of
from soak.reading import Lid
from soak.requirement import Judge
from soak.wire import BasinSide, State


class _Basin(NamedTuple):
    id: int
    label: str


class _Known(NamedTuple):
    """What of a load changes only with a record or a closing."""

    version: tuple[object, ...]
    unmet: int
    judge: Judge | None
    immersed_from_ms: int
    longest_ms: int


class Gather:
    """Remembers what is costly to find out until something it rests on has changed.

    Args:
        from_ms: In a rehearsal, loads and openings from before this were played, and are over; None in earnest.
    """

    def __init__(self, from_ms: int | None = None) -> None:
        self._from_ms = from_ms
        self._known: dict[str, _Known] = {}
        self._open_since_ms: dict[str, int] = {}

    def look(self, book: Book, silent: Mapping[str, str]) -> Iterator[Held]:
        """Everything that is so of basins now.

        Args:
            book: At the present.
            silent: By basin as "node/name", why nothing is heard of it.
        """
        rows = book.connection.execute("SELECT id, node || '/' || name, label FROM basin").fetchall()
        basins = {basin: _Basin(row_id, label) for row_id, basin, label in rows}
        fills = {fill.basin: fill for fill in book.all(Fill, only_open=True)}
        loads = [
            load
            for load in book.all(Load, only_open=True, since_ms=self._from_ms)
            if load.basin in basins and not load.not_known
        ]
        for load in loads:
            soak = self._soaking(book, load, basins[load.basin], fills.get(load.basin), silent.get(load.basin, ""))
            yield from soaking_held(soak)
        for gone in self._known.keys() - {load.id for load in loads}:
            del self._known[gone]
        yield from self._open_lids(book, basins, fills, silent)
        yield from _said_at_basins(book, basins, {load.basin for load in loads})

    def _soaking(self, book: Book, load: Load, basin: _Basin, fill: Fill | None, silent: str) -> Soaking:
        now = _now(book, basin.id)
        known = self._known_of(book, load, basin, now)
        used = fill if fill is not None and fill.id == load.fill else book.find(Fill, load.fill)
        refusal = fill_block(book, used, book.at_ms) if used else None
        return Soaking(
            load.basin,
            basin.label,
            load,
            known.unmet,
            now,
            known.judge,
            silent,
            used,
            refusal.text if refusal else "",
            book.at_ms - known.immersed_from_ms,
            known.longest_ms,
            book.at_ms,
        )

    def _known_of(self, book: Book, load: Load, basin: _Basin, now: BasinNow | None) -> _Known:
        one = book.connection.execute
        said = one("SELECT ifnull(max(number), 0) FROM ledger WHERE who <> 'collector'").fetchone()
        ended = one("SELECT max(id) FROM closure WHERE basin_id = ?", (basin.id,)).fetchone()
        version = (said, ended, now.closure.first if now and now.closure else None)
        known = self._known.get(load.id)
        if known is None or known.version != version:
            known = self._known[load.id] = _find_out(book, load, basin.id, version)
        return known

    def _open_lids(
        self, book: Book, basins: Mapping[str, _Basin], fills: Mapping[str, Fill], silent: Mapping[str, str]
    ) -> Iterator[Held]:
        """Vapour: a lid that stands open over solution, whether anything is soaked in it or not."""
        since: dict[str, int] = {}
        for basin, fill in fills.items():
            now = _now(book, basins[basin].id) if basin in basins and basin not in silent else None
            if now is None or now.lid is not Lid.OPEN:
                continue
            if self._from_ms is not None and now.at_utc_ms < self._from_ms:
                continue
            since[basin] = self._open_since_ms.get(basin, min(now.at_utc_ms, book.at_ms))
            when = book.local_text(since[basin])
            text = f"{basins[basin].label}: the lid has stood open over fill {fill.id} since {when}."
            yield Held(Key("lid-left-open", basin), text, since[basin], basin, {"fill": fill.id})
        self._open_since_ms = since


def _find_out(book: Book, load: Load, basin_id: int, version: tuple[object, ...]) -> _Known:
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
    return _Known(version, unmet, judge, book.at_ms - immersed, longest_ms)


def _now(book: Book, basin_id: int) -> BasinNow | None:
    row = book.connection.execute("SELECT body FROM now WHERE basin_id = ?", (basin_id,)).fetchone()
    return msgspec.json.decode(row[0], type=BasinNow) if row else None


def nodes(book: Book) -> list[NodeNow]:
    """Every node as last heard of."""
    rows = book.connection.execute("SELECT node, heard_ms, up, body FROM node ORDER BY node").fetchall()
    return [NodeNow(node, heard, bool(up), msgspec.json.decode(body, type=State)) for node, heard, up, body in rows]


def sides(book: Book) -> Iterator[tuple[str, BasinSide]]:
    """What is said and shown at every basin of nodes that are up, by "node/name"."""
    for node in nodes(book):
        if node.up:
            for side in node.state.basins:
                yield f"{node.node}/{side.basin}", side


def _said_at_basins(book: Book, basins: Mapping[str, _Basin], loaded: set[str]) -> Iterator[Held]:
    """A load that only the basin's button told of: the node signals what the record cannot know."""
    for basin, side in sides(book):
        if side.alarm == "opened-early" and basin in basins and basin not in loaded:
            label = basins[basin].label
            text = f"{label}: opened early, says its node. A load was said at its button; the record has none in it."
            yield Held(Key("opened-early", basin), text, book.at_ms, basin)
