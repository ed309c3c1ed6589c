"""Days that go wrong in every way, at random, through the real intake: a checker must come to the same verdicts."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bundlekit  # noqa: F401 - finds the kits
import msgspec
from kit import BOOTED_UTC_MS, SECOND, SENSOR, Collecting, WallClock, arrived

from collector.intake import Arrived
from collector.ledger import Ledger
from collector.reassess import Reassessment
from collector.record import shelf
from collector.record.patch import difference
from collector.record.things import Discarded, Fill, Profile, SensorCheck, Thing
from collector.schema import FILE_NAME, connect
from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from soak.quantity import utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.wire import Batch, Clock, HeldStream, State

HOUR_MS = 3_600_000
_STEP_MC = 62


def put(data: Path, *things: Thing, at_ms: int = 0, who: str = "tina") -> None:
    """Record things as they are, past their rules: a record changes them as a deed's would."""
    db = connect(data / FILE_NAME)
    connection = db.conn
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN IMMEDIATE")
    for thing in things:
        patch = difference(shelf.body_of(connection, thing.KIND, thing.id), msgspec.to_builtins(thing))
        changes = {thing.KIND: {thing.id: msgspec.json.decode(msgspec.json.encode(patch))}}
        body = {"said": {}, "changes": changes, "about": f"{thing.KIND}/{thing.id}"}
        record = Ledger(connection, lambda: at_ms).append("given-by-a-test", body, who=who)
        shelf.write(connection, record.number, changes)
    connection.commit()
    db.close()


