"""Loads and rounds laid over closures: what lay in the solution while the lid was closed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import msgspec

from collector.lookback.judged import Judged
from collector.record import shelf
from collector.record.things import Load, Turn

_BEFORE_MS = 30 * 24 * 3_600_000
"""Loads that began longer before are asked about only while they are open, as `rounds.unassigned.load_over` does."""

_AT_ONCE = 500
_TURN = msgspec.json.Decoder(Turn)


class Lain(NamedTuple):
    """What lay in one closure.

    Attributes:
        loads: Loads that were in the basin during it, oldest first; as a rule one, or none.
        turns: Rounds whose device was in the solution during it.
    """

    loads: tuple[Load, ...] = ()
    turns: tuple[Turn, ...] = ()


def lay(connection: sqlite3.Connection, closures: Sequence[Judged]) -> dict[int, Lain]:
    """What lay in closures, by the closure's row.

    Args:
        connection: To the database.
        closures: Of any basins, those of one basin by their time.
    """
    by_basin: dict[str, list[Judged]] = {}
    for each in closures:
        by_basin.setdefault(each.basin, []).append(each)
    found: dict[int, Lain] = {}
    for basin, here in by_basin.items():
        over = _loads_over(_loads(connection, basin, here[0].closing_ms, max(each.opened_ms for each in here)), here)
        turns = turns_by_id(connection, {turn for loads in over.values() for load in loads for turn in load.turns})
        for each in here:
            loads = over[each.id]
            inside = [turns[turn] for load in loads for turn in load.turns if turn in turns]
            found[each.id] = Lain(loads, tuple(turn for turn in inside if _during(turn.in_ms, turn.out_ms, each)))
    return found


def turns_by_id(connection: sqlite3.Connection, ids: Iterable[str]) -> dict[str, Turn]:
    """Rounds by their id; those that are not on record are absent."""
    wanted, found = sorted(set(ids)), dict[str, Turn]()
    for start in range(0, len(wanted), _AT_ONCE):
        part = wanted[start : start + _AT_ONCE]
        sql = f"SELECT body FROM thing WHERE kind = ? AND id IN ({', '.join('?' * len(part))})"  # noqa: S608
        found |= {
            turn.id: turn for turn in (_TURN.decode(row[0]) for row in connection.execute(sql, (Turn.KIND, *part)))
        }
    return found


def _loads(connection: sqlite3.Connection, basin: str, from_ms: int, until_ms: int) -> list[Load]:
    since_ms = from_ms - _BEFORE_MS
    loads = shelf.find_all(connection, Load, group=basin, since_ms=since_ms, until_ms=until_ms)
    return shelf.find_all(connection, Load, group=basin, only_open=True, until_ms=since_ms) + loads


def _loads_over(loads: Sequence[Load], closures: Sequence[Judged]) -> dict[int, tuple[Load, ...]]:
    """By closure; both by their time."""
    found, there, place = dict[int, tuple[Load, ...]](), list[Load](), 0
    for each in closures:
        while place < len(loads) and loads[place].began_ms < each.opened_ms:
            there.append(loads[place])
            place += 1
        there = [load for load in there if load.ended_ms is None or load.ended_ms > each.closing_ms]
        found[each.id] = tuple(load for load in there if load.began_ms < each.opened_ms)
    return found


def _during(in_ms: int | None, out_ms: int | None, closure: Judged) -> bool:
    return in_ms is not None and in_ms < closure.opened_ms and (out_ms is None or out_ms > closure.closing_ms)


def throughout(turn: Turn, closure: Judged) -> bool:
    """A device lay in a closure from the closing to the opening: only then does the closure prove anything for it."""
    return (
        turn.in_ms is not None
        and turn.in_ms <= closure.closing_ms
        and (turn.out_ms is None or turn.out_ms >= closure.opened_ms)
    )
