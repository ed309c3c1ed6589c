"""What the collector is measured beside: two subscribers, each a process of its own.

`python -m tests.bench.subscribers bare PORT MESSAGES EVERY` only counts. `... script PORT MESSAGES EVERY FILE` is what
a practitioner would write: each message parsed, each of its readings a row, one commit per message, with the
collector's own settings of the database (write-ahead log, `synchronous = FULL`): without them it would promise less
than a receipt does.

Both write the number of messages they are done with to standard output, eight bytes each time: after so many, as seldom
as the publisher can do with, for a write costs about as much as a message.
"""

from __future__ import annotations

import json
import os
import sqlite3
import sys
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

FILTER = "soakledger/1/+/readings"
COUNT_BYTES = 8


def bare() -> Callable[[bytes], None]:
    """Does nothing with a message."""
    return lambda _payload: None


def script(file: str) -> Callable[[bytes], None]:
    """Parses a message and commits its readings as rows."""
    database = sqlite3.connect(file, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute(
        """CREATE TABLE reading (stream TEXT, basin TEXT, number INTEGER, utc TEXT, ms INTEGER, why TEXT, lid TEXT,
           sensor TEXT, mc INTEGER)"""
    )

    def insert(payload: bytes) -> None:
        content = json.loads(payload)
        database.execute("BEGIN")
        for number, reading in enumerate(content["readings"], content["first"]):
            for sensor, mc in reading["mc"].items():
                database.execute(
                    "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        *(content["stream"], content["basin"], number, content["clock"]["utc"]),
                        *(reading["ms"], reading["why"], reading["lid"], sensor, mc),
                    ),
                )
        database.execute("COMMIT")

    return insert


def run(port: int, total: int, every: int, take: Callable[[bytes], None]) -> None:
    """Take messages in for ever; one is done with when `take` returns."""
    done = 0

    def say() -> None:
        os.write(sys.stdout.fileno(), done.to_bytes(COUNT_BYTES, "big"))

    def subscribe(client: mqtt.Client, *_: Any) -> None:
        client.subscribe(FILTER, 1)

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal done
        take(bytes(message.payload))
        done += 1
        if not done % every or done == total:
            say()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    client.on_connect = subscribe
    client.on_subscribe = lambda *_: say()
    client.connect("127.0.0.1", port)
    client.loop_forever()


if __name__ == "__main__":
    kind, broker_port, messages, between, *files = sys.argv[1:]
    run(int(broker_port), int(messages), int(between), script(*files) if kind == "script" else bare())
