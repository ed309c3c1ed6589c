"""What people declared, laid over the simulated year: rounds, loads, tests and alarms, and their records in the ledger.

`year.py` has none. Everything is put on record as it would stand after its deeds, without their rules, in the order of
time; a deed's record holds the whole thing where the real one would hold a part, so bodies are rather large than small.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import NamedTuple

import msgspec

from collector.ledger import Ledger
from collector.record import shelf
from collector.record.patch import difference
from collector.record.things import (
    Alarm,
    Attested,
    Device,
    Fill,
    Load,
    MecResult,
    MecTest,
    Person,
    Poured,
    Rinsed,
    Role,
    Stage,
    Thing,
    Turn,
    Used,
)
from collector.schema import FILE_NAME, connect
from soak.alarms import KINDS

LOADS_OF_TEN = 4
DEVICES, PEOPLE = 60, 12
_MINUTE_MS = 60_000
_FORTNIGHT_MS = 14 * 86_400_000


class _Deed(NamedTuple):
    kind: str
    who: str
    at_ms: int
    thing: Thing


def declare(folder: Path, seed: int = 1) -> None:
    """Put a year's declarations into a store of `year.make`; once only."""
    db = connect(folder / FILE_NAME)
    connection = db.conn
    closures = connection.execute(
        """SELECT b.node || '/' || b.name, s.stream || ':' || c.first, c.closing_utc_ms, c.last_utc_ms FROM closure c
           JOIN basin b ON b.id = c.basin_id JOIN stream s ON s.id = c.stream_id
           WHERE c.superseded_by IS NULL ORDER BY c.closing_utc_ms"""
    ).fetchall()
    now = [0]
    ledger = Ledger(connection, lambda: now[0])
    connection.execute("BEGIN IMMEDIATE")
    for deed in _people(closures[0][2]):
        _record(connection, ledger, now, deed)
    for deed in _year(closures, Random(seed)):
        _record(connection, ledger, now, deed)
    connection.execute("COMMIT")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


def _record(connection: sqlite3.Connection, ledger: Ledger, now: list[int], deed: _Deed) -> None:
    now[0] = deed.at_ms
    kind, thing_id = deed.thing.KIND, deed.thing.id
    before = shelf.body_of(connection, kind, thing_id)
    patch = difference(before, msgspec.json.decode(msgspec.json.encode(deed.thing)))
    body = {"changes": {kind: {thing_id: patch}}, "about": f"{kind}/{thing_id}"}
    record = ledger.append(deed.kind, body, who=deed.who)
    shelf.write(connection, record.number, body["changes"])  # type: ignore[arg-type]


def _people(at_ms: int) -> Iterator[_Deed]:
    for number in range(PEOPLE):
        person = Person(id=f"p{number}", name=f"Person {number}", roles=(Role.TECHNICIAN,))
        yield _Deed("record-person", "p0", at_ms - 86_400_000, person)
    for number in range(DEVICES):
        device = Device(id=f"GS-{number:02d}", type="gastroscope", serial=f"2291-{number}")
        yield _Deed("record-device", "p0", at_ms - 86_400_000, device)


def _year(closures: list[tuple[str, str, int, int]], random: Random) -> Iterator[_Deed]:
    fills: dict[str, Fill] = {}
    for number, (basin, key, closing_ms, last_ms) in enumerate(closures):
        fill = fills.get(basin)
        if fill is None or closing_ms - fill.poured_ms > _FORTNIGHT_MS:
            fill = _fill(basin, f"F{number}", closing_ms - 60 * _MINUTE_MS)
            fills[basin] = fill
            yield _Deed("pour-fill", "p1", fill.poured_ms, fill)
        if random.randrange(10) < LOADS_OF_TEN:
            yield from _load(random, number, basin, key, fill, closing_ms, last_ms)
        if random.randrange(50) == 0:
            code = random.choice(sorted(KINDS))
            alarm = Alarm(
                id=f"AL{number}",
                code=code,
                priority=KINDS[code].priority,
                about=basin,
                basin=basin,
                text="19.4 °C, needs 20.6 °C.",
                cause_ms=closing_ms + 1_000,
                raised_ms=closing_ms + 11_000,
                ended_ms=last_ms,
            )
            yield _Deed("alarm-raised", "collector", closing_ms + 11_000, alarm)


