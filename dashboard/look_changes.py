"""What has changed in the store since the last look: a look at a thousand basins asks again only about these."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any, NamedTuple

import msgspec

from collector.record import shelf
from collector.record.things import KINDS, Device, DeviceType, Drill, Fill, Handover, MecTest, Review, Thing, Transcript
from soak.decoding import from_json

_MOST_RECORDS = 500
"""After more records than this everything is asked again: that is quicker than reading them all."""
_OF_NO_BASIN = (Device, DeviceType, Drill, Handover, Review, Transcript)
"""Kinds of things that say nothing of whether a basin is ready, or of what is next in it."""


class Changed(NamedTuple):
    """What to ask again.

    Attributes:
        everything: All basins, whatever the rest says.
        basins: Basins that a new record concerns, as "node/name".
        closures: Rows of basins that have a new closure.
        record: Something was recorded at all.
    """

    everything: bool
    basins: frozenset[str]
    closures: frozenset[int]
    record: bool


class _Body(msgspec.Struct, frozen=True):
    changes: dict[str, dict[str, Any]] = {}


class Changes:
    """Follows ledger, closures and settings. For one thread."""

    def __init__(self) -> None:
        self._record = self._closure = self._requirement = -1

    def since_last(self, connection: sqlite3.Connection) -> Changed:
        """What has changed since this was last asked; the first time, and after a step back, everything."""
        (record,) = connection.execute("SELECT ifnull(max(number), 0) FROM ledger").fetchone()
        (closure,) = connection.execute("SELECT ifnull(max(id), 0) FROM closure").fetchone()
        (requirement,) = connection.execute("SELECT ifnull(max(id), 0) FROM requirement").fetchone()
        known = self._record, self._closure, self._requirement
        self._record, self._closure, self._requirement = record, closure, requirement
        first, back = known[0] < 0, record < known[0] or closure < known[1]
        if first or back or requirement != known[2] or record - known[0] > _MOST_RECORDS:
            return Changed(everything=True, basins=frozenset(), closures=frozenset(), record=True)
        closed = connection.execute("SELECT DISTINCT basin_id FROM closure WHERE id > ?", (known[1],)).fetchall()
        basins = frozenset(_concerned(connection, known[0])) if record != known[0] else frozenset()
        return Changed(
            everything=None in basins,
            basins=frozenset(each for each in basins if each is not None),
            closures=frozenset(basin_id for (basin_id,) in closed),
            record=record != known[0],
        )


def _concerned(connection: sqlite3.Connection, after: int) -> Iterator[str | None]:
    """Basins that the records after this one concern; None for all of them."""
    rows = connection.execute("SELECT body FROM ledger WHERE number > ?", (after,)).fetchall()
    for (body,) in rows:
        for kind, things in from_json(body, _Body).changes.items():
            known = KINDS.get(kind)
            if known in _OF_NO_BASIN:
                continue
            for thing_id in things:
                yield _basin(connection, known, thing_id)


def _basin(connection: sqlite3.Connection, kind: type[Thing] | None, thing_id: str) -> str | None:
    thing = shelf.find(connection, kind, thing_id) if kind else None
    if isinstance(thing, MecTest):
        thing = shelf.find(connection, Fill, thing.fill)
    basin = getattr(thing, "basin", None)
    return basin if isinstance(basin, str) else None
