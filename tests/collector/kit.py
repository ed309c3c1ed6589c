"""What the collector's tests build on: readings, messages, settings and stores, with a wall clock of their own."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from collector.intake import Arrived, Intake
from collector.read import BasinNow, Reader, StoredClosure
from collector.readings import stored_readings
from collector.schema import FILE_NAME
from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from collector.store import Store
from soak.quantity import utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms
from soak.wire import Batch, Clock, HeldStream, Receipt, State, Topic, encode

SENSOR = "28-00000000000a"
SECOND = "28-00000000000b"
BOOT = "9f6c0000-0000-4000-8000-000000000001"
BOOT_2 = "9f6c0000-0000-4000-8000-000000000002"
BOOTED_UTC_MS = 1_772_438_400_000
"""2026-03-02T08:00:00Z: the wall clock when the node's uninterrupted clock said 0."""

NEED = Requirement(min_mc=20_000, contact_ms=720_000)
TERMS = {SENSOR: SensorTerms(u_mc=500)}


class WallClock:
    """A collector's clock that a test sets."""

    def __init__(self, now_ms: int = BOOTED_UTC_MS + 86_400_000) -> None:
        self.now_ms = now_ms

    def __call__(self) -> int:
        return self.now_ms


def stream_id(number: int) -> str:
    """A stream's id that a person can tell from others."""
    return f"{number:032x}"


def reading(ms: int, lid: str, mc: int | None = 21_000, *, why: str = "tick", sensor: str = SENSOR) -> Reading:
    """A reading of one sensor; without a value it has the fault that goes with it."""
    fault = {sensor: Fault("crc", "4b017f")} if mc is None else {}
    return Reading(ms, Why(why), Lid(lid), {sensor: mc}, fault)


def soak(closed_ms: int, *, start_ms: int = 1_000, mc: int | None = 21_000, step_ms: int = 1_000) -> list[Reading]:
    """Lid open, closed for so long (first closed reading to last), and open again."""
    times = range(start_ms, start_ms + closed_ms + 1, step_ms)
    closed = [reading(ms, "closed", mc) for ms in times]
    after = reading(times[-1] + 500, "open", mc, why="lid")
    return [reading(start_ms - 500, "open", mc), *closed, after]


def clock_at(ms: int, *, synced: bool = True, booted_utc_ms: int = BOOTED_UTC_MS) -> Clock:
    """Both clocks of a node that was started at `booted_utc_ms`."""
    return Clock(ms, utc_text(booted_utc_ms + ms), synced)


def batch(
    readings: Sequence[Reading],
    first: int = 1,
    *,
    stream: str = stream_id(1),
    basin: str = "b1",
    boot: str = BOOT,
    clock: Clock | None = None,
) -> Batch:
    """Readings as one message, stamped when its newest was taken unless told otherwise."""
    return Batch(stream, basin, boot, first, clock or clock_at(readings[-1].ms), list(readings))


def arrived(content: Batch | State, node: str = "n1", *, retained: bool = False) -> Arrived:
    """A message as the broker would deliver it."""
    topic = Topic.READINGS if isinstance(content, Batch) else Topic.STATE
    return Arrived(topic.of(node), encode(content), retained)


def state(
    *held: tuple[str, int, int], ms: int, boot: str = BOOT, basin: str = "b1", up: bool = True, outbox: int = 0
) -> State:
    """A node's state; of each stream its id, oldest held and newest number, the current one last."""
    streams = [HeldStream(stream, basin, oldest, newest) for stream, oldest, newest in held]
    return State(up=up, version="0.1.0", boot=boot, clock=clock_at(ms), streams=streams, outbox=outbox)


def site(
    *, basins: Sequence[BasinSettings] | None = None, contact: str = "12m", u_c: str | None = "0.5", port: int = 1883
) -> Settings:
    """One basin, b1 of node n1, unless told otherwise."""
    required = RequirementSettings(min_temp_c="20", contact=contact, since=None)
    one = BasinSettings("n1", "b1", "Basin 1", {SENSOR: SensorSettings(u_c=u_c)}, requirement=required)
    return Settings("Clinic at the Mill", BrokerSettings(port=port), list([one] if basins is None else basins))


