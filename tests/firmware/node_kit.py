"""For tests of the node: a collector's ear that answers with receipts, a 1-Wire tree to read from, a fast clock."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from firmware.node import Node
from firmware.scratchpad import crc8
from firmware.settings import Settings
from soak import wire
from soak.ranges import Ranges
from soak.reading import Reading
from soak.requirement import Requirement, SensorTerms


class Running:
    """A node in a thread of its own."""

    def __init__(self, settings: Settings, clock: SpeedyClock, on_ready: Callable[[], None] | None = None) -> None:
        self.node = Node(settings, clock, on_ready=on_ready)
        self._stop = threading.Event()
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.node.run(self._stop)
        except BaseException as error:
            self.failure = error

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive()


def orders_for(
    sensors: Mapping[str, Sequence[str]],
    *,
    contact_ms: int = 720_000,
    good_for_s: int = 86_400,
    version: int = 1,
    alarms: Sequence[wire.AlarmOrders] = (),
    load: wire.LoadOrders | None = None,
    sender: wire.Sender | None = None,
) -> bytes:
    """Orders for these basins with these sensors, as they travel: 20 °C at least."""
    basins = {
        basin: wire.BasinOrders(
            Requirement(20_000, contact_ms),
            dict.fromkeys(of_basin, SensorTerms(500)),
            good_for_s,
            load=load,
            alarms=list(alarms),
        )
        for basin, of_basin in sensors.items()
    }
    return wire.encode(wire.Orders(version, "e1", basins, sender))


class Receiver:
    """Listens to one node as the collector does: stores each reading once, answers with receipts while told to."""

    def __init__(
        self, port: int, node: str, *, answers: bool = True, retain: bool = True, answers_states: bool = False
    ) -> None:
        self.node, self.answers, self.retain, self.answers_states = node, answers, retain, answers_states
        self.readings: dict[str, dict[int, Reading]] = {}
        self.batches: list[wire.Batch] = []
        self.states: list[wire.State] = []
        self.raw: list[tuple[str, bytes, bool]] = []
        self.contradictions: list[str] = []
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe([(wire.PREFIX + node + "/#", 1)])
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        kind = wire.parse_topic(message.topic)[1]
        self.raw.append((message.topic, bytes(message.payload), message.retain))
        if kind is wire.Topic.STATE:
            self.states.append(wire.decode(kind, bytes(message.payload)))
            if self.answers_states:
                self.receipt()
        if kind is wire.Topic.READINGS:
            self.take(wire.decode(kind, bytes(message.payload)))

    def take(self, batch: wire.Batch) -> None:
        self.batches.append(batch)
        stored = self.readings.setdefault(batch.stream, {})
        for number, reading in enumerate(batch.readings, batch.first):
            if stored.setdefault(number, reading) != reading:
                self.contradictions.append(f"{batch.stream} {number}")
        if self.answers:
            self.receipt()

    def receipt(self) -> None:
        """Say what is stored."""
        streams = {stream: list(Ranges((n, n) for n in stored)) for stream, stored in self.readings.items()}
        self.publish(wire.Topic.RECEIPT, wire.encode(wire.Receipt(streams)))

    def publish(self, topic: wire.Topic, payload: bytes) -> None:
        self._client.publish(topic.of(self.node), payload, qos=1, retain=self.retain)

    def count(self) -> int:
        return sum(len(stored) for stored in self.readings.values())

    def dense(self) -> bool:
        """Every stream begins at 1 and has no hole."""
        return all(sorted(stored) == list(range(1, len(stored) + 1)) for stored in self.readings.values())

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def w1_slave(sixteenths: int) -> str:
    """What the kernel prints (w1_therm documentation) for a temperature in sixteenths of a degree."""
    data = sixteenths.to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff1010")
    raw = (data + bytes([crc8(data)])).hex(" ")
    return f"{raw} : crc={raw[-2:]} YES\n{raw} t={int(sixteenths * 1000 / 16)}\n"


class Tree:
    """The kernel's folder of 1-Wire devices; files change in one step, as the kernel's do."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder

    def set(self, sensor: str, content: str | int) -> None:
        """Give a sensor's file this text, or this temperature in sixteenths of a degree."""
        (self.folder / sensor).mkdir(exist_ok=True)
        new = self.folder / f"{sensor}.new"
        new.write_text(w1_slave(content) if isinstance(content, int) else content)
        new.rename(self.folder / sensor / "w1_slave")


class SpeedyClock:
    """A node's clocks, so many times faster than real time; the wall clock can be stepped."""

    def __init__(self, boot_id: str, speed: int = 20) -> None:
        self.boot_id, self.speed, self.step_ms, self.in_step = boot_id, speed, 0, True
        self._origin_ns = time.monotonic_ns()

    def boot_ms(self) -> int:
        return (time.monotonic_ns() - self._origin_ns) * self.speed // 1_000_000

    def utc_ms(self) -> int:
        return 1_700_000_000_000 + self.step_ms + self.boot_ms()

    def synced(self) -> bool:
        return self.in_step

    def real_s(self, ms: int) -> float:
        return ms / 1000 / self.speed