def _fill(basin: str, fill_id: str, at_ms: int) -> Fill:
    poured = Poured(f"B{fill_id}", f"LOT-{fill_id}", 4_000, "p1", at_ms)
    return Fill(
        id=fill_id,
        basin=basin,
        profile="typed",
        poured=(poured,),
        poured_ms=at_ms,
        poured_by="p1",
        use_by_ms=at_ms + _FORTNIGHT_MS,
        use_by_why="reuse life of 14 days from pouring",
        tested_after_ms=at_ms,
    )


def _load(
    random: Random, number: int, basin: str, key: str, fill: Fill, closing_ms: int, last_ms: int
) -> Iterator[_Deed]:
    who, other = f"p{random.randrange(PEOPLE)}", f"p{random.randrange(PEOPLE)}"
    in_ms, out_ms = closing_ms - 20_000, last_ms + 5_000
    dip_ms = in_ms - 3 * _MINUTE_MS
    test = MecTest(
        id=f"M{number}",
        fill=fill.id,
        strip_bottle="S1",
        by=who,
        dipped_ms=dip_ms,
        read_from_ms=dip_ms,
        read_until_ms=dip_ms,
        result=MecResult.PASS,
        read_ms=dip_ms + 30_000,
        read_by=who,
        used_for=f"L{number}",
    )
    yield _Deed("begin-mec-test", who, dip_ms, msgspec.structs.replace(test, result=None, read_ms=None, read_by=""))
    yield _Deed("read-mec-test", who, dip_ms + 30_000, test)
    devices = random.sample(range(DEVICES), random.choice((1, 1, 2)))
    turns = []
    for each in devices:
        steps = {step: Attested(who, in_ms - 5 * _MINUTE_MS) for step in ("clean", "leak test", "rinse", "no bubbles")}
        begun = Turn(
            id=f"T{number}-{each}",
            device=f"GS-{each:02d}",
            began_ms=in_ms - 20 * _MINUTE_MS,
            came_from=f"E-{number}-{each}",
            steps=steps,
            by=who,
        )
        turns.append(begun)
        yield _Deed("begin-turn", who, dip_ms, msgspec.structs.replace(begun, steps={}))
        yield _Deed("attest-steps", who, dip_ms, begun)
    load = Load(
        id=f"L{number}",
        basin=basin,
        fill=fill.id,
        began_ms=in_ms,
        by=who,
        turns=tuple(turn.id for turn in turns),
        mec_test=test.id,
    )
    yield _Deed("start-load", who, in_ms, load)
    yield _Deed("take-out", other, out_ms, msgspec.structs.replace(load, ended_ms=out_ms))
    for begun in turns:
        rinses: tuple[Rinsed, ...] = ()
        for rinse in range(3):
            began_ms = out_ms + rinse * 2 * _MINUTE_MS
            rinses = (*rinses, Rinsed(other, began_ms, began_ms + _MINUTE_MS, fresh=True, water="filtered"))
            soaked = msgspec.structs.replace(
                begun,
                stage=Stage.SOAKED,
                load=load.id,
                basin=basin,
                fill=fill.id,
                in_ms=in_ms,
                out_ms=out_ms,
                closure=key,
                rinses=rinses,
                in_by=who,
                out_by=other,
            )
            yield _Deed("end-rinse", other, began_ms + _MINUTE_MS, soaked)
        done_ms = out_ms + 20 * _MINUTE_MS
        used = Used(other, done_ms + 5 * 3_600_000, f"N-{number}-{begun.device}")
        released = msgspec.structs.replace(
            soaked, dried=Attested(other, done_ms), released=Attested(other, done_ms), stage=Stage.RELEASED
        )
        yield _Deed("release", other, done_ms, released)
        yield _Deed("record-use", other, done_ms, msgspec.structs.replace(released, used=used, stage=Stage.USED))
