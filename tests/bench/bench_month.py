"""Whether anything grows that must not, over a simulated month.

`python -m tests.bench.bench_month [--days N] [--basins N]` prints a table with a line for each day, and exits with 1
when a limit is broken. A real Mosquitto, a real collector process, and nodes of three basins each with their real
outboxes and uplinks, in this process. The readings are `tests/bench/realistic.py`'s, with a restart of every node every
three days; some unreadable messages come every day.

Compressed: the nodes take ten minutes of readings at a time and commit them together, as fast as receipts come back, so
messages hold up to 500 readings. Left out: sensors, pins and the sampler, the second between two ticks, the dashboard,
and, unless asked for with --basins 20, most of the basins.
"""

from __future__ import annotations

import argparse
import logging
import sqlite3
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from collector.schema import FILE_NAME
from collector.store import MOST_PARKED
from firmware import settings as node_settings
from firmware.outbox import Outbox
from firmware.uplink import Uplink
from soak.ranges import Ranges
from soak.reading import Reading
from soak.wire import SensorSeen, Topic
from tests.bench.bench_size import LIMIT_BYTES
from tests.bench.bench_wear import BenchClock
from tests.bench.load import Basin, basins
from tests.bench.measuring import Limit, OwnBroker, Usage, broker, collector
from tests.bench.measuring_size import counts, print_table
from tests.bench.realistic import DAY_S, Chunk, days
from tests.collector.running import CollectorProcess, NodeSide

OF_A_NODE = 3
BOOT_DAYS = 3
TAKEN_S = 600
MOST_WAITING = 50_000
"""Readings in one outbox, before more are taken."""

UNREADABLE_A_DAY = 50
MOST_GROWN = 1.05
MOST_WAL_BYTES = 68 * 1024 * 1024
"""The collector lets its write-ahead log be so long after a reader looked for long; here nobody does."""

SMALL_BYTES = 2_100_000
"""Below this a file may change as it likes: an outbox's own log is bounded to two megabytes."""

_PATIENCE_S = 300
_COUNTED_S = 20
COUNTED = "SELECT sum(times) FROM parked_count"
STORED = "SELECT stream_id, first, last FROM page UNION ALL SELECT stream_id, first, last FROM batch"


class RealNode:
    """A node's outbox and uplink; the readings come from outside.

    Args:
        folder: Its data folder.
        taking: Its basins.
        port: The broker's.
    """

    def __init__(self, folder: Path, taking: Sequence[Basin], port: int) -> None:
        self._folder, self._basins = folder, taking
        named = tuple(node_settings.Basin(each.name, (each.sensor,), pin) for pin, each in enumerate(taking, 5))
        self._settings = node_settings.Settings(
            taking[0].node, node_settings.Broker("127.0.0.1", port), named, data_dir=str(folder)
        )
        self._outbox: Outbox | None = None

    def boot(self, chunk: Chunk) -> None:
        """Start, or start again."""
        self.end()
        self._clock = BenchClock(chunk.boot, chunk.booted_utc_ms)
        self._outbox = Outbox(self._folder, self._clock)
        for basin in self._basins:
            self._outbox.begin(basin.name, [basin.sensor])
        seen = [SensorSeen(basin.sensor, basin.name) for basin in self._basins]
        self._uplink = Uplink(self._settings, self._clock, [self._outbox], lambda: seen)
        self._uplink.start()

    def take(self, parts: Sequence[Sequence[Reading]]) -> None:
        """Keep some readings of each basin, and have them sent."""
        assert self._outbox
        self._clock.now_ms = max(part[-1].ms for part in parts)
        self._outbox.append([(b.name, each) for b, part in zip(self._basins, parts, strict=True) for each in part])
        self._outbox.write()
        self._uplink.wake()
        self.wait(MOST_WAITING)

    def wait(self, most: int) -> None:
        """Until no more than so many readings wait for a receipt."""
        assert self._outbox
        deadline_s = time.monotonic() + _PATIENCE_S
        while self._outbox.depth > most:
            if time.monotonic() > deadline_s:
                raise SystemExit(f"{self._settings.node}: {self._outbox.depth} readings wait for a receipt")
            time.sleep(0.005)

    @property
    def depth(self) -> int:
        """Readings that wait for a receipt."""
        return self._outbox.depth if self._outbox else 0

    def end(self) -> None:
        """Stop."""
        if self._outbox:
            self._uplink.close()
            self._outbox.close()
            self._outbox = None


