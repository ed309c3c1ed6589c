"""Gathers what the metrics say: rows that are there anyway, and once a minute what has to be counted."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from collector import ledger, sign_ins
from collector.backup.schedule import last_backup
from collector.conditions import STOPPING, WORDS
from collector.read import NodeNow, Reader
from collector.record.book import Book
from collector.record.things import Alarm
from collector.schema import FILE_NAME
from collector.status import Certificate, Own, Seen
from collector.upkeep import HEARD_MS
from host.clock import boot_id, boottime_ms
from soak.alarms import Priority
from soak.closure import Verdict
from soak.quantity import utc_ms
from soak.reading import Lid
from soak.wear import wear
from soak.wire import DiskUse

CURRENT_MS = 60_000
"""An older reading says nothing about now: they come each second."""

COUNT_EVERY_S = 60.0
"""Closures of years, and a full record of sign-ins (100,000 rows), take tens of milliseconds to count."""


class Sample(NamedTuple):
    """One figure: of which metric (without the prefix), with which labels."""

    metric: str
    figure: float
    labels: tuple[str, ...] = ()


class Counts:
    """Remembers what is costly to count. Any thread may ask."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._counted_s = float("-inf")
        self._closures: dict[str, int] = {}
        self._failures_s, self._failures = float("-inf"), 0

    def closures(self, reader: Reader) -> dict[str, int]:
        """Closures that stand, by verdict."""
        with self._lock:
            if time.monotonic() - self._counted_s >= COUNT_EVERY_S:
                self._closures, self._counted_s = reader.count_closures(), time.monotonic()
            return self._closures

    def sign_in_failures(self, reader: Reader) -> int:
        """Sign-ins that were refused, as far as the record of them goes back."""
        with self._lock:
            if time.monotonic() - self._failures_s >= COUNT_EVERY_S:
                self._failures, self._failures_s = sign_ins.failures(reader.connection), time.monotonic()
            return self._failures


def of_collector(seen: Seen, now_ms: int, real_now_ms: int) -> Iterator[Sample]:
    """How the collector is, by its status file.

    Args:
        seen: What that says.
        now_ms: Milliseconds since 1970, the rehearsal's in a rehearsal.
        real_now_ms: The same, real: certificates know no rehearsal.
    """
    status = seen.status
    alive = status is not None and not seen.problem
    yield Sample("collector_up", alive)
    standing = [each.code for each in status.conditions] if status and alive else []
    yield Sample(
        "collector_storing", alive and not any(code in STOPPING or code == "intake-stuck" for code in standing)
    )
    for code in WORDS if alive else ():
        yield Sample("condition", standing.count(code), (code,))
    if alive:
        yield Sample("backup_failed", "backup-failed" in standing)
    if status is None:
        return
    if status.boot == boot_id():
        yield Sample("collector_heartbeat_age_seconds", (boottime_ms() - status.beat_ms) / 1000)
    if status.stored_ms is not None:
        yield Sample("collector_stored_age_seconds", (now_ms - status.stored_ms) / 1000)
    if alive:
        yield from _of_own(status.own)
        yield from _of_certificates(status.certificates, real_now_ms)


def _of_own(own: Own) -> Iterator[Sample]:
    if own.synced is not None:
        yield Sample("collector_clock_synchronised", own.synced)
    if own.disk is not None:
        yield from _written("", own.disk, ())


def _written(whose: str, disk: DiskUse, labels: tuple[str, ...]) -> Iterator[Sample]:
    if disk.over_ms:
        yield Sample(f"{whose}disk_written_bytes_total", disk.written_bytes, labels)
    if found := wear(disk):
        yield Sample(f"{whose}disk_life_left_seconds", found.left_ms / 1000, labels)


def of_disk(data_dir: Path) -> Iterator[Sample]:
    """Sizes, of what is there."""
    for metric, name in (("database_size_bytes", FILE_NAME), ("database_log_size_bytes", f"{FILE_NAME}-wal")):
        path = data_dir / name
        if path.is_file():
            yield Sample(metric, path.stat().st_size)
    if data_dir.is_dir():
        disk = shutil.disk_usage(data_dir)
        yield Sample("disk_free_bytes", disk.free)
        yield Sample("disk_size_bytes", disk.total)


def of_nodes(nodes: list[NodeNow], now_ms: int) -> Iterator[Sample]:
    """What nodes last said; of a node that is silent only what stays true."""
    for each in nodes:
        labels, state, age_ms = (each.node,), each.state, now_ms - each.heard_ms
        up = each.up and age_ms <= HEARD_MS
        yield Sample("node_up", up, labels)
        yield Sample("node_heard_age_seconds", age_ms / 1000, labels)
        if not up:
            continue
        yield Sample("node_outbox_readings", state.outbox, labels)
        yield Sample("node_dropped_readings_total", state.dropped, labels)
        if state.clock is not None:
            yield Sample("node_clock_synchronised", state.clock.synced, labels)
            yield Sample("node_clock_offset_seconds", (utc_ms(state.clock.utc) - each.heard_ms) / 1000, labels)
        if state.disk is not None:
            yield Sample("node_disk_free_bytes", state.disk.free_bytes, labels)
            yield Sample("node_disk_size_bytes", state.disk.total_bytes, labels)
            yield from _written("node_", state.disk, labels)


def of_basins(reader: Reader, now_ms: int) -> Iterator[Sample]:
    """The newest reading of each."""
    newest = reader.now()
    names = reader.connection.execute("SELECT id, node, name FROM basin ORDER BY id").fetchall()
    for basin_id, *labels in names:
        if (now := newest.get(basin_id)) is None:
            continue
        age_ms = now_ms - now.at_utc_ms
        yield Sample("basin_reading_age_seconds", age_ms / 1000, tuple(labels))
        if age_ms > CURRENT_MS:
            continue
        yield Sample("basin_lid_closed", now.lid is Lid.CLOSED, tuple(labels))
        for sensor, indicated_mc in sorted(now.mc.items()):
            if indicated_mc is not None:
                yield Sample("sensor_temperature_celsius", indicated_mc / 1000, (*labels, sensor))


def of_record(reader: Reader, counts: Counts, now_ms: int) -> Iterator[Sample]:
    """The ledger and what follows from it."""
    yield Sample("ledger_records_total", ledger.head(reader.connection).records)
    closures = counts.closures(reader)
    for verdict in Verdict:
        if verdict is not Verdict.RUNNING:
            yield Sample("closures", closures.get(verdict, 0), (verdict,))
    standing = [each.priority for each in Book.looking(reader.connection, now_ms).all(Alarm, only_open=True)]
    for priority in Priority:
        yield Sample("alarms_standing", standing.count(priority), (priority,))
    if last := last_backup(reader.connection):
        yield Sample("backup_age_seconds", (now_ms - last.made_ms) / 1000)
    for reason, times in reader.parked_counts().items():
        yield Sample("parked_messages_total", times, (reason,))
    yield Sample("sign_in_failures_total", counts.sign_in_failures(reader))


def _of_certificates(certificates: list[Certificate], real_now_ms: int) -> Iterator[Sample]:
    """How long each lasts; where it lies is nobody's matter, so a file's name stands for it."""
    for name, until_ms in {Path(each.name).name: each.until_ms for each in certificates}.items():
        yield Sample("certificate_left_seconds", (until_ms - real_now_ms) / 1000, (name,))


def of_build() -> Sample:
    """Which version answers."""
    return Sample("build_info", 1, (version("soakledger"),))
