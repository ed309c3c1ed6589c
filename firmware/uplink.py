"""Sends what the sources hold until receipts cover it, says how the node is, and takes in receipts and orders.

Everything here happens in one thread; whatever other threads have to say comes through one queue.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from typing import NamedTuple

from firmware.clock import Clock, stamp
from firmware.link import Arrived, Connected, Disconnected, Event, Link, Taken
from firmware.settings import Settings
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

_LEAST_WAIT_S = 0.02  # when something is due that the broker takes no messages for


class Wake(NamedTuple):
    """There is something to send."""


class Close(NamedTuple):
    """Say goodbye and end."""


class OrdersInHand(NamedTuple):
    """The newest orders.

    Attributes:
        orders: As they came.
        received_ms: When, in milliseconds of the node's clock: each part is good for so many seconds from then.
    """

    orders: wire.Orders
    received_ms: int


class Uplink:
    """The node's conversation with the collector.

    Args:
        settings: The node's name and its broker.
        clock: The node's clocks; how often things are said and repeated is real time.
        sources: What is to be sent, oldest first; the last one is the node's own outbox.
        sensors: How the node's sensors are now.
        version: This software's.
        window: What may be under way at a time.

    Attributes:
        orders: The newest orders, None before any came. Replaced whole.
        refused: How many messages were not taken in, by reason.

    Raises:
        LinkError: A file named in the settings cannot be used.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        sources: Sequence[Source],
        sensors: Callable[[], list[wire.SensorSeen]],
        *,
        version: str = "",
        window: Window | None = None,
    ) -> None:
        self.orders: OrdersInHand | None = None
        self.refused: Counter[str] = Counter()
        self._clock, self._sources, self._sensors, self._version = clock, list(sources), sensors, version
        self._window = window or Window()
        self._events: queue.SimpleQueue[Event | Wake | Close] = queue.SimpleQueue()
        self._link = Link(settings.node, settings.broker, self._events)
        self._thread = threading.Thread(target=self._run, name="uplink", daemon=True)
        self._failure: Exception | None = None
        self._connected = False
        self._link_said = ""
        self._untaken: set[int] = set()
        self._owners: dict[str, Source] = {}
        self._stated: object = None  # what the last state message said beside times and counts
        self._stated_ms = 0

    def start(self) -> None:
        """Begin."""
        self._link.start()
        self._thread.start()

    def wake(self) -> None:
        """A source holds something new. May be called from any thread."""
        self._events.put(Wake())

    def check(self) -> None:
        """Raise what ended the conversation, if anything did."""
        if self._failure:
            raise self._failure

    def close(self) -> None:
        """Send what is fresh, say goodbye, end. What no receipt covers stays with its source."""
        self._events.put(Close())
        if self._thread.is_alive():
            self._thread.join()
        self._link.close()

    def _run(self) -> None:
        try:
            going = True
            while going:
                going = self._handled(self._next_events())
                if self._connected:
                    held = [(source, source.streams()) for source in self._sources]
                    self._say_state(held)
                    self._send(held)
        except Exception as error:
            log.exception("uplink ended")
            self._failure = error
        finally:
            if self._connected:
                self._link.goodbye()

    def _next_events(self) -> list[Event | Wake | Close]:
        """Wait for something to happen or to be due; everything that has happened by then."""
        due_ms = [self._stated_ms + STATE_EVERY_MS]
        if (resend_ms := self._window.next_due_ms()) is not None:
            due_ms.append(resend_ms)
        try:
            wait_s = max(_LEAST_WAIT_S, (min(due_ms) - _now_ms()) / 1000) if self._connected else None
            events = [self._events.get(timeout=wait_s)]
        except queue.Empty:
            return []
        while not self._events.empty():
            events.append(self._events.get())
        return events

    def _handled(self, events: Sequence[Event | Wake | Close]) -> bool:
        """Take in what happened; False when it is time to end."""
        for event in events:
            match event:
                case Connected():
                    self._connected, self._stated = True, None
                    self._window.connected(_now_ms())
                    self._say_link("connected")
                case Disconnected(reason):
                    self._connected = False
                    self._say_link(reason)
                case Taken(message):
                    self._untaken.discard(message)
                case Arrived(topic, payload):
                    self._take_in(topic, payload)
        return not any(isinstance(event, Close) for event in events)

    def _say_link(self, said: str) -> None:
        if said != self._link_said:  # once per change, not per attempt
            (log.info if self._connected else log.warning)("uplink %s", said)
            self._link_said = said

    def _take_in(self, topic: str, payload: bytes) -> None:
        try:
            message = wire.decode(wire.parse_topic(topic)[1], payload)
            if isinstance(message, wire.Receipt):
                self._take_receipt(message)
            elif isinstance(message, wire.Orders):
                self._take_orders(message)
        except wire.UnreadableError as error:
            self._refuse(error.reason, f"topic={topic} problem={error.detail!r}")

    def _take_receipt(self, receipt: wire.Receipt) -> None:
        for stream, ranges in receipt.streams.items():
            source = self._owners.get(stream)
            if source is None:
                continue  # a stream that has been released altogether
            released = self._window.receipt(stream, ranges, _now_ms())
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

    def _say_state(self, held: Sequence[tuple[Source, list[wire.HeldStream]]]) -> None:
        """Every ten seconds, and when streams or sensors have changed."""
        streams, sensors = _listed([stream for _, streams in held for stream in streams]), self._sensors()
        stated = [stream.stream for stream in streams], sensors
        if stated == self._stated and _now_ms() < self._stated_ms + STATE_EVERY_MS:
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
        self._link.publish(wire.Topic.STATE, wire.encode(state), retain=True)
        self._stated, self._stated_ms = stated, _now_ms()

    def _send(self, held: Sequence[tuple[Source, list[wire.HeldStream]]]) -> None:
        self._owners = {stream.stream: source for source, streams in held for stream in streams}
        if len(self._untaken) >= MOST_UNTAKEN:
            return
        current = _newest(held[-1][1])  # only the node's own outbox is being written
        offers = [Offer(name, source.held(name), name in current) for name, source in self._owners.items()]
        for parcel in self._window.plan(_now_ms(), offers):
            if len(self._untaken) >= MOST_UNTAKEN:
                return
            batch, payload = self._batch(parcel)
            self._untaken.add(self._link.publish(wire.Topic.READINGS, payload))
            self._window.sent(Parcel(batch.stream, batch.first, batch.last), _now_ms())

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


def _listed(streams: list[wire.HeldStream]) -> list[wire.HeldStream]:
    """As many as one message takes: the oldest, of which the collector may have a part, and those being written."""
    if len(streams) <= MOST_STREAMS:
        return streams
    newest = _newest(streams)
    older = [held for held in streams if held.stream not in newest]
    return older[: MOST_STREAMS - len(newest)] + [held for held in streams if held.stream in newest]


def _now_ms() -> int:
    return time.monotonic_ns() // 1_000_000