class Played:
    """One basin of one node, whose luck is in a seed.

    Args:
        data: A new data folder.
        seed: Of everything that happens.
    """

    def __init__(self, data: Path, seed: int) -> None:
        self._luck = random.Random(seed)
        self._data = data
        self._settings = self._some_settings()
        self._collecting = Collecting(data, self._settings, now_ms=BOOTED_UTC_MS - HOUR_MS)
        self._watch()
        self._fills = self._checks = 0
        self._fill: Fill | None = None
        self._profile: Profile | None = None
        for boot in range(self._luck.randint(1, 3)):
            self._boot(boot)
        self._collecting.store.db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._collecting.close()

    @property
    def _clock(self) -> WallClock:
        return self._collecting.clock

    def _watch(self) -> None:
        self._reassessment = Reassessment(self._collecting.store, self._collecting.intake)
        self._settle()

    def _settle(self) -> None:
        self._reassessment.look()
        while self._reassessment.step():
            pass

    def _some_settings(self) -> Settings:
        luck = self._luck
        need = RequirementSettings(
            str(20 + luck.choice((0, 0.5))),
            luck.choice(("30s", "1m", "90s")),
            luck.choice((None, None, "21.5")),
            luck.choice(("5s", "5s", "2s")),
            since=None,
        )
        sensors = {each: SensorSettings(luck.choice(("0", "0.1")), luck.choice(("0.2", "0.5"))) for each in self._ids()}
        one = BasinSettings("n1", "b1", "Basin 1", sensors, requirement=need if luck.random() < 0.9 else None)
        return Settings("Clinic at the Mill", BrokerSettings(), [one])

    def _ids(self) -> list[str]:
        return [SENSOR, SECOND] if self._luck.random() < 0.4 else [SENSOR]

    # What is said meanwhile

    def _change(self) -> None:
        """Another requirement, a fill poured or discarded, a profile corrected, a sensor checked, a restart."""
        luck, now_ms = self._luck, self._clock.now_ms
        what = luck.choice(("settings", "pour", "discard", "correct", "check", "restart"))
        if what in ("settings", "restart"):
            self._settings = self._some_settings() if what == "settings" else self._settings
            self._collecting.restart(self._settings)
            self._watch()
            return
        if what == "pour" or self._profile is None:
            self._profile = self._profile or self._label()
            self._fills += 1
            self._fill = Fill(
                id=f"F{self._fills}",
                basin="n1/b1",
                profile="one",
                poured=(),
                poured_ms=now_ms,
                poured_by="tina",
                use_by_ms=now_ms + 10**9,
                use_by_why="",
                tested_after_ms=now_ms,
            )
            put(self._data, self._profile, self._fill, at_ms=now_ms)
        elif what == "discard" and self._fill is not None:
            gone = Discarded(by="tina", at_ms=now_ms, reason="spent", volume_ml=1)
            put(self._data, msgspec.structs.replace(self._fill, discarded=gone), at_ms=now_ms)
        elif what == "correct":
            self._profile = self._label()
            put(self._data, self._profile, at_ms=now_ms)
        else:
            self._checks += 1
            check = SensorCheck(
                id=f"C{self._checks}",
                sensor=luck.choice((SENSOR, SECOND)),
                basin="n1/b1",
                at_ms=now_ms,
                by="tina",
                reference="R1",
                correction_mc=luck.choice((-250, 0, 125)),
                u_mc=luck.choice((100, 180, 301)),
            )
            put(self._data, check, at_ms=now_ms)
        self._settle()

    def _label(self) -> Profile:
        luck = self._luck
        return Profile(
            id="one",
            name="peracetic acid",
            min_mc=luck.choice((20_000, 20_300)),
            max_mc=luck.choice((None, None, 21_400)),
            contact_ms=luck.choice((30_000, 60_000, 75_000, None)),
        )

    # What the node sends

    def _boot(self, number: int) -> None:
        """One stream, sent in pieces, some lost, some late; the wall clock may be wrong, be set, be set back."""
        luck = self._luck
        booted_ms = BOOTED_UTC_MS + number * 3 * HOUR_MS
        readings = list(self._readings(luck.randint(300, 1_500)))
        stream, boot = f"{number + 1:032x}", f"9f6c0000-0000-4000-8000-{number:012x}"
        wrong = luck.choice((0, 0, -HOUR_MS, 400 * 24 * HOUR_MS, -(10**11)))
        synced_from = 0
        if wrong:
            synced_from = luck.randrange(len(readings)) if luck.random() < 0.8 else len(readings)
        stepped_at = luck.randrange(len(readings)) if luck.random() < 0.4 else len(readings)
        late: list[Batch] = []
        start = 0
        while start < len(readings):
            count = luck.randint(1, 120)
            piece = readings[start : start + count]
            ms = piece[-1].ms
            synced = start >= synced_from
            offset_ms = booted_ms + (0 if synced else wrong) - (HOUR_MS if start >= stepped_at else 0)
            clock = Clock(ms, utc_text(max(offset_ms, 0) + ms), synced)
            batch = Batch(stream, "b1", boot, start + 1, clock, piece)
            self._clock.now_ms = booted_ms + ms + 1_000
            start += count
            lot = luck.random()
            if lot < 0.08:
                if luck.random() < 0.5:
                    late.append(batch)
                continue
            self._take(arrived(batch))
            if luck.random() < 0.15:
                self._say(stream, boot, start + 1, len(readings), ms, booted_ms)
            if late and luck.random() < 0.3:
                self._take(arrived(late.pop()))
            if luck.random() < 0.12:
                self._change()
        if luck.random() < 0.7:
            self._say(stream, boot, len(readings) + 1, len(readings), readings[-1].ms + 1, booted_ms)
        for batch in late:
            if luck.random() < 0.5:
                self._take(arrived(batch))

    def _take(self, message: Arrived) -> None:
        self._collecting.intake.take([message])

    def _say(self, stream: str, boot: str, oldest: int, newest: int, ms: int, booted_ms: int) -> None:
        """What the node no longer holds and never came is lost."""
        clock = Clock(ms + 2, utc_text(booted_ms + ms + 2), synced=False)
        held = [HeldStream(stream, "b1", oldest, max(newest, oldest - 1), boot)]
        self._take(arrived(State(up=True, version="0.1.0", boot=boot, clock=clock, streams=held, outbox=0)))

    def _readings(self, count: int) -> Iterator[Reading]:
        luck = self._luck
        ms, mc, lid, left, faulty = luck.randint(1_000, 90_000), 20_700, "open", luck.randint(1, 20), 0
        if luck.random() < 0.3:
            lid = "closed"
        for _ in range(count):
            yield self._reading(ms, lid, mc, faulty=faulty > 0)
            ms += luck.choice((1_000,) * 30 + (999, 1_003, 400, 2_000, 2_001, 5_000, 5_001, 30_000))
            mc += luck.choice((-_STEP_MC, 0, 0, 0, _STEP_MC))
            faulty = faulty - 1 if faulty else (luck.randint(1, 9) if luck.random() < 0.01 else 0)
            left -= 1
            if left == 0:
                lid = "open" if lid == "closed" else "closed"
                left = luck.choice((3, 31, 61, 75, 91, 92, 150)) if lid == "closed" else luck.randint(1, 12)

    def _reading(self, ms: int, lid: str, mc: int, *, faulty: bool) -> Reading:
        luck = self._luck
        values: dict[str, int | None] = {SENSOR: mc, SECOND: mc + luck.choice((0, _STEP_MC))}
        faults: dict[str, Fault] = {}
        if luck.random() < 0.02:
            del values[SECOND]
        if faulty:
            values[SENSOR], faults = None, {SENSOR: Fault(luck.choice(("crc", "no-answer", "stale")), "4b017f")}
        why = Why.TICK if luck.random() < 0.99 else luck.choice((Why.BUTTON, Why.CLOCK))
        return Reading(ms, why, Lid(lid), values, faults)


def counted(data: Path, sql: str) -> Any:
    """One value out of a database."""
    db = connect(data / FILE_NAME, read_only=True)
    try:
        return db.conn.execute(sql).fetchone()[0]
    finally:
        db.close()
