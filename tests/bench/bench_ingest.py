"""From publish to committed receipt: the collector beside a subscriber that only counts and beside a plain script.

`./run bench ingest [--quick] [--streams 1|20]` prints tables. A real Mosquitto, real processes, a real disk; the same
publisher sends the same messages to each, and each is measured alone on a broker of its own. What the script is:
`tests/bench/subscribers.py`. Rate: readings divided by the time from the first publish to the last receipt that covers
everything, or to the last message counted. Figures depend on the machine, ratios within a round less so.
"""

from __future__ import annotations

import argparse
import select
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from collector.intake import Arrived
from soak.wire import Topic, encode
from tests.bench.load import Basin, basins, batches, readings
from tests.bench.measuring import Limit, OwnBroker, Work, broker, collector, row, share_of, subscriber
from tests.bench.publisher import Counted, Receipts, publish, under_way, wait_ready
from tests.bench.raw_mqtt import MOST_IDS, Connection, publish_packet
from tests.bench.stages import STAGES, stages

SIZES = (1, 10, 500)
MESSAGES = {1: 30_000, 10: 15_000, 500: 600}
SCRIPT_SHARE = 20
"""The script gets the first twentieth of the messages: it is that much slower."""

EXPLAINED = """Medians of {count} round(s); "to bare": of the ratios within each. CPU µs: a reading, of the process that
takes messages in (with those that it started), and of the broker. Others: processors that others on this machine used
meanwhile. The script commits with write-ahead log and synchronous = FULL, as the collector does."""

LEAST_OF_BARE = 0.9
LEAST_OF_TENS = 5.0


class Way(NamedTuple):
    """Who takes the messages in."""

    name: str
    title: str


BROKER = Way("broker", "broker alone (no subscriber)")
BARE = Way("bare", "bare subscriber")
SCRIPT = Way("script", "script: INSERT, COMMIT each")
OURS = Way("ours", "collector, to the receipt")
WAYS = (BROKER, BARE, OURS, SCRIPT)


class Measured(NamedTuple):
    """What one way of taking messages needed; processor time in microseconds a reading."""

    rate: float
    cpu_us: float
    broker_us: float
    others: float  # processors that others on this machine used meanwhile


