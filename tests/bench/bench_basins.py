"""A thousand basins at one reading a second: how soon receipts come, and what the collector needs for it.

`./run bench basins [--basins 1000] [--seconds 300]` prints a table and whether each limit holds. A real Mosquitto, a
real collector process, a real disk. The load: nodes of eight basins, one message for each basin and second as a node
sends them, spread evenly over the second with some jitter, and each node's state every ten seconds. A few plain
connections publish for all nodes: what is measured is the collector.
"""

from __future__ import annotations

import argparse
import heapq
import random
import select
import sys
import tempfile
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec

from soak.wire import Batch, HeldStream, Receipt, SensorSeen, State, Topic, encode
from tests.bench.load import Basin, basins, batches, readings
from tests.bench.measuring import Limit, Work, broker, collector, row, share_of
from tests.bench.publisher import wait_ready
from tests.bench.raw_mqtt import MOST_IDS, PUBLISH, Connection, publish_packet
from tests.collector.kit import BOOT, BOOTED_UTC_MS, clock_at

BASINS_OF_A_NODE = 8
CONNECTIONS = 4
JITTER_S = 0.03
STATE_EVERY_S = 10
_PATIENCE_S = 30

MOST_P99_MS = 250
MOST_CPU = 0.5
DAY_S = 86_400


class Due(NamedTuple):
    """A message to send."""

    at_s: float  # from the beginning
    topic: Topic
    name: str  # of the stream, or of the node


class Station:
    """One basin under load: what it sends next, and since when what it sent has no receipt.

    Args:
        basin: Which.
        batches: What it sends, one after the other.
    """

    def __init__(self, basin: Basin, batches: Iterator[Batch]) -> None:
        self.basin, self.sent = basin, 0
        self._since_s: deque[float] = deque()
        self._batches = batches

    @property
    def waiting(self) -> int:
        """Readings sent that no receipt covers."""
        return len(self._since_s)

    def message(self, now_s: float, due_s: float) -> bytes:
        """The next reading, sent now; it was due a little earlier."""
        self.sent += 1
        self._since_s.append(now_s)
        return encode(self.batch(due_s))

    def batch(self, _due_s: float) -> Batch:
        """What the next message holds."""
        return next(self._batches)

    def cover(self, last: int, now_s: float) -> Iterator[float]:
        """A receipt has come: how long each reading waited that it newly covers, seconds."""
        while self._since_s and self.sent - self.waiting < last:
            yield now_s - self._since_s.popleft()


def stations(taking: Iterable[Basin], seconds: int) -> list[Station]:
    """Of basins that are used as `tests.bench.load.readings` says."""
    return [
        Station(each, batches(each, readings(seconds, each.sensor, seed), 1))
        for seed, each in enumerate(taking, start=1)
    ]


class Load:
    """All nodes.

    Args:
        port: The broker's.
        taking: The basins.
        seconds: How long.
        booted_utc_ms: When the nodes were started, by their own clocks.
        besides: Readings between those of every second.
    """

    def __init__(
        self,
        port: int,
        taking: Iterable[Station],
        seconds: int,
        booted_utc_ms: int = BOOTED_UTC_MS,
        besides: Iterable[Due] = (),
    ) -> None:
        self._seconds, self._booted_utc_ms, self._besides = seconds, booted_utc_ms, besides
        self._stations = {each.basin.stream: each for each in taking}
        self._nodes: dict[str, list[Station]] = {}
        for station in self._stations.values():
            self._nodes.setdefault(station.basin.node, []).append(station)
        self._publishing = [Connection(port, f"bench-nodes-{index}") for index in range(CONNECTIONS)]
        self._receipts = Connection(port, "bench-receipts", tuple(map(Topic.RECEIPT.of, self._nodes)))
        self._decoder = msgspec.json.Decoder(Receipt)
        self._published = 0
        self.waits_s: list[float] = []
        """From publish to receipt, of every reading."""
        self.late_s: list[float] = []
        """How late each message was sent: the load generator's own weakness."""
        self.began_s = 0.0
        """When `run` began, on `time.perf_counter`."""

    @property
    def waiting(self) -> int:
        """Readings of all basins that were sent and that no receipt covers."""
        return sum(each.waiting for each in self._stations.values())

    def close(self) -> None:
        """Leave."""
        for connection in (self._receipts, *self._publishing):
            connection.close()

    def run(self) -> Iterator[float]:
        """Send for as long as asked, then wait for the last receipt; gives the seconds gone by, often."""
        self.began_s = began_s = time.perf_counter()
        sending = heapq.merge(self._due(), self._besides)
        due = next(sending, None)
        while due or any(station.waiting for station in self._stations.values()):
            now_s = time.perf_counter() - began_s
            yield now_s
            while due and due.at_s <= now_s:
                self._send(due, now_s)
                due = next(sending, None)
                now_s = time.perf_counter() - began_s
            ready, _, _ = select.select(
                [self._receipts, *self._publishing], [], [], max(0.0, due.at_s - now_s) if due else _PATIENCE_S
            )
            if not ready and not due:
                raise SystemExit(f"Some readings got no receipt within {_PATIENCE_S} s.")
            self._hear(began_s)

    def _due(self) -> Iterator[Due]:
        """Every message in the order of time: each basin's and each node's place in the second is its own."""
        chance, room_s = random.Random(1), 1.0 - JITTER_S
        for second in range(self._seconds):
            this = [
                Due(second + index / len(self._stations) * room_s + chance.uniform(0, JITTER_S), Topic.READINGS, stream)
                for index, stream in enumerate(self._stations)
            ]
            this += [
                Due(second + index / len(self._nodes) * room_s, Topic.STATE, node)
                for index, node in enumerate(self._nodes)
                if (index + second) % STATE_EVERY_S == 0
            ]
            yield from sorted(this)

    def _send(self, due: Due, now_s: float) -> None:
        self.late_s.append(now_s - due.at_s)
        if due.topic is Topic.READINGS:
            station = self._stations[due.name]
            node, body = station.basin.node, station.message(now_s, due.at_s)
        else:
            node, body = due.name, encode(self._state(self._nodes[due.name]))
        connection = self._publishing[hash(node) % CONNECTIONS]
        self._published += 1
        packet_id = self._published % MOST_IDS + 1
        packet = publish_packet(due.topic.of(node), body, packet_id, retain=due.topic is Topic.STATE)
        connection.socket.sendall(packet)

    def _state(self, stations: Sequence[Station]) -> State:
        held = [
            HeldStream(each.basin.stream, each.basin.name, each.sent - each.waiting + 1, each.sent, BOOT)
            for each in stations
        ]
        seen = [SensorSeen(each.basin.sensor, each.basin.name) for each in stations]
        newest = max(each.sent for each in stations)
        outbox = sum(each.waiting for each in stations)
        clock = clock_at(1_000 * (newest + 1), booted_utc_ms=self._booted_utc_ms)
        return State(True, "0.1.0", BOOT, clock, held, seen, outbox)

    def _hear(self, began_s: float) -> None:
        for connection in self._publishing:
            connection.acknowledged()
        for packet in self._receipts.packets():
            if packet.kind == PUBLISH:
                now_s = time.perf_counter() - began_s
                for stream, ranges in self._decoder.decode(packet.payload).streams.items():
                    self.waits_s += self._stations[stream].cover(ranges[-1][1] if ranges else 0, now_s)


