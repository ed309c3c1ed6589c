"""Somebody at the broker who holds every receipt against the collector's disk in the moment in which it comes."""

from __future__ import annotations

import sqlite3
import threading
from collections import defaultdict
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.schema import FILE_NAME
from soak import wire
from soak.ranges import Ranges

_STORED = """SELECT first, last FROM page JOIN stream s ON s.id = page.stream_id WHERE s.stream = ?1
             UNION ALL SELECT first, last FROM batch JOIN stream s ON s.id = batch.stream_id WHERE s.stream = ?1"""
_MOST_PROBLEMS = 20


def promised_too_much(database: sqlite3.Connection, receipt: wire.Receipt, known: dict[str, Ranges]) -> list[str]:
    """What a receipt covers and the disk does not have.

    Args:
        database: The collector's, as somebody else sees it: only what was committed.
        receipt: The receipt.
        known: What the disk is known to have, by stream; added to.
    """
    problems = []
    for stream, ranges in receipt.streams.items():
        if all(not known[stream].missing(*each) for each in ranges):
            continue
        known[stream] = Ranges(database.execute(_STORED, (stream,)).fetchall())
        missing = [piece for each in ranges for piece in known[stream].missing(*each)]
        if missing:
            problems.append(f"a receipt covers {missing} of stream {stream[:8]}, and the disk does not have them")
    return problems


class Observer:
    """Listens to receipts.

    Args:
        port: The broker's own, without a proxy.
        data_dir: The collector's data folder.

    Attributes:
        receipts: How many came.
        problems: What was wrong with them.
    """

    def __init__(self, port: int, data_dir: Path) -> None:
        self.receipts = 0
        self.problems: list[str] = []
        self._port, self._file = port, data_dir / FILE_NAME
        self._known: defaultdict[str, Ranges] = defaultdict(Ranges)
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{wire.PREFIX}+/{wire.Topic.RECEIPT}", 1)
        self._client.on_message = self._on_message
        self._thread = threading.Thread(target=self._work, name="observer")

    def start(self) -> None:
        """Begin to listen, and to connect again whenever the broker comes back."""
        self._thread.start()

    def close(self) -> None:
        """End."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def _work(self) -> None:
        while not self._stop.is_set():
            try:
                self._client.connect("127.0.0.1", self._port, 10)
                while not self._stop.is_set() and self._client.loop(0.2) == mqtt.MQTT_ERR_SUCCESS:
                    pass
            except OSError:  # the broker is down
                self._stop.wait(0.1)
            except Exception as error:  # an observer that is gone unseen would see nothing wrong
                self._note([f"the observer failed: {error!r}"])
                self._stop.wait(0.1)
        if (held := self._client.socket()) is not None:
            self._client.disconnect()
            held.close()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        receipt = wire.decode(wire.Topic.RECEIPT, bytes(message.payload))
        assert isinstance(receipt, wire.Receipt)
        self.receipts += 1
        with closing(sqlite3.connect(f"{self._file.as_uri()}?mode=ro", uri=True, timeout=10)) as database:
            self._note(promised_too_much(database, receipt, self._known))

    def _note(self, problems: list[str]) -> None:
        self.problems += problems[: _MOST_PROBLEMS - len(self.problems)]