def messages(taking: Sequence[Basin], count: int, size: int) -> list[Arrived]:
    """Messages of so many readings, the basins in turn."""
    each = -(-count // len(taking)) * size
    columns = [
        [Arrived(Topic.READINGS.of(basin.node), encode(batch)) for batch in batches(basin, taken, size)]
        for seed, basin in enumerate(taking, start=1)
        for taken in [readings(each, basin.sensor, seed)]
    ]
    return [message for turn in zip(*columns, strict=True) for message in turn][:count]


def packets(sending: Sequence[Arrived]) -> list[bytes]:
    """The same, ready to be sent."""
    return [publish_packet(each.topic, each.payload, index % MOST_IDS + 1) for index, each in enumerate(sending)]


def measure(way: Way, taking: Sequence[Basin], sending: Sequence[bytes], size: int) -> Measured:
    """One way, once, with a broker, a process and a folder of its own."""
    with tempfile.TemporaryDirectory() as name, broker(Path(name) / "broker") as one:
        folder = Path(name)
        if way is BROKER:
            return _timed(one, sending, size, None, None)
        if way is OURS:
            receipts = Receipts(one.port, {basin.node for basin in taking}, size)
            try:
                with collector(folder / "collector", one.port, taking) as process:
                    wait_ready(one.port)
                    assert process.process
                    return _timed(one, sending, size, receipts, process.process.pid)
            finally:
                receipts.close()
        with subscriber(way.name, one.port, len(sending), under_way(size) // 10, folder) as process:
            counted = Counted(process.stdout)
            counted.wait()
            return _timed(one, sending, size, counted, process.pid)


def _timed(
    one: OwnBroker, sending: Sequence[bytes], size: int, progress: Counted | Receipts | None, pid: int | None
) -> Measured:
    work = Work(pid, one.pid)
    seconds = publish(one.port, sending, size, progress)
    spent, count = work.spent(), len(sending) * size
    return Measured(count / seconds, spent.cpu_s * 1e6 / count, spent.broker_s * 1e6 / count, spent.others)


class Rounds(NamedTuple):
    """What every way needed in every round, for one size of message."""

    size: int
    found: dict[Way, list[Measured]]

    def median(self, way: Way) -> Measured:
        """The median of each figure."""
        return Measured(*map(statistics.median, zip(*self.found[way], strict=True)))

    def times(self, way: Way, other: Rounds, than: Way) -> float:
        """Rate of one beside another's: of each round, whose measurements are neighbours in time; then the median."""
        pairs = zip(self.found[way], other.found[than], strict=True)
        return statistics.median(one.rate / another.rate for one, another in pairs)


def measure_rounds(taking: Sequence[Basin], sending: dict[int, list[Arrived]], count: int) -> dict[int, Rounds]:
    """Every way with every size in turn, the order turned round each time."""
    found = {size: Rounds(size, {way: [] for way in WAYS}) for size in sending}
    ready = {size: packets(each) for size, each in sending.items()}
    for turn in range(count):
        for size, each in ready.items():
            for way in WAYS[:: -1 if turn % 2 else 1]:
                part = each[: max(len(each) // SCRIPT_SHARE, 1)] if way is SCRIPT else each
                found[size].found[way].append(measure(way, taking, part, size))
    return found


def report(title: str, rounds: Rounds) -> None:
    """The table of one size of message."""
    print("\n" + row([title, "messages/s", "readings/s", "to bare", "CPU µs", "broker µs", "others"]))
    for way in WAYS:
        each = rounds.median(way)
        rates = [f"{each.rate / rounds.size:,.0f}", f"{each.rate:,.0f}", f"{rounds.times(way, rounds, BARE):.2f}"]
        cpu = f"{each.cpu_us:.1f}" if each.cpu_us else "-"
        print(row([f"  {way.title}", *rates, cpu, f"{each.broker_us:.1f}", f"{each.others:.2f}"]), flush=True)


def report_stages(taking: Sequence[Basin], sending: dict[int, list[Arrived]], seconds: float) -> None:
    """Where the collector's processor time goes beside receiving."""
    print(f"\n{len(taking)} streams, each step's functions called alone: CPU µs a reading")
    print(row(["readings a message", *STAGES, "whole"]))
    for size, each in sending.items():
        most = int(seconds * 30_000 / size)
        spent_us = stages(taking, each[:most])
        print(row([f"  {size}", *(f"{spent_us[name]:.1f}" for name in (*STAGES, "whole"))]), flush=True)


def report_alone(taking: Sequence[Basin], count: int) -> None:
    """Live readings one at a time, with a pause after each: what a quiet clinic sees."""
    sending = packets(messages(taking, count, 1))
    with tempfile.TemporaryDirectory() as name, broker(Path(name) / "broker") as one:
        receipts = Receipts(one.port, {basin.node for basin in taking}, 1)
        try:
            with collector(Path(name) / "collector", one.port, taking):
                wait_ready(one.port)
                found_ms = sorted(_alone(one.port, sending, receipts))
        finally:
            receipts.close()
    print(
        f"\nA reading by itself, publish to receipt: p50 {share_of(found_ms, 0.5):.1f} ms, "
        f"p99 {share_of(found_ms, 0.99):.1f} ms, longest {found_ms[-1]:.1f} ms"
    )


def _alone(port: int, sending: Sequence[bytes], receipts: Receipts) -> Iterator[float]:
    connection = Connection(port, "bench-publisher")
    try:
        for number, packet in enumerate(sending, start=1):
            began_s = time.perf_counter()
            connection.socket.sendall(packet)
            while receipts.messages() < number:
                if not select.select([receipts], [], [], 30)[0]:
                    raise SystemExit(f"Reading {number} got no receipt.")
            yield (time.perf_counter() - began_s) * 1_000
            time.sleep(0.05)  # the collector's pause between commits is over
    finally:
        connection.close()


def limits(streams: int, found: dict[int, Rounds]) -> list[Limit]:
    """What is asked of the collector, and whether it holds."""
    share, times = found[1].times(OURS, found[1], BARE), found[10].times(OURS, found[1], OURS)
    said = f"one a message, streams: {streams}: {share:.2f} of the bare rate (at least {LEAST_OF_BARE})"
    more = f"ten a message, streams: {streams}: {times:.1f} times the readings of one (at least {LEAST_OF_TENS})"
    return [Limit(said, share >= LEAST_OF_BARE), Limit(more, times >= LEAST_OF_TENS)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, and print; 0 if every limit holds."""
    parser = argparse.ArgumentParser(prog="./run bench ingest", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one round, one and ten readings a message")
    parser.add_argument("--streams", type=int, action="append", help="basins at once [default: 1, then 20]")
    parser.add_argument("--rounds", type=int, help="of each measurement [default: 3]")
    parser.add_argument("--share", type=float, default=1.0, help="of the usual number of messages [default: 1]")
    chosen = parser.parse_args(arguments)
    sizes = SIZES[:2] if chosen.quick else SIZES
    count = chosen.rounds or (1 if chosen.quick else 3)
    share = chosen.share * (0.25 if chosen.quick else 1)
    asked: list[Limit] = []
    print(EXPLAINED.format(count=count))
    for streams in chosen.streams or (1, 20):
        taking = basins(streams)
        sending = {size: messages(taking, max(int(MESSAGES[size] * share), 20), size) for size in sizes}
        found = measure_rounds(taking, sending, count)
        for size, rounds in found.items():
            report(f"{size} a message, streams: {streams}", rounds)
        report_stages(taking, sending, share)
        asked += limits(streams, found)
    report_alone(basins(1), max(int(200 * share), 5))
    print("", *asked, sep="\n")
    return 0 if all(limit.holds for limit in asked) else 1


if __name__ == "__main__":
    sys.exit(main())
