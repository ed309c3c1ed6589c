"""What node and collector write to their disks: bytes per basin and day, and how often they wait for the disk.

`python -m tests.bench.bench_wear [--minutes N]` prints a table. Compressed: every simulated second does what a real one
does, without waiting for the next. Node: the real outbox, a commit each second with a reading of each of three basins,
receipts a second later. Collector: the real intake and store; a message a second from each basin, a commit for each
message, or for the three together as they mostly arrive; a state message every ten seconds.

Two figures that check each other: what the kernel counts (`write_bytes`, whole pages of 4,096 bytes), and what SQLite
wrote by its own files (frames of the write-ahead log, and pages copied from there into the file). Neither contains what
the file system adds. Waits (fsync) follow from SQLite's documentation: one for each commit at `synchronous=FULL`, three
when the log is copied back and begun anew.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from collector.intake import Arrived, Intake
from collector.schema import FILE_NAME
from collector.store import Store
from firmware.outbox import Outbox
from firmware.outbox_file import FILE_NAME as OUTBOX_FILE
from soak.reading import Reading
from soak.wire import HeldStream, State, Topic, encode
from tests.bench.bench_size import START_UTC_MS, settings
from tests.bench.measuring_size import LogMeter, print_table, written_bytes
from tests.bench.realistic import DAY_S, Chunk, days

BASINS = 3
BEGIN_S = 9 * 3_600
"""From nine in the morning: lids move, pages are sealed."""

STATE_EVERY_S = 10
WAITS_A_RESTART = 3


class Written(NamedTuple):
    """What one part wrote in so many simulated seconds."""

    name: str
    seconds: int
    commits: int
    kernel_bytes: int
    log: LogMeter

    def row(self) -> tuple[str, ...]:
        """A line of the table; bytes in millions."""
        day = DAY_S / self.seconds / 1e6
        waits = self.commits + WAITS_A_RESTART * self.log.restarts
        return (
            self.name,
            f"{self.kernel_bytes * day:.0f}",
            f"{self.kernel_bytes * day / BASINS:.0f}",
            f"{self.log.bytes * day:.0f}",
            f"{self.log.frames / max(1, self.commits):.1f}",
            f"{self.log.restarts}",
            f"{waits * DAY_S / self.seconds:,.0f}",
            f"{self.log.largest_bytes / 1e6:.1f}",
        )


class BenchClock:
    """A node's clocks, set by the readings."""

    def __init__(self, boot: str, booted_utc_ms: int) -> None:
        self.boot_id, self._booted_utc_ms, self.now_ms = boot, booted_utc_ms, 0

    def boot_ms(self) -> int:
        return self.now_ms

    def utc_ms(self) -> int:
        return self._booted_utc_ms + self.now_ms

    def synced(self) -> bool:
        return True

    def real_s(self, ms: int) -> float:
        return ms / 1_000


