"""What a node of three basins costs, and how fast it is rid of what an outage left.

`python -m tests.bench.bench_node [--seconds N] [--outage-hours N]` prints tables. A real node process on mock pins and
a simulated 1-Wire tree, at real speed; a real Mosquitto, a real collector process, real disks. First it runs quietly.
Then it starts with an outbox that holds an outage's readings of an earlier boot, and drains while it goes on sampling.

Seen by an observer at the broker: latency is from a live message's passing there to the receipt that covers it, and a
reading counts as sent again when it passes a second time. The work of the kernel on a real 1-Wire bus is not in it.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from firmware.clock import SystemClock
from firmware.outbox import Outbox
from soak.ranges import Ranges
from soak.wire import Receipt, Topic, decode
from tests.bench.bench_wear import BenchClock
from tests.bench.load import Basin
from tests.bench.measuring import Limit, Usage, broker, collector
from tests.bench.measuring_size import print_table
from tests.bench.real_node import MODEL_NAME, SHARES_HEAD, lateness_ms, model, running, shares
from tests.bench.realistic import DAY_S, Chunk, days
from tests.collector.running import NodeSide

BASINS = [Basin("n1", f"b{number}", f"28-{number:012x}", "") for number in (1, 2, 3)]
LEAST_TIMES_REAL = 100
MOST_SENT_AGAIN = 0.01
_WARM_S = 8
_FILL_S = 1
"""Readings of so many seconds go into the outbox with a commit when it is filled, as a node does it.

After fewer commits it would hold other rows than a node's, and the start would tell of those.
"""

_PATIENCE_S = 600


class _Head(msgspec.Struct):
    """As much of a message as the observer looks at."""

    stream: str
    boot: str
    first: int
    readings: list[msgspec.Raw]


class _Time(msgspec.Struct):
    ms: int
    why: str


_HEADS = msgspec.json.Decoder(_Head)
_TIMES = msgspec.json.Decoder(_Time)


class Observer:
    """Watches one node's readings and receipts pass at the broker."""

    def __init__(self, port: int, node: str, boot: str) -> None:
        self.latencies_ms: list[float] = []
        self.tick_ms: list[int] = []
        self.readings = self.again = 0
        self.first_old_s = 0.0
        self.covered: dict[str, Ranges] = {}
        self._boot, self._seen = boot, dict[str, Ranges]()
        self._live: dict[str, list[tuple[int, float]]] = {}
        self._changed = threading.Condition()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe([(Topic.READINGS.of(node), 1), (Topic.RECEIPT.of(node), 1)])
        self._client.loop_start()
        subscribed.wait()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        now_s = time.perf_counter()
        with self._changed:
            if message.topic.endswith(Topic.READINGS):
                self._reading(_HEADS.decode(message.payload), now_s)
            elif isinstance(receipt := decode(Topic.RECEIPT, message.payload), Receipt):
                self._receipt(receipt, now_s)
                self._changed.notify_all()

    def _reading(self, head: _Head, now_s: float) -> None:
        last = head.first + len(head.readings) - 1
        seen = self._seen.setdefault(head.stream, Ranges())
        new = sum(end - begin + 1 for begin, end in seen.missing(head.first, last))
        self.readings += len(head.readings)
        self.again += len(head.readings) - new
        seen.add(head.first, last)
        if head.boot != self._boot:
            self.first_old_s = self.first_old_s or now_s
        elif new:
            self._live.setdefault(head.stream, []).append((last, now_s))
            if head.stream == next(iter(self._live)):
                times = map(_TIMES.decode, head.readings)
                self.tick_ms += [each.ms for each in times if each.why == "tick"]

    def _receipt(self, receipt: Receipt, now_s: float) -> None:
        for stream, ranges in receipt.streams.items():
            self.covered[stream] = Ranges(ranges)
            waiting = self._live.get(stream, [])
            covered = [sent_s for last, sent_s in waiting if last in self.covered[stream]]
            self.latencies_ms += [1_000 * (now_s - sent_s) for sent_s in covered]
            waiting[:] = [each for each in waiting if each[0] not in self.covered[stream]]

    def wait_covered(self, newest: dict[str, int], process: subprocess.Popen[bytes]) -> float:
        """Wait until receipts cover these streams of a node up to their newest numbers; when that was."""

        def done() -> bool:
            return all(not self.covered.get(name, Ranges()).missing(1, last) for name, last in newest.items())

        with self._changed:
            deadline_s = time.perf_counter() + _PATIENCE_S
            while not self._changed.wait_for(done, 1):
                if process.poll() is not None or time.perf_counter() > deadline_s:
                    raise SystemExit(f"not drained within {_PATIENCE_S} s; the node's exit status: {process.poll()}")
        return time.perf_counter()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def observing(port: int) -> Iterator[Observer]:
    """An observer, until the end of the block."""
    observer = Observer(port, BASINS[0].node, SystemClock().boot_id)
    try:
        yield observer
    finally:
        observer.close()


