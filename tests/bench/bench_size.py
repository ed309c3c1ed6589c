"""How many bytes a stored reading takes, everything counted, on a simulated year of one basin.

`python -m tests.bench.bench_size [--days N]` prints tables. The readings (`tests/bench/realistic.py`) go through the
real intake into a real store, in this process: messages of 500 as a node sends a backlog, 20 of them to a commit, and
the last hour one reading a message and a commit, as a node sends live. Bytes are those of the file after its
write-ahead log is emptied. The buffer of rows that no page holds yet does not grow with the days; on a few days it
weighs more than all pages, so a line tells what is kept for good. Beside it: the same readings one to a row. How well
the simulated jitter fits is shown by a real node that runs for a minute first.
"""

from __future__ import annotations

import argparse
import hashlib
import socket
import sqlite3
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from collector.intake import Arrived, Intake
from collector.page import seal, unseal
from collector.schema import FILE_NAME
from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from collector.store import Store
from firmware.outbox_file import FILE_NAME as OUTBOX
from soak.quantity import utc_text
from soak.wire import HeldStream, State, Topic, encode
from tests.bench.load import Basin
from tests.bench.measuring_size import FREE, checkpointed, parts, print_table
from tests.bench.real_node import MODEL_NAME, SHARES_HEAD, lateness_ms, model, running, shares, tick_times_ms
from tests.bench.realistic import DAY_S, NOISE_STEPS, SENSOR, Chunk, days

LIMIT_BYTES, AIM_BYTES = 1.5, 1.0
START_UTC_MS = 1_767_225_600_000
"""2026-01-01T00:00:00Z."""

SINCE = datetime.fromtimestamp(START_UTC_MS / 1_000, UTC)

BATCH, MESSAGES = 500, 20
LIVE_S = 3_600
ROW_DAYS = 7
"""One row a reading is measured on so many days: a year of them says the same and fills gigabytes."""

SAMPLE_PAGES = 400
JITTER_S = 60
_PATIENCE_S = 60
BUFFER = ("batch", "batch_by_stream", FREE)
"""Rows that no page holds yet, and the room that earlier ones left."""


class Kept(NamedTuple):
    """What was stored, and how long the collector's part of it took."""

    readings: int
    seconds: float


def settings(basins: int = 1) -> Settings:
    """Basins of one node whose soaks are judged."""
    required = RequirementSettings(min_temp_c="20", contact="12m", since=SINCE)
    named = {1: SENSOR} if basins == 1 else {number: f"28-{number:012x}" for number in range(1, basins + 1)}
    described = [
        BasinSettings("n1", f"b{number}", f"Basin {number}", {sensor: SensorSettings(u_c="0.5")}, requirement=required)
        for number, sensor in named.items()
    ]
    return Settings("Clinic at the Mill", BrokerSettings(), described)


def arrived(chunk: Chunk, size: int) -> Iterator[Arrived]:
    """The readings as messages."""
    topic = Topic.READINGS.of("n1")
    for batch in chunk.batches(size):
        yield Arrived(topic, encode(batch))


def state(chunk: Chunk) -> Arrived:
    """What the node says at the end of a day: its current stream is this; of earlier ones nothing is held any more."""
    [batch] = chunk._replace(readings=chunk.readings[-1:]).batches(1)
    held = HeldStream(chunk.stream, "b1", chunk.last + 1, chunk.last, chunk.boot)
    said = State(up=True, version="0", boot=chunk.boot, clock=batch.clock, streams=[held])
    return Arrived(Topic.STATE.of("n1"), encode(said))


def split(chunk: Chunk, live: int) -> tuple[Chunk, Chunk]:
    """All but the last readings, and the last."""
    at = len(chunk.readings) - live
    rest = chunk._replace(first=chunk.first + at, readings=chunk.readings[at:])
    return chunk._replace(readings=chunk.readings[:at]), rest


