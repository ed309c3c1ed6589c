"""Basins with a load on record whose lid comes up too early: what is on record of them, and what their nodes send."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec

from collector.ledger import Ledger
from collector.record import shelf
from collector.record.things import Device, DeviceType, Fill, LabelConfirmed, Load, Poured, Profile, Stage, Step, Turn
from collector.record.things.base import Thing
from collector.schema import FILE_NAME, connect, migrate
from soak.reading import Lid, Reading, Why
from soak.wire import Batch, Topic
from tests.bench.bench_basins import Due, Station
from tests.bench.load import Basin
from tests.collector.kit import BOOT, clock_at

FIRST_CLOSED_S = 2.0
"""The lid is seen open before, so that the first closing is seen."""

SHORTEST_CLOSED_S = 3.0
OPEN_S = 1.5
APART_S = 61.0
"""Openings of one load that nobody has seen are an alarm a minute at most."""

_AT_ONCE = 500
_DAY_MS = 24 * 3_600_000


class Opening(NamedTuple):
    """A lid comes up too early.

    Attributes:
        at_s: When, seconds from the beginning.
        basin: Which.
    """

    at_s: float
    basin: Basin


def openings(taking: Sequence[Basin], seconds: int, a_second: float, seed: int = 1) -> list[Opening]:
    """At random moments, at most so many a second in all, and no more of one basin than are alarms of their own."""
    chance, found = random.Random(seed), []
    free_s = dict.fromkeys(taking, FIRST_CLOSED_S + SHORTEST_CLOSED_S)
    at_s = 0.0
    while (at_s := at_s + chance.expovariate(a_second)) < seconds - OPEN_S:
        ready = [basin for basin, free in free_s.items() if free <= at_s]
        if ready:
            found.append(Opening(at_s, chance.choice(ready)))
            free_s[found[-1].basin] = at_s + APART_S
    return found


class LoadedStation(Station):
    """A basin with a load in it; its lid is closed but for its openings.

    Attributes:
        sent_s: When the reading of each opening was published, seconds from the beginning, by when it was due.
    """

    def __init__(self, basin: Basin, openings_s: Sequence[float], booted_utc_ms: int) -> None:
        super().__init__(basin, iter(()))
        self.sent_s: dict[float, float] = {}
        self._openings_s, self._booted_utc_ms = openings_s, booted_utc_ms
        self._edges_s = {moment_s for opened_s in openings_s for moment_s in (opened_s, opened_s + OPEN_S)}

    def message(self, now_s: float, due_s: float) -> bytes:
        """The next reading; of an opening its moment is noted."""
        if due_s in self._openings_s:
            self.sent_s[due_s] = now_s
        return super().message(now_s, due_s)

    def batch(self, due_s: float) -> Batch:
        """A reading of this moment, as its node would take it."""
        opened = any(each <= due_s < each + OPEN_S for each in self._openings_s)
        lid = Lid.OPEN if due_s < FIRST_CLOSED_S or opened else Lid.CLOSED
        ms = 1_000 + round(due_s * 1_000)
        reading = Reading(ms, Why.LID if due_s in self._edges_s else Why.TICK, lid, {self.basin.sensor: 21_250})
        clock = clock_at(ms, booted_utc_ms=self._booted_utc_ms)
        return Batch(self.basin.stream, self.basin.name, BOOT, self.sent, clock, [reading])

    def edges(self) -> Iterator[Due]:
        """Readings besides those of every second."""
        return (Due(each_s, Topic.READINGS, self.basin.stream) for each_s in sorted(self._edges_s))


def put_on_record(data_dir: Path, taking: Sequence[Basin], now_ms: int) -> None:
    """A data folder in which each of these basins has a fill, and a load of one device that has still to meet."""
    data_dir.mkdir(parents=True)
    db = connect(data_dir / FILE_NAME)
    migrate(db)
    connection, ledger = db.conn, Ledger(db.conn, lambda: now_ms)
    things = [
        *_alike(now_ms),
        *(thing for number, basin in enumerate(taking, 1) for thing in _of(number, basin, now_ms)),
    ]
    for start in range(0, len(things), _AT_ONCE):
        changes: dict[str, dict[str, object]] = {}
        for thing in things[start : start + _AT_ONCE]:
            changes.setdefault(thing.KIND, {})[thing.id] = msgspec.to_builtins(thing)
        connection.execute("BEGIN IMMEDIATE")
        number = ledger.append("given-by-a-bench", {"about": "bench", "changes": changes}, who="bench").number
        shelf.write(connection, number, changes)
        connection.commit()
    db.close()


def _alike(now_ms: int) -> list[Thing]:
    confirmed = LabelConfirmed(
        "bench", now_ms, label_revision="R1", lot="L1", label_date="2026-01-05", picture_sha256="0" * 64
    )
    return [
        Profile(
            id="opa", name="ortho-phthalaldehyde", min_mc=20_000, contact_ms=720_000, confirmed=confirmed, reuse_days=14
        ),
        DeviceType(id="scope", name="scope", kind="scope", profiles=("opa",), steps=(Step.CLEAN,), hang_days=7),
    ]


def _of(number: int, basin: Basin, now_ms: int) -> list[Thing]:
    where = f"{basin.node}/{basin.name}"
    fill, turn, load = f"F{number}", f"T{number}", f"L{number}"
    return [
        Device(id=f"A{number}", type="scope", turn=turn),
        Fill(
            id=fill,
            basin=where,
            profile="opa",
            poured=(Poured(bottle="B1", lot="L1", volume_ml=3_000, by="bench", at_ms=now_ms),),
            poured_ms=now_ms,
            poured_by="bench",
            use_by_ms=now_ms + 13 * _DAY_MS,
            use_by_why="reuse life of 14 days",
            tested_after_ms=now_ms,
            loads=1,
        ),
        Turn(
            id=turn,
            device=f"A{number}",
            began_ms=now_ms,
            stage=Stage.SOAKING,
            load=load,
            basin=where,
            fill=fill,
            in_ms=now_ms,
        ),
        Load(id=load, basin=where, fill=fill, began_ms=now_ms, by="bench", turns=(turn,)),
    ]
