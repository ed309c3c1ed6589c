"""What a node says to the collector and takes from it: readings until receipts cover them, how it is, its orders.

No thread, no queue, no connection: whoever drives it tells it what happened and the time, and lends it a way to send.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable, Sequence
from typing import NamedTuple

from firmware.clock import Clock, stamp
from firmware.source import Source
from firmware.window import Offer, Parcel, Window
from soak import wire
from soak.ranges import Ranges

log = logging.getLogger(__name__)

STATE_EVERY_MS = 10_000
MOST_UNTAKEN = 32
"""Messages handed to the client that the broker has not taken yet; they are in memory."""

MOST_STREAMS = 1_000
"""Streams in one state message, by its declaration."""

Send = Callable[[str, bytes, bool], int]
"""Hands a message over, to be delivered at least once: full topic, payload, retained. Gives what `Taken` will name."""


class Connected(NamedTuple):
    """The broker accepted us, and we asked for what concerns us."""


class Disconnected(NamedTuple):
    """The connection is gone or was refused."""

    reason: str


class Renewed(NamedTuple):
    """The client was built anew: what the old one had not delivered is gone, and so are the names of its messages."""


class Arrived(NamedTuple):
    """A message came."""

    topic: str
    payload: bytes


class Taken(NamedTuple):
    """The broker has a message of ours; that says nothing about the collector."""

    message: int


Event = Connected | Disconnected | Renewed | Arrived | Taken


class OrdersInHand(NamedTuple):
    """The newest orders.

    Attributes:
        orders: As they came.
        received_ms: When, in milliseconds of the node's clock: each part is good for so many seconds from then.
    """

    orders: wire.Orders
    received_ms: int


class Conversation:
    """The node's conversation with the collector. `now_ms` is milliseconds of any clock that only rises.

    Args:
        node: The node's name.
        clock: The node's clocks: for what is said about times, not for how often it is said.
        sources: What is to be sent, oldest first; the last one is the node's own outbox.
        sensors: How the node's sensors are now.
        version: This software's.
        window: What may be under way at a time.
        send: How to say something.

    Attributes:
        orders: The newest orders, None before any came. Replaced whole.
        refused: How many messages were not taken in, by reason.
        connected: The broker listens.
    """

    def __init__(
        self,
        node: str,
        clock: Clock,
        sources: Sequence[Source],
        sensors: Callable[[], list[wire.SensorSeen]],
        *,
        version: str = "",
        window: Window | None = None,
        send: Send,
    ) -> None:
        self.orders: OrdersInHand | None = None
        self.refused: Counter[str] = Counter()
        self.connected = False
        self._node, self._clock, self._sources, self._sensors = node, clock, list(sources), sensors
        self._version, self._send_one, self._window = version, send, window or Window()
        self._link_said = ""
        self._untaken: set[int] = set()
        self._owners: dict[str, Source] = {}
        self._stated: object = None  # what the last state message said beside times and counts
        self._stated_ms = 0

    def handle(self, event: Event, now_ms: int) -> None:
        """Take in what happened."""
        match event:
            case Connected():
                self.connected, self._stated = True, None
                self._window.connected(now_ms)
                self._say_link("connected")
            case Disconnected(reason):
                self.connected = False
                self._say_link(reason)
            case Renewed():
                self.connected = False
                self._untaken.clear()
            case Taken(message):
                self._untaken.discard(message)
            case Arrived(topic, payload):
                self._take_in(topic, payload, now_ms)

    def speak(self, now_ms: int) -> None:
        """Say whatever is due, if the broker listens."""
        if self.connected:
            held = [(source, source.streams()) for source in self._sources]
            self._say_state(held, now_ms)
            self._say_readings(held, now_ms)

    def next_due_ms(self, now_ms: int) -> int | None:
        """When to `speak` again if nothing happens before, `now_ms` at the earliest; None while nobody listens."""
        if not self.connected:
            return None
        resend_ms = self._window.next_due_ms()
        due_ms = self._stated_ms + STATE_EVERY_MS
        return max(now_ms, due_ms if resend_ms is None else min(due_ms, resend_ms))

    def _say_link(self, said: str) -> None:
        if said != self._link_said:  # once per change, not per attempt
            (log.info if self.connected else log.warning)("uplink %s", said)
            self._link_said = said

    def _take_in(self, topic: str, payload: bytes, now_ms: int) -> None:
        try:
            message = wire.decode(wire.parse_topic(topic)[1], payload)
            if isinstance(message, wire.Receipt):
                self._take_receipt(message, now_ms)
            elif isinstance(message, wire.Orders):
                self._take_orders(message)
        except wire.UnreadableError as error:
            self._refuse(error.reason, f"topic={topic} problem={error.detail!r}")

    def _take_receipt(self, receipt: wire.Receipt, now_ms: int) -> None:
        for stream, ranges in receipt.streams.items():
            source = self._owners.get(stream)
            if source is None:
                continue  # a stream that has been released altogether
            released = self._window.receipt(stream, ranges, now_ms)
            if Ranges(released) != Ranges(ranges):
                self._refuse("receipt-ahead", f"stream={stream} problem='covers readings that were never sent'")
            source.release(stream, released)

    def _take_orders(self, orders: wire.Orders) -> None:
        known = self.orders.orders if self.orders else None
        if known and known.epoch == orders.epoch and orders.version < known.version:
            self._refuse("orders-old", f"version={orders.version} known={known.version}")
            return
        self.orders = OrdersInHand(orders, self._clock.boot_ms())

    def _refuse(self, reason: str, detail: str) -> None:
        self.refused[reason] += 1
        if self.refused[reason] == 1:
            log.warning("uplink refused reason=%s %s; further ones are only counted", reason, detail)

    def _say_state(self, held: Sequence[tuple[Source, list[wire.HeldStream]]], now_ms: int) -> None:
        """Every ten seconds, and when streams or sensors have changed."""
        streams, sensors = listed([stream for _, streams in held for stream in streams]), self._sensors()
        stated = [stream.stream for stream in streams], sensors
        if stated == self._stated and now_ms < self._stated_ms + STATE_EVERY_MS:
            return
        state = wire.State(
            up=True,
            version=self._version,
            boot=self._clock.boot_id,
            clock=stamp(self._clock),
            streams=streams,
            sensors=sensors,
            outbox=sum(source.held(stream.stream).count() for source, streams in held for stream in streams),
        )
        self._send_one(wire.Topic.STATE.of(self._node), wire.encode(state), True)
        self._stated, self._stated_ms = stated, now_ms

    def _say_readings(self, held: Sequence[tuple[Source, list[wire.HeldStream]]], now_ms: int) -> None:
        self._owners = {stream.stream: source for source, streams in held for stream in streams}
        if len(self._untaken) >= MOST_UNTAKEN:
            return
        current = _newest(held[-1][1])  # only the node's own outbox is being written
        offers = [Offer(name, source.held(name), name in current) for name, source in self._owners.items()]
        for parcel in self._window.plan(now_ms, offers):
            if len(self._untaken) >= MOST_UNTAKEN:
                return
            batch, payload = self._batch(parcel)
            self._untaken.add(self._send_one(wire.Topic.READINGS.of(self._node), payload, False))
            self._window.sent(Parcel(batch.stream, batch.first, batch.last), now_ms)

    def _batch(self, parcel: Parcel) -> tuple[wire.Batch, bytes]:
        """Its readings, or as many of the first as fit into one message."""
        most = parcel.last - parcel.first + 1
        while True:
            batch = self._owners[parcel.stream].batch(parcel.stream, parcel.first, most)
            payload = wire.encode(batch)
            if most == 1 or len(payload) <= wire.LARGEST_MESSAGE_BYTES:
                return batch, payload
            most = max(1, len(batch.readings) // 2)


def _newest(streams: Sequence[wire.HeldStream]) -> set[str]:
    """The stream that is being written, of each basin: its last."""
    return set({held.basin: held.stream for held in streams}.values())


def listed(streams: list[wire.HeldStream]) -> list[wire.HeldStream]:
    """As many as one message takes: the oldest, of which the collector may have a part, and those being written."""
    if len(streams) <= MOST_STREAMS:
        return streams
    newest = _newest(streams)
    older = [held for held in streams if held.stream not in newest]
    return older[: MOST_STREAMS - len(newest)] + [held for held in streams if held.stream in newest]
