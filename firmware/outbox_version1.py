"""Reads outbox files of version 1: a row for each reading, and a table of streams. Only to take them over."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import msgspec

from firmware.clock import Anchor
from firmware.packing import Card, Origin, pack, pack_card
from soak.decoding import from_json, msgpack_decoder
from soak.reading import Fault, Lid, Reading, Why

_AT_ONCE = 500
_WHY = (Why.TICK, Why.LID, Why.BUTTON, Why.CLOCK, Why.START)


class _Packed(msgspec.Struct, frozen=True, array_like=True):
    ms: int
    why: int
    closed: bool
    results: list[int | tuple[str, str]]


_DECODER = msgpack_decoder(_Packed)


def blocks(file: Path) -> list[tuple[int, bytes]]:
    """Everything in the file as rows of the present version: id and block, oldest first.

    Raises:
        sqlite3.DatabaseError, ValueError: It is damaged.
    """
    found: list[tuple[int, int, bytes]] = []
    rows: list[tuple[int, bytes]] = []
    with closing(sqlite3.connect(file, isolation_level=None)) as database:
        complaint = database.execute("PRAGMA quick_check(1)").fetchone()[0]
        if complaint != "ok":
            raise ValueError(str(complaint))
        boots: dict[str, int] = {}
        for id_, name, basin, boot, sensors, newest, clock_ms, utc_ms, synced in database.execute(
            "SELECT * FROM stream ORDER BY id"
        ).fetchall():
            origin = Origin(id_, name, basin, boot, from_json(sensors, tuple[str, ...]))
            anchor = Anchor(clock_ms, utc_ms, bool(synced))
            rank = boots.setdefault(boot, id_)
            rows.append((-id_, pack_card(Card((origin, anchor), newest, ()))))
            for first, readings in _runs(database, origin):
                packed = pack(origin, anchor, first, readings, full=True)
                found += [(rank, readings[0].ms, data) for _, _, data in packed]
    found.sort(key=lambda row: row[:2])
    return rows + [(id_, data) for id_, (_, _, data) in enumerate(found, 1)]


def _runs(database: sqlite3.Connection, origin: Origin) -> Iterator[tuple[int, list[Reading]]]:
    """Consecutive readings with the number of the first."""
    query = "SELECT number, data FROM reading WHERE stream = ? ORDER BY number"
    first, readings = 0, list[Reading]()
    for number, data in database.execute(query, (origin.serial,)):
        if readings and (number != first + len(readings) or len(readings) == _AT_ONCE):
            yield first, readings
            readings = []
        first = first if readings else number
        readings.append(_reading(data, origin))
    if readings:
        yield first, readings


def _reading(data: bytes, origin: Origin) -> Reading:
    packed = _DECODER.decode(data)
    pairs = list(zip(origin.sensors, packed.results, strict=True))
    return Reading(
        ms=packed.ms,
        why=_WHY[packed.why],
        lid=Lid.CLOSED if packed.closed else Lid.OPEN,
        mc={sensor: result if isinstance(result, int) else None for sensor, result in pairs},
        fault={sensor: Fault(*result) for sensor, result in pairs if not isinstance(result, int)},
    )
