"""Loads and rounds laid over closures: what lay in the solution while the lid was closed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple, TypeVar

import msgspec

from collector.lookback.judged import Judged
from collector.record.things import Load, Stage, Turn, Used
from soak.decoding import json_decoder

_BEFORE_MS = 30 * 24 * 3_600_000
"""Loads that began longer before are asked about only while they are open, as `rounds.unassigned.load_over` does."""

_AT_ONCE = 500
_Body = TypeVar("_Body")


class LoadHere(msgspec.Struct, frozen=True, gc=False):
    """What a look-back needs of a load; as `collector.record.things.Load`, which has the rest."""

    id: str
    basin: str
    fill: str
    began_ms: int
    by: str
    turns: tuple[str, ...] = ()
    mec_test: str = ""
    ended_ms: int | None = None


class RoundHere(msgspec.Struct, frozen=True, gc=False):
    """What a look-back needs of a device's round; as `collector.record.things.Turn`, which has the rest."""

    id: str
    device: str
    load: str = ""
    stage: Stage = Stage.PREPARING
    came_from: str = ""
    in_ms: int | None = None
    out_ms: int | None = None
    closure: str = ""
    used: Used | None = None


class Lain(NamedTuple):
    """What lay in one closure.

    Attributes:
        loads: Loads that were in the basin during it, oldest first; as a rule one, or none.
        turns: Rounds whose device was in the solution during it.
    """

    loads: tuple[LoadHere, ...] = ()
    turns: tuple[RoundHere, ...] = ()


_LOAD = json_decoder(LoadHere)
_ROUND = json_decoder(RoundHere)


def lay(connection: sqlite3.Connection, closures: Sequence[Judged]) -> dict[int, Lain]:
    """What lay in closures, by the closure's row.

    Args:
        connection: To the database.
        closures: Of any basins, those of one basin by their time.
    """
    by_basin: dict[str, list[Judged]] = {}
    for each in closures:
        by_basin.setdefault(each.basin, []).append(each)
    over: dict[int, tuple[LoadHere, ...]] = {}
    for basin, here in by_basin.items():
        loads = _loads(connection, basin, here[0].closing_ms, max(each.opened_ms for each in here))
        over |= _loads_over(loads, here)
    wanted = {turn for loads in over.values() for load in loads for turn in load.turns}
    turns = {turn.id: turn for turn in bodies(connection, Turn.KIND, wanted, _ROUND)}
    found: dict[int, Lain] = {}
    for each in closures:
        inside = [turns[turn] for load in over[each.id] for turn in load.turns if turn in turns]
        found[each.id] = Lain(over[each.id], tuple(turn for turn in inside if _during(turn.in_ms, turn.out_ms, each)))
    return found


def people_in(connection: sqlite3.Connection, loads: Iterable[str], turns: Iterable[str]) -> tuple[str, ...]:
    """Who had to do with loads and rounds, by id: steps, soak, rinses, release, use.

    Args:
        connection: To the database.
        loads: Their ids.
        turns: Their ids.
    """
    people = [load.by for load in bodies(connection, Load.KIND, loads, json_decoder(Load))]
    for turn in bodies(connection, Turn.KIND, turns, json_decoder(Turn)):
        people += [turn.by, turn.in_by, turn.out_by, *(step.by for step in turn.steps.values())]
        people += [rinse.by for rinse in turn.rinses]
        people += [each.by for each in (turn.dried, turn.released, turn.used) if each]
    return tuple(dict.fromkeys(filter(None, people)))


def bodies(
    connection: sqlite3.Connection, kind: str, ids: Iterable[str], decoder: msgspec.json.Decoder[_Body]
) -> Iterator[_Body]:
    """Things by their ids, those that are not on record are absent."""
    wanted = sorted(set(ids))
    for start in range(0, len(wanted), _AT_ONCE):
        part = wanted[start : start + _AT_ONCE]
        sql = f"SELECT body FROM thing WHERE kind = ? AND id IN ({', '.join('?' * len(part))})"  # noqa: S608
        yield from (decoder.decode(body) for (body,) in connection.execute(sql, (kind, *part)))


def _loads(connection: sqlite3.Connection, basin: str, from_ms: int, until_ms: int) -> list[LoadHere]:
    """Loads of a basin by their beginning; some may have ended before the range."""
    rows = connection.execute(
        """SELECT body FROM thing WHERE kind = ?1 AND grp = ?2 AND at_ms < ?4 AND (at_ms >= ?3 OR open)
           ORDER BY at_ms, length(id), id""",
        (Load.KIND, basin, from_ms - _BEFORE_MS, until_ms),
    )
    return [_LOAD.decode(body) for (body,) in rows]


def _loads_over(loads: Sequence[LoadHere], closures: Sequence[Judged]) -> dict[int, tuple[LoadHere, ...]]:
    """By closure; both by their time."""
    found, there, place = dict[int, tuple[LoadHere, ...]](), list[LoadHere](), 0
    for each in closures:
        while place < len(loads) and loads[place].began_ms < each.opened_ms:
            there.append(loads[place])
            place += 1
        there = [load for load in there if load.ended_ms is None or load.ended_ms > each.closing_ms]
        found[each.id] = tuple(load for load in there if load.began_ms < each.opened_ms)
    return found


def _during(in_ms: int | None, out_ms: int | None, closure: Judged) -> bool:
    return in_ms is not None and in_ms < closure.opened_ms and (out_ms is None or out_ms > closure.closing_ms)


def throughout(turn: RoundHere, closure: Judged) -> bool:
    """A device lay in a closure from the closing to the opening: only then does the closure prove anything for it."""
    return (
        turn.in_ms is not None
        and turn.in_ms <= closure.closing_ms
        and (turn.out_ms is None or turn.out_ms >= closure.opened_ms)
    )
