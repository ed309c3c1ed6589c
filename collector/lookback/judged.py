"""Closures as they stand on record, with the version of this program that judged each: looks, never writes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

import msgspec

from soak.closure import Closure
from soak.decoding import json_decoder
from soak.requirement import SensorTerms


class Judged(msgspec.Struct, frozen=True, gc=False):
    """A closure that nothing has superseded.

    Attributes:
        id: Its row in the store.
        number: The record that holds its verdict.
        basin_id: Its basin's row.
        basin: "node/name".
        stream_id: Its stream's row.
        stream: Its stream.
        closing_ms: When it began, milliseconds since 1970.
        last_ms: Its last reading.
        clock_synced: These times can be trusted.
        judged_ms: When it was judged.
        software: What judged it, e.g. "soakledger 0.1.0".
        closure: Everything the rule said of it.
    """

    id: int
    number: int
    basin_id: int
    basin: str
    stream_id: int
    stream: str
    closing_ms: int
    last_ms: int
    clock_synced: bool
    judged_ms: int
    software: str
    closure: Closure

    @property
    def key(self) -> str:
        """As rounds and notes name it: "stream:first"."""
        return f"{self.stream}:{self.closure.first}"

    @property
    def opened_ms(self) -> int:
        """Its opening, milliseconds since 1970; its last reading where nobody saw one."""
        opening_ms = self.closure.opening_ms
        return self.last_ms if opening_ms is None else self.closing_ms + opening_ms - self.closure.closing_ms


class _Body(msgspec.Struct, frozen=True):
    """What is read of a closure's record."""

    closure: Closure


_DECODER = json_decoder(_Body)


def basins(connection: sqlite3.Connection, names: Iterable[str] | None = None) -> dict[int, str]:
    """Basins as "node/name" by their row; all if none are named."""
    rows = connection.execute("SELECT id, node || '/' || name FROM basin ORDER BY id").fetchall()
    wanted = None if names is None else set(names)
    return {basin_id: name for basin_id, name in rows if wanted is None or name in wanted}


def with_sensor(connection: sqlite3.Connection, sensor: str) -> dict[int, str]:
    """Basins of which the settings have ever required this sensor."""
    rows = connection.execute("SELECT basin_id, sensors FROM requirement").fetchall()
    terms = json_decoder(dict[str, SensorTerms])
    having = {basin_id for basin_id, sensors in rows if sensor in terms.decode(sensors)}
    return {basin_id: name for basin_id, name in basins(connection).items() if basin_id in having}


def judged(
    connection: sqlite3.Connection,
    of_basins: dict[int, str],
    from_ms: int,
    until_ms: int,
    *,
    undated_until_ms: int | None = None,
) -> list[Judged]:
    """Closures that stand and touch a time range, by basin and time.

    Where a closure's times cannot be trusted it is also among them if it was judged in the range: the collector's own
    clock is believed, and no closure is judged before it has ended.

    Args:
        connection: To the database.
        of_basins: Their basins.
        from_ms: They ended at this time or later, milliseconds since 1970.
        until_ms: They began before this time.
        undated_until_ms: Those whose times cannot be trusted were judged before this time; `until_ms` if not given.
    """
    undated_ms = until_ms if undated_until_ms is None else undated_until_ms
    found: list[Judged] = []
    for basin_id, basin in of_basins.items():
        # All that began before the end are looked at: where a clock went backwards times overlap.
        rows = connection.execute(
            """SELECT c.id, c.number, c.stream_id, s.stream, c.closing_utc_ms, c.last_utc_ms, c.clock_synced,
                      c.assessed_ms, l.software, l.body
               FROM closure c JOIN stream s ON s.id = c.stream_id JOIN ledger l ON l.number = c.number
               WHERE c.basin_id = ?1 AND c.superseded_by IS NULL
               AND ((c.closing_utc_ms < ?3 AND c.last_utc_ms >= ?2)
                    OR (c.clock_synced = 0 AND c.assessed_ms >= ?2 AND c.assessed_ms < ?4))
               ORDER BY c.closing_utc_ms, c.id""",
            (basin_id, from_ms, until_ms, undated_ms),
        )
        for row_id, number, stream_id, stream, closing_ms, last_ms, synced, judged_ms, version, body in rows:
            times = closing_ms, last_ms, bool(synced), judged_ms
            closure = _DECODER.decode(body).closure
            found.append(Judged(row_id, number, basin_id, basin, stream_id, stream, *times, version, closure))
    return found


def ids_between(connection: sqlite3.Connection, basin_id: int, from_ms: int, until_ms: int) -> set[int]:
    """Rows of the closures of a basin that stand and touch a time range."""
    rows = connection.execute(
        """SELECT id FROM closure
           WHERE basin_id = ? AND superseded_by IS NULL AND last_utc_ms >= ? AND closing_utc_ms < ?""",
        (basin_id, from_ms, until_ms),
    )
    return {row_id for (row_id,) in rows}


def software_of(connection: sqlite3.Connection) -> dict[str, int]:
    """How many closures that stand each version of this program has judged, by the first record of each."""
    return dict(
        connection.execute(
            """SELECT l.software, count(*) FROM closure c JOIN ledger l ON l.number = c.number
               WHERE c.superseded_by IS NULL GROUP BY l.software ORDER BY min(c.number)"""
        ).fetchall()
    )