_blank: list[bytes] = []


def opened(data_dir: Path, clock: WallClock) -> Store:
    """A store as the collector opens it, but for the waiting: a blank database is copied, and the disk not waited for.

    What waiting is for, and that a fresh database comes out the same, has tests of its own.
    """
    if not _blank:
        with TemporaryDirectory() as folder:
            Store(Path(folder), clock).close()
            _blank.append((Path(folder) / FILE_NAME).read_bytes())
    data_dir.mkdir(parents=True, exist_ok=True)
    if not (data_dir / FILE_NAME).exists():
        (data_dir / FILE_NAME).write_bytes(_blank[0])
    store = Store(data_dir, clock)
    store.db.conn.execute("PRAGMA synchronous = OFF")
    return store


@contextmanager
def looking(data_dir: Path) -> Iterator[sqlite3.Connection]:
    """A connection of somebody else's, who sees only what was committed."""
    connection = sqlite3.connect(f"file:{data_dir / FILE_NAME}?mode=ro", uri=True, timeout=0)
    try:
        yield connection
    finally:
        connection.close()


def cpu_ms(pid: int) -> float:
    """Processor time a process has used, user and system, milliseconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * 1000 / os.sysconf("SC_CLK_TCK")


class Collecting:
    """A collector without its broker: a store, an intake, and somebody else's eyes."""

    def __init__(
        self, data_dir: Path, settings: Settings | None = None, now_ms: int = BOOTED_UTC_MS - 3_600_000
    ) -> None:
        self.data_dir, self.clock = data_dir, WallClock(now_ms)
        self._settings = site() if settings is None else settings
        self._open()

    def _open(self) -> None:
        self.store = opened(self.data_dir, self.clock)
        self.store.apply(self._settings)
        self.intake = Intake(self.store, self.clock)

    def restart(self, settings: Settings | None = None) -> None:
        """End it and start it again, with other settings if given."""
        self.store.close()
        self._settings = settings or self._settings
        self._open()

    def take(self, *contents: Batch | State | Arrived, node: str = "n1") -> dict[str, Receipt]:
        """Messages of one node, all in one commit."""
        return self.intake.take([each if isinstance(each, Arrived) else arrived(each, node) for each in contents])

    @staticmethod
    def nonsense(payload: bytes) -> Arrived:
        """A message that cannot be taken in."""
        return Arrived(Topic.READINGS.of("n1"), payload)

    def rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """What somebody else sees."""
        with looking(self.data_dir) as other:
            return other.execute(sql, values).fetchall()

    def readings(self, stream: str = stream_id(1)) -> list[tuple[int, Reading]]:
        """Number and reading of everything stored of a stream."""
        row = self.store.stream(stream)
        return [(each.number, each.reading) for each in stored_readings(self.store.db, row.id)] if row else []

    def closures(self, *, superseded: bool = False) -> list[StoredClosure]:
        """Ended closures, oldest first."""
        with Reader(self.data_dir) as reader:
            return reader.closures(superseded=superseded)[::-1]

    def verdicts(self) -> list[tuple[int, int, str]]:
        """First and last number and verdict of the closures that stand."""
        return [(each.closure.first, each.closure.last, each.closure.verdict.value) for each in self.closures()]

    def now(self) -> BasinNow:
        """The newest reading of the one basin."""
        with Reader(self.data_dir) as reader:
            (now,) = reader.now().values()
        return now

    def parked(self) -> list[tuple[str, str]]:
        """Reason and detail of what was set aside, oldest first."""
        return self.rows("SELECT reason, detail FROM parked ORDER BY id")

    def close(self) -> None:
        """Give everything back."""
        self.store.close()
