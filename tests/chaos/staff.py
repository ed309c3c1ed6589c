"""People at the screens while everything runs: they put loads in, say that they open, add devices, take out.

What stands in the clinic is put on record past the deeds that would ask for more than matters here; from then on every
word is a deed at a desk of the dashboard's kind, on the same database as the collector. A deed may be refused: people
are told then, and go on.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from random import Random

import msgspec

from collector.clock import UtcClock
from collector.ledger import Ledger
from collector.record import shelf
from collector.record.deed import Deed
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.rounds.loads import AddDevice, AnnounceOpening, StartLoad, TakeOut
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.things import (
    Device,
    DeviceType,
    Fill,
    LabelConfirmed,
    Person,
    Policy,
    Poured,
    Profile,
    Role,
    Step,
)
from collector.record.things.base import Thing
from collector.schema import FILE_NAME
from tests.chaos.clinic import Clinic
from tests.chaos.program import CONTACT_MS

WHO = "sam"
_WHY = "a rehearsal of kills"
_DAY_MS = 24 * 3_600_000


def furniture(basins: Iterable[str], now_ms: int) -> list[Thing]:
    """People, a device type, a solution and a fill of it in every basin, as the settings require it there."""
    confirmed = LabelConfirmed(
        by=WHO, at_ms=now_ms, label_revision="R1", lot="L1", label_date="2026-01-05", picture_sha256="0" * 64
    )
    things: list[Thing] = [
        Person(id=WHO, name="Sam", roles=(Role.SUPERVISOR, Role.TECHNICIAN)),
        Policy(id="site", time_zone="Europe/Berlin"),
        Profile(
            id="opa",
            name="ortho-phthalaldehyde",
            min_mc=20_000,
            contact_ms=CONTACT_MS,
            mec_monitored=False,
            confirmed=confirmed,
            reuse_days=14,
        ),
        DeviceType(id="scope", name="scope", kind="scope", profiles=("opa",), steps=(Step.CLEAN,), hang_days=7),
    ]
    return things + [
        Fill(
            id=f"F{number}",
            basin=basin,
            profile="opa",
            poured=(Poured(bottle="B1", lot="L1", volume_ml=3_000, by=WHO, at_ms=now_ms),),
            poured_ms=now_ms,
            poured_by=WHO,
            use_by_ms=now_ms + 14 * _DAY_MS,
            use_by_why="reuse life of 14 days",
            tested_after_ms=now_ms,
        )
        for number, basin in enumerate(basins, 1)
    ]


def put(desk: Desk, things: Iterable[Thing]) -> None:
    """On record as they are, as one record."""
    changes: dict[str, dict[str, object]] = {}
    for thing in things:
        changes.setdefault(thing.KIND, {})[thing.id] = msgspec.to_builtins(thing)
    with desk.transaction():
        ledger = Ledger(desk.connection, desk.clock)
        number = ledger.append("given-by-a-test", {"about": "clinic", "changes": changes}, who=WHO).number
        shelf.write(desk.connection, number, changes)


class Staff:
    """Everybody.

    Args:
        clinic: Where.
        clock: The rehearsal's wall clock.
        seed: Of what they do.

    Attributes:
        done: How often each deed was done.
    """

    def __init__(self, clinic: Clinic, clock: UtcClock, seed: int) -> None:
        self._clinic, self._clock, self._dice = clinic, clock, Random(f"{seed}/staff")
        self._basins = [f"{spot.node}/{spot.basin}" for spot in clinic.spots]
        self._desk: Desk | None = None
        self._devices = 0
        self.done: Counter[str] = Counter()

    def act(self) -> None:
        """One of them does something, if the collector has made its tables."""
        desk = self._desk or self._furnished()
        if desk is None:
            return
        basin = self._dice.choice(self._basins)
        row = desk.connection.execute(
            "SELECT 1 FROM thing WHERE kind = 'load' AND grp = ? AND open = 1", (basin,)
        ).fetchone()
        if row is None:
            self._do(StartLoad(basin=basin, devices=self._device(desk), override=True, reason=_WHY))
            return
        chance = self._dice.random()
        if chance < 0.06:
            self._do(AnnounceOpening(basin=basin))
        elif chance < 0.25:
            self._do(AddDevice(basin=basin, devices=self._device(desk), override=True, reason=_WHY))
        elif chance < 0.5:
            self._do(TakeOut(basin=basin))

    def close(self) -> None:
        """They go home."""
        if self._desk:
            self._desk.close()

    def _device(self, desk: Desk) -> tuple[str]:
        """A device that nobody has seen before, ready to go in."""
        self._devices += 1
        device = f"A{self._devices}"
        put(desk, [Device(id=device, type="scope")])
        self._do(BeginTurn(device=device))
        self._do(AttestSteps(device=device, steps=(Step.CLEAN,)))
        return (device,)

    def _do(self, deed: Deed) -> None:
        assert self._desk
        try:
            self._desk.do(deed, WHO, second_factor=True)
        except RefusedError as refused:
            self.done[f"{deed.NAME} refused: {refused.rule}"] += 1
        else:
            self.done[deed.NAME] += 1

    def _furnished(self) -> Desk | None:
        file = self._clinic.data_dir / FILE_NAME
        if not file.exists() or not _known(file.as_uri(), len(self._basins)):
            return None
        self._desk = Desk(self._clinic.data_dir, self._clock)
        put(self._desk, furniture(self._basins, self._clock()))
        return self._desk


def _known(uri: str, basins: int) -> bool:
    """The collector has made its tables, and knows so many basins."""
    with closing(sqlite3.connect(f"{uri}?mode=ro", uri=True, timeout=10)) as database:
        try:
            return bool(database.execute("SELECT count(*) FROM basin").fetchone()[0] >= basins)
        except sqlite3.OperationalError:
            return False