class DayEnd(NamedTuple):
    """How things stand at the end of a simulated day; memory in megabytes."""

    readings: int
    seconds: float
    collector_mb: float
    broker_mb: float
    files: dict[str, int]

    @property
    def database(self) -> int:
        """Bytes of the collector's database."""
        return self.files[FILE_NAME]

    @property
    def wal(self) -> int:
        """Bytes of its write-ahead log."""
        return self.files.get(FILE_NAME + "-wal", 0)

    @property
    def outboxes(self) -> int:
        """Bytes of all outboxes."""
        return sum(size for name, size in self.files.items() if "outbox" in name)


def sizes(root: Path, folders: Sequence[Path]) -> dict[str, int]:
    """Bytes of every file in these folders."""
    files = [file for folder in folders for file in sorted(folder.rglob("*")) if file.is_file()]
    return {
        file.name if file.name.startswith(FILE_NAME) else str(file.relative_to(root)): _size(file) for file in files
    }


def _size(file: Path) -> int:
    try:
        return file.stat().st_size
    except FileNotFoundError:  # written anew and put in its place meanwhile
        return 0


class Month:
    """Everything that runs, day by day."""

    def __init__(
        self, folder: Path, mosquitto: OwnBroker, taker: CollectorProcess, taking: Sequence[Basin], day_count: int
    ) -> None:
        self._folder, self._mosquitto, self._taker = folder, mosquitto, taker
        start_utc_ms = (int(time.time()) // DAY_S - day_count) * DAY_S * 1_000
        groups = [taking[first : first + OF_A_NODE] for first in range(0, len(taking), OF_A_NODE)]
        self.nodes = [RealNode(folder / "nodes" / group[0].node, group, mosquitto.port) for group in groups]
        self._columns = [
            [self._days(basin, number, day_count, start_utc_ms) for number, basin in enumerate(group)]
            for group in groups
        ]
        self._other = NodeSide(mosquitto.port, "n1")
        self.sent_unreadable = 0

    @staticmethod
    def _days(basin: Basin, number: int, day_count: int, start_utc_ms: int) -> Iterator[Chunk]:
        seed = 100 * int(basin.node[1:]) + number
        return days(
            day_count, seed, start_utc_ms=start_utc_ms, sensor=basin.sensor, name=basin.node, boot_days=BOOT_DAYS
        )

    def day(self, number: int, seconds: int) -> DayEnd:
        """One simulated day, or its first seconds; afterwards nothing waits."""
        began_s, readings = time.perf_counter(), 0
        for node, columns in zip(self.nodes, self._columns, strict=True):
            chunks = [next(column) for column in columns]
            if number % BOOT_DAYS == 0:
                node.boot(chunks[0])
            for start in range(0, seconds, TAKEN_S):
                parts = [_between(chunk, start, start + TAKEN_S) for chunk in chunks]
                node.take(parts)
                readings += sum(map(len, parts))
        for _ in range(UNREADABLE_A_DAY):
            self.sent_unreadable += 1
            self._other.publish(Topic.READINGS.of("n1"), b'{"stream": %d' % self.sent_unreadable)
        for node in self.nodes:
            node.wait(0)
        took_s = time.perf_counter() - began_s
        assert self._taker.process
        rss_mb = [Usage.of(pid).rss_mb for pid in (self._taker.process.pid, self._mosquitto.pid)]
        kept = [self._folder / "nodes", self._taker.data_dir, self._taker.log_file.parent]
        return DayEnd(readings, took_s, *rss_mb, sizes(self._folder, kept))

    def close(self) -> None:
        """End the nodes."""
        for node in self.nodes:
            node.end()
        self._other.close()


def _between(chunk: Chunk, start_s: int, end_s: int) -> list[Reading]:
    """Readings by their place in the day, all of them over a whole day."""
    count = len(chunk.readings)
    return chunk.readings[start_s * count // DAY_S : end_s * count // DAY_S]


HEAD = ("day", "readings", "readings/s", "collector", "broker", "database", "bytes a", "log", "outboxes")
UNITS = ("", "", "", "RSS, MB", "RSS, MB", "MB", "reading", "MB", "MB")


def line(number: int, end: DayEnd, so_far: int) -> tuple[str, ...]:
    """A line of the table; `so_far` readings have been taken."""
    return (
        f"{number + 1}",
        f"{end.readings:,}",
        f"{end.readings / end.seconds:,.0f}",
        f"{end.collector_mb:.1f}",
        f"{end.broker_mb:.1f}",
        f"{end.database / 1e6:.2f}",
        f"{end.database / so_far:.2f}",
        f"{end.wal / 1e6:.2f}",
        f"{end.outboxes / 1e6:.2f}",
    )


def limits(ends: Sequence[DayEnd], waiting: int, parked: int, counted: int, sent: int) -> list[Limit]:
    """What must hold in the end."""
    first, last = ends[0], ends[-1]
    half = ends[len(ends) // 2 :]
    grown, added = last.database - half[0].database, sum(end.readings for end in half[1:])
    others = {name: size for name, size in last.files.items() if not name.startswith(FILE_NAME)}
    growing = [
        name for name, size in others.items() if size > SMALL_BYTES and size > MOST_GROWN * first.files.get(name, 0)
    ]
    return [
        Limit(
            f"collector's memory on the last day within 5 % of the first: {last.collector_mb / first.collector_mb:.3f}",
            last.collector_mb <= MOST_GROWN * first.collector_mb,
        ),
        Limit(
            f"broker's likewise: {last.broker_mb / first.broker_mb:.3f}", last.broker_mb <= MOST_GROWN * first.broker_mb
        ),
        Limit("nothing waits in an outbox", waiting == 0),
        Limit(f"the log stays below {MOST_WAL_BYTES / 1e6:.0f} MB", max(end.wal for end in ends) <= MOST_WAL_BYTES),
        Limit(
            f"the database grew by {grown:,} bytes in the second half: at most {LIMIT_BYTES} a reading, and a log",
            grown <= LIMIT_BYTES * added + MOST_WAL_BYTES / 10,
        ),
        Limit(f"no other file of over two megabytes grew: {', '.join(growing) or 'none'}", not growing),
        Limit(f"at most {MOST_PARKED} of {sent} unreadable messages are kept: {parked}", parked <= MOST_PARKED),
        Limit(f"all of them are counted: {counted}", counted >= sent),
    ]


def stored_readings(path: Path) -> int:
    """Readings in a database, each number of a stream once: a row of the buffer may begin in the page before it."""
    streams: defaultdict[int, Ranges] = defaultdict(Ranges)
    with closing(sqlite3.connect(path)) as connection:
        for stream_id, first, last in connection.execute(STORED):
            streams[stream_id].add(first, last)
    return sum(each.count() for each in streams.values())


def wait_counted(path: Path, sent: int) -> None:
    """Unreadable messages have no receipt: wait until as many are counted, or it is plain that some will not be."""
    deadline_s = time.monotonic() + _COUNTED_S
    while counts(path, COUNTED) < [sent] and time.monotonic() < deadline_s:
        time.sleep(0.05)


def main(day_count: int = 30, basin_count: int = 3, day_s: int = DAY_S) -> int:
    """Let a month pass, and print; 1 when a limit is broken."""
    taking = basins(basin_count, OF_A_NODE)
    print(f"{day_count} days of {basin_count} basins, {day_s} s a day, in compressed time", flush=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with (
            broker(folder / "broker") as mosquitto,
            collector(folder / "collector", mosquitto.port, taking) as taker,
        ):
            ready = NodeSide(mosquitto.port, "n1")
            ready.wait_orders()
            ready.close()
            month = Month(folder, mosquitto, taker, taking, day_count)
            try:
                ends = _days_of(month, day_count, day_s)
                waiting = sum(node.depth for node in month.nodes)
                wait_counted(taker.data_dir / FILE_NAME, month.sent_unreadable)
            finally:
                month.close()
            taker.end()
        path = taker.data_dir / FILE_NAME
        stored = stored_readings(path)
        parked, counted = counts(path, "SELECT count(*) FROM parked", COUNTED)
    taken = sum(end.readings for end in ends)
    print("\nfiles at the end of the last day, and of the first")
    rows = [(file, f"{size:,}", f"{ends[0].files.get(file, 0):,}") for file, size in ends[-1].files.items()]
    print_table(("", "bytes", "bytes then"), rows, first=44)
    found = [*limits(ends, waiting, parked, counted, month.sent_unreadable)]
    found.append(Limit(f"every reading is stored: {stored:,} of {taken:,}", stored == taken))
    print("", *found, sep="\n")
    return int(not all(each.holds for each in found))


def _days_of(month: Month, day_count: int, day_s: int) -> list[DayEnd]:
    ends: list[DayEnd] = []
    print_table(HEAD, [UNITS], width=12, first=4)
    for number in range(day_count):
        ends.append(month.day(number, day_s))
        print_table(line(number, ends[-1], sum(end.readings for end in ends)), [], width=12, first=4)
    return ends


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--basins", type=int, default=3, help="20 for the whole of it [default: 3]")
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.WARNING, format="%(name)s %(message)s")
    sys.exit(main(arguments.days, arguments.basins))
