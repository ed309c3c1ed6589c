"""Publishes ready-made packets as fast as they are taken, never more under way than a node would have."""

from __future__ import annotations

import gc
import os
import select
import time
from collections.abc import Sequence
from typing import Any, Protocol

import msgspec

from soak.wire import Receipt, Topic, encode
from tests.bench.load import Basin, batches, readings
from tests.bench.raw_mqtt import PUBLISH, Connection, publish_packet
from tests.bench.subscribers import COUNT_BYTES
from tests.collector.kit import stream_id

READINGS_UNDER_WAY = 20_000
MESSAGES_UNDER_WAY = 2_000
"""Sent and not yet taken in: what a node allows itself."""

UNACKNOWLEDGED = 1_000
"""Sent and not yet acknowledged by the broker."""

_AT_ONCE = 100
_PATIENCE_S = 30
_AGAIN_S = 0.2

WARMING_UP = Basin("warming-up", "b1", "28-00000000ffff", stream_id(999_999))


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


def wait_ready(port: int) -> None:
    """Wait until the collector takes readings in: one of a basin that is not measured is sent until its receipt comes.

    A new collector first listens for others on its broker; that is not what is measured.
    """
    (batch,) = batches(WARMING_UP, readings(1, WARMING_UP.sensor), 1)
    packet = publish_packet(Topic.READINGS.of(WARMING_UP.node), encode(batch), 1)
    connection = Connection(port, "bench-warming-up", (Topic.RECEIPT.of(WARMING_UP.node),))
    began_s = sent_s = time.monotonic()
    connection.socket.sendall(packet)
    try:
        while time.monotonic() - began_s < _PATIENCE_S:
            select.select([connection], [], [], _AGAIN_S)
            if any(each.kind == PUBLISH for each in list(connection.packets())):
                return
            if time.monotonic() - sent_s >= _AGAIN_S:
                sent_s = time.monotonic()
                connection.socket.sendall(packet)
    finally:
        connection.close()
    raise SystemExit(f"The collector took nothing in within {_PATIENCE_S} s.")


class Receipts:
    """What the collector's receipts cover.

    Args:
        port: The broker's.
        nodes: Whose receipts.
        size: Readings in a message.
    """

    def __init__(self, port: int, nodes: set[str], size: int) -> None:
        topics = tuple(Topic.RECEIPT.of(node) for node in nodes)
        self._connection, self._size = Connection(port, "bench-receipts", topics), size
        self._covered: dict[str, int] = {}
        self._decoder = msgspec.json.Decoder(Receipt)

    def close(self) -> None:
        """Leave."""
        self._connection.close()

    def fileno(self) -> int:
        return self._connection.fileno()

    def messages(self) -> int:
        for packet in self._connection.packets():
            if packet.kind == PUBLISH:
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