def keep(data_dir: Path, chunks: Iterable[Chunk], day_count: int, live: int = LIVE_S) -> Kept:
    """Let the collector take everything in; only its own time is counted."""
    now_ms = START_UTC_MS + 1_000 * DAY_S * day_count
    store = Store(data_dir, lambda: now_ms)
    store.apply(settings())
    intake = Intake(store, lambda: now_ms)
    readings, seconds = 0, 0.0
    for day, chunk in enumerate(chunks, 1):
        backlog, rest = split(chunk, live if day == day_count else 0)
        messages = arrived(backlog, BATCH)
        while some := list(islice(messages, MESSAGES)):
            began_s = time.perf_counter()
            intake.take(some)
            seconds += time.perf_counter() - began_s
        for message in arrived(rest, 1) if rest.readings else ():
            intake.take([message])
        intake.take([state(chunk)])
        readings += len(chunk.readings)
        if sys.stderr.isatty():
            print(f"\rday {day} of {day_count}", end="", file=sys.stderr, flush=True)
    store.close()
    return Kept(readings, seconds)


def rates(path: Path) -> dict[str, tuple[int, float]]:
    """Sealing, verifying and reading back pages spread over the file: how many readings, in how many seconds."""
    connection = sqlite3.connect(path)
    [(count,)] = connection.execute("SELECT count(*) FROM page").fetchall()
    every = max(1, count // SAMPLE_PAGES)
    sql = "SELECT s.stream, p.sha256, p.body FROM page p JOIN stream s ON s.id = p.stream_id WHERE p.rowid % ? = 0"
    pages = connection.execute(sql, (every,)).fetchall()
    connection.close()
    opened = [(stream, *unseal(body, sha256)) for stream, sha256, body in pages]
    readings = sum(len(each[2]) for each in opened)

    def verify() -> None:
        for _, sha256, body in pages:
            found = hashlib.sha256(zlib.decompress(body))
            if sha256 not in (found.hexdigest(), found.digest()):
                raise SystemExit("a page is not what was sealed")

    work: dict[str, Callable[[], object]] = {
        "sealed": lambda: [seal(*each) for each in opened],
        "verified (unpacked, SHA-256)": verify,
        "read back, verified": lambda: [unseal(body, sha256) for _, sha256, body in pages],
    }
    return {name: (readings, _seconds(call)) for name, call in work.items()}


def _seconds(call: Callable[[], object]) -> float:
    began_s = time.process_time()
    call()
    return time.process_time() - began_s


ROWS: dict[str, tuple[str, str, Callable[[Chunk], Iterator[tuple[Any, ...]]]]] = {
    "one row a reading, times as text": (
        """CREATE TABLE reading (id INTEGER PRIMARY KEY, time TEXT, node TEXT, basin TEXT, sensor TEXT, lid TEXT,
           temp_c REAL); CREATE INDEX reading_by_time ON reading (time)""",
        "INSERT INTO reading VALUES (NULL, ?, ?, ?, ?, ?, ?)",
        lambda chunk: (
            (utc_text(chunk.booted_utc_ms + each.ms), "n1", "b1", sensor, each.lid, None if mc is None else mc / 1_000)
            for each in chunk.readings
            for sensor, mc in each.mc.items()
        ),
    ),
    "one row a reading, whole numbers": (
        """CREATE TABLE reading (id INTEGER PRIMARY KEY, time_ms INTEGER, sensor_id INTEGER, lid INTEGER, mc INTEGER);
           CREATE INDEX reading_by_time ON reading (time_ms)""",
        "INSERT INTO reading VALUES (NULL, ?, 1, ?, ?)",
        lambda chunk: (
            (chunk.booted_utc_ms + each.ms, int(each.lid == "closed"), mc)
            for each in chunk.readings
            for mc in each.mc.values()
        ),
    ),
}


def bytes_as_rows(folder: Path, name: str, chunks: Iterable[Chunk]) -> float:
    """Bytes of one reading where each has a row of its own, indexes included."""
    tables, insert, rows = ROWS[name]
    path, count = folder / "rows.sqlite", 0
    path.unlink(missing_ok=True)
    connection = sqlite3.connect(path)
    connection.executescript(tables)
    for chunk in chunks:
        connection.executemany(insert, rows(chunk))
        count += len(chunk.readings)
    connection.commit()
    connection.close()
    return path.stat().st_size / count


def print_jitter(seconds: float) -> None:
    """How late the ticks of a real node are on this machine, beside those of the simulated year."""
    if not seconds:
        return
    with tempfile.TemporaryDirectory() as folder:
        with socket.socket() as deaf:
            deaf.bind(("127.0.0.1", 0))  # a port at which nobody listens
            with running(Path(folder), [Basin("n1", "b1", SENSOR, "")], deaf.getsockname()[1]):
                started = Path(folder) / "data" / OUTBOX
                deadline_s = time.monotonic() + _PATIENCE_S
                while not started.exists() and time.monotonic() < deadline_s:
                    time.sleep(0.1)
                time.sleep(seconds)
        late = lateness_ms(tick_times_ms(Path(folder)))
    print_table(SHARES_HEAD, [(f"a node here, {len(late)} ticks", *shares(late)), (MODEL_NAME, *shares(model()))], 9)
    print()


def main(day_count: int = 365, live: int = LIVE_S, noise_steps: float = NOISE_STEPS, jitter_s: float = JITTER_S) -> int:
    """Measure, and print; 1 when a limit is broken."""
    print_jitter(jitter_s)

    def chunks(count: int = day_count) -> Iterator[Chunk]:
        return days(count, start_utc_ms=START_UTC_MS, noise_steps=noise_steps)

    with tempfile.TemporaryDirectory() as folder:
        data_dir = Path(folder) / "data"
        kept = keep(data_dir, chunks(), day_count, live)
        path = data_dir / FILE_NAME
        total = checkpointed(path)
        buffer = sum(part.bytes for part in parts(path) if part.name in BUFFER)
        print(f"{day_count} days of one basin, {kept.readings:,} readings of one sensor, noise {noise_steps} steps")
        print(f"the last {live} sent one by one\n")
        print_table(
            ("where the bytes are", "bytes", "filled", "bytes/reading"),
            [
                (part.name, f"{part.bytes:,}", f"{part.filled:,}", f"{part.bytes / kept.readings:.3f}")
                for part in parts(path)
                if part.bytes >= total / 10_000
            ]
            + [
                ("the file", f"{total:,}", "", f"{total / kept.readings:.3f}"),
                ("without the buffer of rows", f"{total - buffer:,}", "", f"{(total - buffer) / kept.readings:.3f}"),
            ],
        )
        found = rates(path)
        print()
        print_table(
            ("readings a second, one core", "readings/s", "of readings"),
            [("taken in, judged, sealed, stored", f"{kept.readings / kept.seconds:,.0f}", f"{kept.readings:,}")]
            + [(name, f"{count / seconds:,.0f}", f"{count:,}") for name, (count, seconds) in found.items()],
        )
        ours, row_days = total / kept.readings, min(day_count, ROW_DAYS)
        print()
        print_table(
            ("bytes a reading", "bytes", "ratio to ours"),
            [("ours", f"{ours:.3f}", "1.0")]
            + [
                (name, f"{each:.1f}", f"{each / ours:.1f}")
                for name in ROWS
                for each in [bytes_as_rows(Path(folder), name, chunks(row_days))]
            ]
            + [("aim / limit", f"{AIM_BYTES} / {LIMIT_BYTES}", "")],
        )
        print(f"(rows: the first {row_days} days)")
    return int(ours > LIMIT_BYTES)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--noise", type=float, default=NOISE_STEPS, help="standard deviation in steps [default: 0.5]")
    parser.add_argument("--live", type=int, default=LIVE_S, help="readings of the end sent one by one [default: 3600]")
    parser.add_argument("--jitter", type=float, default=JITTER_S, help="seconds of a real node's ticks; 0 for none")
    arguments = parser.parse_args()
    sys.exit(main(arguments.days, arguments.live, arguments.noise, arguments.jitter))