class Quiet(NamedTuple):
    """A node at its ordinary work."""

    started: Usage
    ended: Usage
    seconds: float
    latencies_ms: list[float]
    late_ms: list[int]


def quiet(folder: Path, port: int, seconds: float) -> Quiet:
    """Let a node run."""
    with observing(port) as observer, running(folder, BASINS, port) as process:
        time.sleep(min(_WARM_S, seconds))
        started, began_s = Usage.of(process.pid), time.perf_counter()
        time.sleep(seconds)
        ended, took_s = Usage.of(process.pid), time.perf_counter() - began_s
        return Quiet(started, ended, took_s, sorted(observer.latencies_ms), lateness_ms(observer.tick_ms))


def fill(folder: Path, outage_s: int) -> dict[str, int]:
    """An outbox with the readings of an outage that ended just now; by stream its newest number."""
    day_count = -(-outage_s // DAY_S)
    start_utc_ms = int(time.time() * 1_000) - 1_000 * outage_s - 60_000
    columns = [
        days(day_count, n, start_utc_ms=start_utc_ms, sensor=basin.sensor, boot_days=day_count)
        for n, basin in enumerate(BASINS, 1)
    ]
    outbox: Outbox | None = None
    clock = BenchClock("", 0)
    newest: dict[str, int] = {}
    for day, chunks in enumerate(zip(*columns, strict=True)):
        if outbox is None:
            clock = BenchClock(chunks[0].boot, chunks[0].booted_utc_ms)
            outbox = Outbox(folder / "data", clock)
            names = [outbox.begin(basin.name, [basin.sensor]) for basin in BASINS]
        left_s = min(DAY_S, outage_s - day * DAY_S)
        for start in range(0, left_s, _FILL_S):
            parts = [_between(chunk, start, min(start + _FILL_S, left_s)) for chunk in chunks]
            clock.now_ms = max(part[-1].ms for part in parts)
            outbox.append([(basin.name, each) for basin, part in zip(BASINS, parts, strict=True) for each in part])
            outbox.write()
            for name, part in zip(names, parts, strict=True):
                newest[name] = newest.get(name, 0) + len(part)
    assert outbox
    outbox.close()
    return newest


def _between(chunk: Chunk, start_s: int, end_s: int) -> list[Any]:
    """Readings by their place in the day; lid movements shift it by a few, which does not matter here."""
    count = len(chunk.readings)
    return chunk.readings[start_s * count // DAY_S : end_s * count // DAY_S]


class Drained(NamedTuple):
    """A node that was rid of an outage."""

    readings: int
    bytes: int
    to_first_s: float
    seconds: float
    cpu_s: float
    rss_mb: float
    again: int
    latencies_ms: list[float]


def drain(folder: Path, port: int, outage_s: int) -> Drained:
    """Fill an outbox, start a node on it, and wait until receipts cover all that was in it."""
    newest = fill(folder, outage_s)
    size = sum(each.stat().st_size for each in (folder / "data").iterdir())
    with observing(port) as observer:
        began_s = time.perf_counter()
        with running(folder, BASINS, port) as process:
            ended_s = observer.wait_covered(newest, process)
            usage = Usage.of(process.pid)
            return Drained(
                sum(newest.values()),
                size,
                observer.first_old_s - began_s,
                ended_s - observer.first_old_s,
                usage.cpu_s,
                usage.rss_mb,
                observer.again,
                sorted(observer.latencies_ms),
            )


def _percentile(sorted_ms: Sequence[float], share: float) -> str:
    return f"{sorted_ms[min(len(sorted_ms) - 1, int(len(sorted_ms) * share))]:.0f}" if sorted_ms else "-"


def report_quiet(seen: Quiet) -> None:
    """What it needs, how punctual it is, how soon receipts come."""
    an_hour = 3_600 / seen.seconds
    cpu_s = seen.ended.cpu_s - seen.started.cpu_s
    print(f"A node of {len(BASINS)} basins for {seen.seconds:.0f} s, after {_WARM_S} s to start")
    print_table(
        ("", "measured", "an hour"),
        [
            ("CPU seconds", f"{cpu_s:.2f}", f"{cpu_s * an_hour:.0f}"),
            ("share of one core, %", f"{100 * cpu_s / seen.seconds:.2f}", ""),
            ("CPU seconds to start", f"{seen.started.cpu_s:.2f}", ""),
            ("memory (RSS), MB", f"{seen.started.rss_mb:.0f} to {seen.ended.rss_mb:.0f}", ""),
        ],
    )
    print()
    print_table(SHARES_HEAD, [("this node", *shares(seen.late_ms)), (MODEL_NAME, *shares(model()))], width=9)


def report_live(before: Sequence[float], during: Sequence[float]) -> None:
    """How soon receipts come."""
    print()
    print_table(
        ("a live message to its receipt, ms", "messages", "p50", "p99", "longest"),
        [
            (name, f"{len(each)}", *(_percentile(each, share) for share in (0.5, 0.99, 1)))
            for name, each in (("quiet", before), ("while draining", during))
        ],
    )


def report_drain(seen: Drained, outage_s: int) -> float:
    """How fast; times real time."""
    times_real = outage_s / seen.seconds
    print(f"\nAn outage of {outage_s / 3_600:.1f} h at {len(BASINS)} basins, drained while sampling goes on")
    print_table(
        ("", ""),
        [
            ("readings that waited", f"{seen.readings:,}"),
            ("bytes a reading in the outbox", f"{seen.bytes / seen.readings:.1f}"),
            ("start to the first of them, s", f"{seen.to_first_s:.1f}"),
            ("from there to the last receipt, s", f"{seen.seconds:.1f}"),
            ("readings/s", f"{seen.readings / seen.seconds:,.0f}"),
            ("times real time", f"{times_real:,.0f}"),
            ("readings sent again", f"{seen.again:,}"),
            ("the node's CPU seconds, with start", f"{seen.cpu_s:.1f}"),
            ("the node's memory (RSS), MB", f"{seen.rss_mb:.0f}"),
        ],
    )
    return times_real


def main(seconds: float = 90, outage_s: int = DAY_S) -> int:
    """Measure, and print; 1 when a limit is broken."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with (
            broker(folder / "broker") as mosquitto,
            collector(folder / "collector", mosquitto.port, BASINS),
        ):
            ready = NodeSide(mosquitto.port)
            ready.wait_orders()
            ready.close()
            before = quiet(folder / "quiet", mosquitto.port, seconds)
            report_quiet(before)
            after = drain(folder / "drain", mosquitto.port, outage_s)
    times_real = report_drain(after, outage_s)
    report_live(before.latencies_ms, after.latencies_ms)
    limits = [
        Limit(f"drained at {LEAST_TIMES_REAL} times real time or better", times_real >= LEAST_TIMES_REAL),
        Limit(f"at most {MOST_SENT_AGAIN:.0%} sent again", after.again <= MOST_SENT_AGAIN * after.readings),
    ]
    print("", *limits, sep="\n")
    return int(not all(limit.holds for limit in limits))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=90, help="of quiet work, real [default: 90]")
    parser.add_argument("--outage-hours", type=float, default=24, help="simulated [default: 24]")
    arguments = parser.parse_args()
    sys.exit(main(arguments.seconds, round(3_600 * arguments.outage_hours)))