class Figures(NamedTuple):
    """What was measured.

    Attributes:
        waits_ms: From publish to receipt, of every reading, rising.
        late_ms: How late the load generator sent, of every message, rising.
        cpu: The collector's share of one processor.
        others_cpu: What others on this machine used meanwhile, in processors.
        rss_mb: Its memory by when it was looked at, seconds from the first publish.
        written_bytes: What it wrote, for a basin in a day.
    """

    waits_ms: list[float]
    late_ms: list[float]
    cpu: float
    others_cpu: float
    rss_mb: dict[str, float]
    written_bytes: float


def measure(count: int, seconds: int) -> Figures:
    """The whole run."""
    taking = basins(count, BASINS_OF_A_NODE)
    with tempfile.TemporaryDirectory() as name, broker(Path(name) / "broker") as one:
        load = Load(one.port, stations(taking, seconds), seconds)
        try:
            with collector(Path(name) / "collector", one.port, taking) as process:
                wait_ready(one.port)
                assert process.process
                return _measured(load, Work(process.process.pid, one.pid), count, seconds)
        finally:
            load.close()


def _measured(load: Load, work: Work, count: int, seconds: int) -> Figures:
    before = work.usage()
    rss_mb = {"at start": before.rss_mb}
    for gone_s in load.run():
        if gone_s >= 60 and "after a minute" not in rss_mb:
            rss_mb["after a minute"] = work.usage().rss_mb
    spent, after = work.spent(), work.usage()
    rss_mb["at the end"] = after.rss_mb
    return Figures(
        waits_ms=sorted(each * 1_000 for each in load.waits_s),
        late_ms=sorted(each * 1_000 for each in load.late_s),
        cpu=spent.cpu_s / spent.seconds,
        others_cpu=spent.others,
        rss_mb=rss_mb,
        written_bytes=(after.written_bytes - before.written_bytes) * DAY_S / (count * seconds),
    )


def report(found: Figures) -> None:
    """The table."""
    print(row(["milliseconds", "p50", "p99", "p99.9", "longest"]))
    for title, column in (("publish to receipt", found.waits_ms), ("sent late by the load", found.late_ms)):
        shares = [share_of(column, share) for share in (0.5, 0.99, 0.999, 1.0)]
        print(row([f"  {title}", *(f"{each:,.1f}" for each in shares)]))
    print(f"\nCollector (all its processes): {100 * found.cpu:.0f} % of one processor")
    print("Memory: " + ", ".join(f"{mb:.0f} MB {when}" for when, mb in found.rss_mb.items()))
    print(f"Written: {found.written_bytes / 1e6:.1f} MB for a basin in a day")
    print(f"Others on this machine used {found.others_cpu:.2f} processors meanwhile.")


def limits(found: Figures) -> list[Limit]:
    """What is asked of the collector."""
    p99_ms = share_of(found.waits_ms, 0.99)
    return [
        Limit(f"99 of 100 receipts within {p99_ms:.0f} ms (less than {MOST_P99_MS})", p99_ms < MOST_P99_MS),
        Limit(f"{100 * found.cpu:.0f} % of one processor (less than {100 * MOST_CPU:.0f})", found.cpu < MOST_CPU),
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, and print; 0 if every limit holds."""
    parser = argparse.ArgumentParser(prog="./run bench basins", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--basins", type=int, default=1_000, help="how many [default: 1000]")
    parser.add_argument("--seconds", type=int, default=300, help="how long [default: 300]")
    chosen = parser.parse_args(arguments)
    print(f"{chosen.basins:,} basins, one reading a second each, for {chosen.seconds} seconds\n", flush=True)
    found = measure(chosen.basins, chosen.seconds)
    report(found)
    asked = limits(found)
    print("", *asked, sep="\n")
    return 0 if all(limit.holds for limit in asked) else 1


if __name__ == "__main__":
    sys.exit(main())
