"""The whole chain, from publish to receipt: a real Mosquitto, a real collector process, a real disk.

`python -m tests.bench.bench_chain [--readings N]` prints tables: readings per second and the collector's processor time
for messages of several sizes, beside a bare subscriber that only counts the same messages, all in one run. Nothing here
is a test: the figures depend on the machine, their ratios less so.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from soak.quantity import utc_text
from soak.reading import Lid, Reading, Why
from soak.wire import Batch, Clock, Topic, encode
from tests.collector.kit import BOOT, BOOTED_UTC_MS, SENSOR, cpu_ms, stream_id
from tests.collector.running import CollectorProcess, NodeSide
from tests.conftest import Broker

SIZES = (1, 10, 500)
UNDER_WAY = 20_000
"""Readings sent that no receipt covers yet, as a node limits itself."""

MESSAGES_UNDER_WAY = 2_000
BARE_TOPIC = "bare/readings"

BARE = """
import sys
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
left = int(sys.argv[2])
def on_message(client, data, message):
    global left
    left -= 1
    if not left:
        client.publish("bare/done", b"", qos=1, retain=True)
client = mqtt.Client(CallbackAPIVersion.VERSION2)
client.on_message = on_message
client.on_connect = lambda c, *_: c.subscribe("bare/readings", 1)
client.on_subscribe = lambda c, *_: c.publish("bare/ready", b"", qos=1, retain=True)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()
"""


class Measured(NamedTuple):
    """What one way of taking messages needed."""

    seconds: float
    cpu_us: float  # processor time per reading, microseconds


def day(count: int, seed: int = 1) -> list[Reading]:
    """Readings once a second: twelve minutes and a bit closed, half a minute open, a step of noise now and then."""
    chance, mc, readings = random.Random(seed), 21_250, []
    for number in range(count):
        if chance.random() < 0.05:
            mc += chance.choice([-62, 63, -63, 62])
        lid = Lid.OPEN if number % 780 < 30 else Lid.CLOSED
        readings.append(Reading(1_000 * (number + 1) + chance.randint(0, 3), Why.TICK, lid, {SENSOR: mc}))
    return readings


def messages(readings: Sequence[Reading], size: int, stream: str) -> list[Batch]:
    """The readings in messages of so many."""
    batches = []
    for start in range(0, len(readings), size):
        part = list(readings[start : start + size])
        clock = Clock(part[-1].ms, utc_text(BOOTED_UTC_MS + part[-1].ms), synced=True)
        batches.append(Batch(stream, "b1", BOOT, start + 1, clock, part))
    return batches


def through_collector(node: NodeSide, collector: CollectorProcess, batches: Sequence[Batch]) -> Measured:
    """Publish as a node does, no more than so much under way, until receipts cover everything."""
    assert collector.process
    stream, window = batches[0].stream, min(UNDER_WAY, MESSAGES_UNDER_WAY * len(batches[0].readings))
    payloads = [encode(batch) for batch in batches]
    cpu_before_ms, began_s = cpu_ms(collector.process.pid), time.perf_counter()
    for batch, payload in zip(batches, payloads, strict=True):
        if batch.last > window:
            node.wait_covered(stream, batch.last - window, 300)
        node.publish(Topic.READINGS.of(node.node), payload)
    node.wait_covered(stream, batches[-1].last, 300)
    seconds = time.perf_counter() - began_s
    return Measured(seconds, (cpu_ms(collector.process.pid) - cpu_before_ms) * 1_000 / batches[-1].last)


def through_bare_subscriber(port: int, batches: Sequence[Batch]) -> Measured:
    """Publish the same to a process that only counts the messages."""
    payloads = [encode(batch) for batch in batches]
    program = [sys.executable, "-c", BARE, str(port), str(len(payloads))]
    with listening(port) as (client, heard), subprocess.Popen(program) as process:
        heard["bare/ready"].wait()
        cpu_before_ms, began_s = cpu_ms(process.pid), time.perf_counter()
        for payload in payloads:
            client.publish(BARE_TOPIC, payload, qos=1)
        heard["bare/done"].wait()
        seconds, used_ms = time.perf_counter() - began_s, cpu_ms(process.pid) - cpu_before_ms
        process.terminate()
    return Measured(seconds, used_ms * 1_000 / batches[-1].last)


@contextmanager
def listening(port: int) -> Iterator[tuple[mqtt.Client, dict[str, threading.Event]]]:
    """A client that notes when the bare subscriber is ready and done."""
    heard = {"bare/ready": threading.Event(), "bare/done": threading.Event()}

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.payload == b"" and not message.retain:
            heard[message.topic].set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1_000)
    client.on_message = on_message
    subscribed = threading.Event()
    client.on_connect = lambda c, *_: c.subscribe("bare/+", 1)
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    subscribed.wait()
    yield client, heard
    client.disconnect()
    client.loop_stop()


def latencies_ms(node: NodeSide, readings: Sequence[Reading], stream: str) -> list[float]:
    """Live readings one at a time: from publish to receipt, milliseconds each."""
    found = []
    for batch in messages(readings, 1, stream):
        began_s = time.perf_counter()
        node.send(batch)
        node.wait_covered(stream, batch.last)
        found.append((time.perf_counter() - began_s) * 1_000)
        time.sleep(0.03)
    return sorted(found)


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--readings", type=int, default=50_000, help="per size of message [default: 50000]")
    most = parser.parse_args().readings
    with tempfile.TemporaryDirectory() as folder:
        broker = Broker(Path(folder) / "broker")
        collector = CollectorProcess(Path(folder) / "collector", broker.port)
        collector.start()
        node = NodeSide(broker.port)
        try:
            node.wait_orders()
            report(broker, collector, node, most)
        finally:
            collector.end()
            node.close()
            broker.stop()
        file = collector.data_dir / "soakledger.sqlite"
        total = sum(last for last in (node.covered[stream].last or 0 for stream in node.covered))
        print(f"\nOn disk: {file.stat().st_size / total:.1f} bytes a reading, everything included.")


def report(broker: Broker, collector: CollectorProcess, node: NodeSide, most: int) -> None:
    """One line for each size of message, then the latency of single readings."""
    print(f"{most:,} readings for each size of message, from publish to receipt (bare: to the last message counted)\n")
    head = ("readings", "messages", "collector", "collector", "bare", "bare", "CPU to")
    units = ("a message", "a second", "readings/s", "CPU µs/reading", "readings/s", "CPU µs/reading", "bare")
    for line in (head, units):
        print("".join(f"{cell:>16}" for cell in line))
    for index, size in enumerate(SIZES, start=1):
        batches = messages(day(most), size, stream_id(index))
        ours = through_collector(node, collector, batches)
        bare = through_bare_subscriber(broker.port, batches)
        cells = (
            f"{size}",
            f"{len(batches) / ours.seconds:,.0f}",
            f"{most / ours.seconds:,.0f}",
            f"{ours.cpu_us:.1f}",
            f"{most / bare.seconds:,.0f}",
            f"{bare.cpu_us:.1f}",
            f"{ours.cpu_us / bare.cpu_us:.1f} x" if bare.cpu_us else "-",
        )
        print("".join(f"{cell:>16}" for cell in cells), flush=True)
    found = latencies_ms(node, day(200), stream_id(99))
    print(
        f"\nA live reading by itself, publish to receipt: median {statistics.median(found):.0f} ms, "
        f"99 of 100 within {found[int(len(found) * 0.99) - 1]:.0f} ms."
    )


if __name__ == "__main__":
    main()
