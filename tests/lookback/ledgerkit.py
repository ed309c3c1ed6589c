"""A small store to look back over: two basins, one with a maximum and two sensors, random soaks, loads over them."""

from __future__ import annotations

import datetime
import random
from pathlib import Path

import msgspec
from kit import BOOT, BOOTED_UTC_MS, Collecting, batch, clock_at, stream_id

from collector.record import shelf
from collector.record.things import SensorCheck, Thing
from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from soak.closure import Closure
from soak.exposure import Meter
from soak.reading import Fault, Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms
from soak.wire import HeldStream, State

ONE, OTHER, THIRD = "28-00000000000a", "28-00000000000b", "28-00000000000c"
CONTACT_MS = 60_000
WITH_MAXIMUM = Requirement(20_000, CONTACT_MS, 21_500)
WITHOUT = Requirement(20_000, CONTACT_MS)
TERMS = {ONE: SensorTerms(200, 100), OTHER: SensorTerms(300)}
NEWER = stream_id(3)
STREAMS = {"b1": stream_id(1), "b2": stream_id(2)}
SOAKS_S = (1, 75), (100, 130), (300, 40), (400, 75), (500, 64), (600, 90)
ENDS_MS = BOOTED_UTC_MS + 24 * 3_600_000


def settings(since_ms: int | None = None) -> Settings:
    """Basin b1 has two sensors and a maximum, b2 a third sensor and none."""
    since = None if since_ms is None else datetime.datetime.fromtimestamp(since_ms / 1000, datetime.UTC)
    one = RequirementSettings(min_temp_c="20", contact="1m", max_temp_c="21.5", since=since)
    sensors = {ONE: SensorSettings(u_c="0.2", correction_c="0.1"), OTHER: SensorSettings(u_c="0.3")}
    other = RequirementSettings(min_temp_c="20", contact="1m", since=since)
    basins = [
        BasinSettings("n1", "b1", "Basin 1", sensors, requirement=one),
        BasinSettings("n1", "b2", "Basin 2", {THIRD: SensorSettings(u_c="0.2")}, requirement=other),
    ]
    return Settings("Clinic at the Mill", BrokerSettings(), basins)


def soaks(chance: random.Random, count: int, sensors: list[str]) -> list[Reading]:
    """Closures of about the contact time near every limit, with faults, a slow drift, dips and pauses."""
    readings, ms = [Reading(500, Why.TICK, Lid.OPEN, dict.fromkeys(sensors, 21_000))], 1_000
    for _ in range(count):
        level = {sensor: 20_000 + chance.choice((100, 300, 500, 700, 900, 1_150, 1_250, 1_450)) for sensor in sensors}
        silent = chance.choice([()] * 4 + [range(20, 28)])
        for second in range(chance.choice((40, 61, 64, 75, 130))):
            mc: dict[str, int | None] = {each: mc + chance.choice((0, 0, 0, 13, -13, 62)) for each, mc in level.items()}
            fault = {}
            if second in silent or chance.random() < 0.01:
                mc[sensors[0]], fault = None, {sensors[0]: Fault("crc")}
            readings.append(Reading(ms, Why.TICK, Lid.CLOSED, mc, fault))
            ms += 1_000 if chance.random() < 0.998 else 6_000
        readings.append(Reading(ms, Why.LID, Lid.OPEN, dict(level)))
        ms += 20_000
    return readings


def plain_soaks(sensors: list[str]) -> list[Reading]:
    """Six closures without a fault, at 20.9 °C: the third too short, the others met."""
    closed = {second for start_s, lasts_s in SOAKS_S for second in range(start_s, start_s + lasts_s)}
    return [
        Reading(second * 1_000, Why.TICK, Lid.CLOSED if second in closed else Lid.OPEN, dict.fromkeys(sensors, 20_900))
        for second in range(700)
    ]


class LookedBack:
    """The store, and what is needed to recompute it from its readings by other means.

    Args:
        folder: For its data.
        closures: How many, at random and with losses; None: the few of `plain_soaks`.
    """

    def __init__(self, folder: Path, closures: int | None) -> None:
        self.collecting = Collecting(folder / "data", settings())
        self.connection = self.collecting.store.db.conn
        chance, held, newest_ms = random.Random(1), [HeldStream(NEWER, "b2", 1, 0)], 0
        for basin, sensors in (("b1", [ONE, OTHER]), ("b2", [THIRD])):
            readings = soaks(chance, closures, sensors) if closures else plain_soaks(sensors)
            if closures and basin == "b2":
                readings.pop()  # its lid is closed when the newer stream takes over
            lost = {chance.randrange(30, len(readings) - 30) for _ in range(4)} if closures else set()
            first = 1
            for gap in [*sorted(lost), len(readings) + 1]:
                self._take(basin, first, readings[first - 1 : gap - 1])
                first = gap + 1
            held.insert(0, HeldStream(STREAMS[basin], basin, len(readings) + 1, len(readings)))
            newest_ms = max(newest_ms, readings[-1].ms)
        self.collecting.take(State(up=True, version="0.1.0", boot=BOOT, clock=clock_at(newest_ms + 1), streams=held))
        self.newest_ms = BOOTED_UTC_MS + newest_ms

    def _take(self, basin: str, first: int, readings: list[Reading]) -> None:
        for at in range(0, len(readings), 600):
            part = readings[at : at + 600]
            self.collecting.take(
                batch(part, first + at, stream=STREAMS[basin], basin=basin, clock=clock_at(part[-1].ms))
            )

    def put(self, *things: Thing) -> None:
        """Things on the shelf, past their rules."""
        with self.collecting.store.transaction():
            for thing in things:
                shelf.write(self.connection, 0, {thing.KIND: {thing.id: msgspec.to_builtins(thing)}})

    def meter(
        self,
        basin: str,
        requirement: Requirement,
        terms: dict[str, SensorTerms],
        checks: list[SensorCheck] | None = None,
    ) -> dict[int, Closure]:
        """Every closure of a basin's stream, by its first number, from the stored readings by the meter alone.

        Args:
            basin: Which.
            requirement: By what.
            terms: By which terms.
            checks: They change the terms, each at its time.
        """
        meter, found = Meter(requirement, terms), {}
        due = sorted(checks or [], key=lambda each: each.at_ms)
        for number, reading in self.collecting.readings(STREAMS[basin]):
            while due and due[0].at_ms <= reading.ms + BOOTED_UTC_MS:
                check = due.pop(0)
                if check.sensor in terms:
                    terms = terms | {check.sensor: SensorTerms(check.u_mc, check.correction_mc)}
                    meter.require(requirement, terms)
            closure = meter.feed(number, reading)
            if closure is not None:
                found[closure.first] = closure
        if basin == "b2" and (ended := meter.end()):
            found[ended.first] = ended
        return found
