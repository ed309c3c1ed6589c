"""A real collector process and a node's side of the conversation, for tests and measurements."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from soak.ranges import Ranges
from soak.wire import Batch, Orders, Receipt, State, Topic, decode, encode

SETTINGS = """site = "Clinic at the Mill"

[broker]
port = {port}

[[basin]]
node = "{node}"
name = "b1"
label = "Basin 1"
[basin.sensors."28-00000000000a"]
u_c = 0.5
[basin.requirement]
min_temp_c = 20
contact = "12m"
since = 2026-03-01T00:00:00Z
"""


class CollectorProcess:
    """`soakledger collector` as a process of its own; what it says is kept in a file."""

    def __init__(self, folder: Path, port: int, node: str = "n1", settings: str | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.data_dir, self.log_file, self._settings = folder / "data", folder / "log", folder / "collector.toml"
        self._settings.write_text(settings or SETTINGS.format(port=port, node=node))
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; returns at once."""
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "soakledger", "collector", *self.options()],
                stderr=log,
                stdout=log,
                env=os.environ | {"PYTHONWARNINGS": "error::ResourceWarning"},
            )

    def options(self) -> Sequence[str]:
        """What it is started with."""
        return ["--settings", str(self._settings), "--data", str(self.data_dir)]

    def end(self, signal_number: int = signal.SIGTERM) -> int:
        """Signal it and wait; its exit status."""
        assert self.process
        self.process.send_signal(signal_number)
        status = self.process.wait(20)
        self.process = None
        return status

    def log(self) -> str:
        """What it has said so far."""
        return self.log_file.read_text() if self.log_file.exists() else ""

    def close(self) -> None:
        """End it if it still runs."""
        if self.process and self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)


class NodeSide:
    """A node as the broker sees it: publishes what it is told to, remembers what receipts and orders say."""

    def __init__(self, port: int, node: str = "n1", *, will: State | None = None) -> None:
        self.node, self.covered, self.orders = node, dict[str, Ranges](), list[Orders]()
        self.receipts = 0
        self._changed = threading.Condition()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(1_000)
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        if will:
            self._client.will_set(Topic.STATE.of(node), encode(will), qos=1, retain=True)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe([(Topic.RECEIPT.of(self.node), 1), (Topic.ORDERS.of(self.node), 1)])

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        content = decode(Topic(message.topic.rpartition("/")[2]), message.payload)
        with self._changed:
            if isinstance(content, Receipt):
                self.receipts += 1
                for stream, ranges in content.streams.items():
                    covered = self.covered.setdefault(stream, Ranges())
                    for first, last in ranges:
                        covered.add(first, last)
            elif isinstance(content, Orders):
                self.orders.append(content)
            self._changed.notify_all()

    def send(self, *contents: Batch | State) -> None:
        """Publish messages, QoS 1."""
        for content in contents:
            topic = Topic.READINGS if isinstance(content, Batch) else Topic.STATE
            self.publish(topic.of(self.node), encode(content), retain=isinstance(content, State))

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish anything."""
        self._client.publish(topic, payload, qos=1, retain=retain)

    def wait_covered(self, stream: str, last: int, seconds: float = 60) -> None:
        """Wait until receipts cover a stream up to a number."""
        with self._changed:
            done = self._changed.wait_for(lambda: self._covers(stream, last), seconds)
        assert done, f"receipts cover only {self.covered.get(stream)} of {last}"

    def wait_orders(self, seconds: float = 60) -> Orders:
        """Wait for orders; the newest."""
        with self._changed:
            assert self._changed.wait_for(lambda: self.orders, seconds), "no orders came"
            return self.orders[-1]

    def _covers(self, stream: str, last: int) -> bool:
        return not self.covered.get(stream, Ranges()).missing(1, last)

    def close(self, *, cut_off: bool = False) -> None:
        """Leave; cut off, the broker publishes its last will."""
        if cut_off:
            self._client.socket().close()  # type: ignore[union-attr]
        else:
            self._client.disconnect()
        self._client.loop_stop()
