"""Publishes ready-made packets as fast as they are taken, never more under way than a node would have."""

from __future__ import annotations

import gc
import os
import select
import time
from collections.abc import Sequence
from typing import Any, Protocol

import msgspec

from soak.wire import Receipt
from tests.bench.raw_mqtt import PUBLISH, Connection
from tests.bench.subscribers import COUNT_BYTES

READINGS_UNDER_WAY = 20_000
MESSAGES_UNDER_WAY = 2_000
"""Sent and not yet taken in: what a node allows itself."""

UNACKNOWLEDGED = 1_000
"""Sent and not yet acknowledged by the broker."""

_AT_ONCE = 100
_PATIENCE_S = 30


class Progress(Protocol):
    """How far the other side is; `fileno` says where news of it come in."""

    def fileno(self) -> int: ...

    def messages(self) -> int:
        """How many messages are done with."""


class Counted:
    """What a subscriber of `tests.bench.subscribers` says in its pipe."""

    def __init__(self, pipe: Any) -> None:
        self._pipe, self._done = pipe, -1

    def wait(self) -> None:
        """Wait until it listens."""
        select.select([self], [], [], _PATIENCE_S)
        assert self.messages() == 0, "the subscriber did not start"

    def fileno(self) -> int:
        return int(self._pipe.fileno())

    def messages(self) -> int:
        said = os.read(self.fileno(), 1 << 16)
        if said:
            self._done = int.from_bytes(said[-COUNT_BYTES:], "big")
        return self._done


def wait_orders(connection: Connection, nodes: int) -> None:
    """Wait until the collector has sent orders to so many nodes: then it listens."""
    count = 0
    while count < nodes:
        assert select.select([connection], [], [], _PATIENCE_S)[0], "no orders came"
        count += sum(packet.kind == PUBLISH and packet.topic.endswith("/orders") for packet in connection.packets())


class Receipts:
    """What the collector's receipts cover.

    Args:
        port: The broker's.
        size: Readings in a message.
    """

    def __init__(self, port: int, size: int) -> None:
        topics = ("soakledger/1/+/receipt", "soakledger/1/+/orders")
        self._connection, self._size = Connection(port, "bench-receipts", topics), size
        self._covered: dict[str, int] = {}
        self._decoder = msgspec.json.Decoder(Receipt)
        self.count = 0

    def wait_ready(self, nodes: int) -> None:
        """Wait for the orders of so many nodes."""
        wait_orders(self._connection, nodes)

    def close(self) -> None:
        """Leave."""
        self._connection.close()

    def fileno(self) -> int:
        return self._connection.fileno()

    def messages(self) -> int:
        for packet in self._connection.packets():
            if packet.kind == PUBLISH and packet.topic.endswith("/receipt"):
                self.count += 1
                for stream, ranges in self._decoder.decode(packet.payload).streams.items():
                    self._covered[stream] = sum(last - first + 1 for first, last in ranges)
        return sum(self._covered.values()) // self._size


def under_way(size: int) -> int:
    """Messages of so many readings that may be under way."""
    return min(MESSAGES_UNDER_WAY, READINGS_UNDER_WAY // size)


def publish(port: int, packets: Sequence[bytes], size: int, progress: Progress | None) -> float:
    """Publish messages until the other side is done with all of them.

    Args:
        port: The broker's.
        packets: One for each message.
        size: Readings in each.
        progress: The other side. None: nobody listens, the broker's acknowledgement is all there is to wait for.

    Returns:
        Seconds from the first byte sent to the last message done with.
    """
    most = under_way(size)
    connection = Connection(port, "bench-publisher")
    readable: list[Any] = [connection.socket] if progress is None else [connection.socket, progress]
    sent, acknowledged, done, waiting = 0, 0, 0, memoryview(b"")
    gc.collect()
    gc.disable()
    began_s = time.perf_counter()
    try:
        while done < len(packets):
            room = min(len(packets), done + most, acknowledged + UNACKNOWLEDGED, sent + _AT_ONCE)
            if not waiting and room > sent:
                waiting = memoryview(b"".join(packets[sent:room]))
                sent = room
            ready, writable, _ = select.select(readable, [connection.socket] if waiting else [], [], _PATIENCE_S)
            if not ready and not writable:
                raise SystemExit(f"Nothing more was taken in after {done} of {len(packets)} messages.")
            if writable:
                waiting = waiting[connection.socket.send(waiting) :]
            if connection.socket in ready:
                acknowledged += connection.acknowledged()
            if progress is None:
                done = acknowledged
            elif progress in ready:
                done = progress.messages()
        return time.perf_counter() - began_s
    finally:
        gc.enable()
        connection.close()