def working_hours(seconds: int) -> list[Chunk]:
    """Readings of each basin from nine in the morning on."""
    chunks = []
    for basin in range(BASINS):
        [day] = days(1, basin + 1, start_utc_ms=START_UTC_MS, sensor=f"28-{basin + 1:012x}")
        readings = [each for each in day.readings if BEGIN_S <= each.ms // 1_000 < BEGIN_S + seconds]
        chunks.append(day._replace(first=1, readings=readings))
    return chunks


def seconds_of(chunk: Chunk) -> Iterator[list[Reading]]:
    """The readings of each second: the tick's, and what the lid added."""
    second: list[Reading] = []
    for reading in chunk.readings:
        if second and reading.ms // 1_000 != second[0].ms // 1_000:
            yield second
            second = []
        second.append(reading)
    yield second


def node(folder: Path, chunks: Sequence[Chunk], seconds: int) -> Written:
    """One node's outbox, with a receipt for each second's readings a second later."""
    clock = BenchClock(chunks[0].boot, chunks[0].booted_utc_ms)
    outbox = Outbox(folder, clock)
    basins = [f"b{number}" for number in range(1, len(chunks) + 1)]
    streams = [outbox.begin(basin, list(chunk.readings[0].mc)) for basin, chunk in zip(basins, chunks, strict=True)]
    log, before, commits = LogMeter(folder / OUTBOX_FILE), written_bytes(), 0
    log.look()
    covered = [0] * len(streams)
    for parts in zip(*map(seconds_of, chunks), strict=False):
        clock.now_ms = parts[0][-1].ms
        for stream, last in zip(streams, covered, strict=True):
            if last:
                outbox.release(stream, [(1, last)])
        outbox.append([(basin, one) for basin, part in zip(basins, parts, strict=True) for one in part])
        commits += outbox.write()
        log.look()
        covered = [last + len(part) for last, part in zip(covered, parts, strict=True)]
    written = written_bytes() - before
    outbox.close()
    return Written("node", seconds, commits, written, log)


def collector(folder: Path, chunks: Sequence[Chunk], seconds: int, *, together: bool) -> Written:
    """One collector with a node of three basins."""
    now_ms = START_UTC_MS + 1_000 * DAY_S
    store = Store(folder, lambda: now_ms)
    store.apply(settings(basins=len(chunks)))
    intake = Intake(store, lambda: now_ms)
    log, before, commits = LogMeter(folder / FILE_NAME), written_bytes(), 0
    log.look()
    for second, messages in enumerate(zip(*(_a_second(chunk, n) for n, chunk in enumerate(chunks, 1)), strict=False)):
        arrived = list(messages)
        if second % STATE_EVERY_S == 0:
            arrived.insert(0, _state(chunks, second))
        for some in [arrived] if together else [[each] for each in arrived]:
            intake.take(some)
            commits += 1
            log.look()
    written = written_bytes() - before
    store.close()
    return Written(f"collector, a commit a {'second' if together else 'message'}", seconds, commits, written, log)


def _a_second(chunk: Chunk, number: int) -> Iterator[Arrived]:
    first = chunk.first
    for readings in seconds_of(chunk):
        [batch] = chunk._replace(first=first, readings=readings).batches(len(readings), f"b{number}")
        yield Arrived(Topic.READINGS.of("n1"), encode(batch))
        first += len(readings)


def _state(chunks: Sequence[Chunk], second: int) -> Arrived:
    reading = chunks[0].readings[min(second, len(chunks[0].readings) - 1)]
    [batch] = chunks[0]._replace(first=2, readings=[reading]).batches(1)
    held = [HeldStream(chunk.stream, f"b{n}", second + 1, second + 1, chunk.boot) for n, chunk in enumerate(chunks, 1)]
    state = State(up=True, version="0", boot=chunks[0].boot, clock=batch.clock, streams=held)
    return Arrived(Topic.STATE.of("n1"), encode(state))


def main(minutes: int = 40, folder: Path | None = None) -> int:
    """Measure, and print."""
    seconds = 60 * minutes
    chunks = working_hours(seconds)
    with tempfile.TemporaryDirectory(dir=folder) as name:
        rows = [
            node(Path(name) / "node", chunks, seconds),
            collector(Path(name) / "one", chunks, seconds, together=False),
            collector(Path(name) / "three", chunks, seconds, together=True),
        ]
    print(
        f"{minutes} simulated minutes of one node with {BASINS} basins, from nine in the morning, times {DAY_S} s a day"
    )
    print_table(
        ("", "MB/day", "MB/basin-day", "MB/day by", "frames", "log begun", "waits", "largest"),
        [("", "kernel", "kernel", "SQLite's files", "a commit", "anew", "a day", "log, MB"), *(r.row() for r in rows)],
        width=15,
    )
    if not any(each.kernel_bytes for each in rows):
        print("The kernel counted nothing: this folder is in memory. Name one on a disk with --folder.")
    return 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--minutes", type=int, default=40, help="simulated [default: 40]")
    parser.add_argument("--folder", type=Path, help="on the disk to measure [default: where temporary files go]")
    arguments = parser.parse_args()
    sys.exit(main(arguments.minutes, arguments.folder))
