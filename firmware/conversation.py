"""What a node says to the collector and takes from it: readings until receipts cover them, how it is, its orders.

No thread, no queue, no connection: whoever drives it tells it what happened and the time, and lends it a way to send.
"""

from __future__ import annotations

import logging
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import msgspec

from firmware.clock import Clock, read_anchor, stamp
from firmware.errors import OutboxError
from firmware.orders import OrdersInHand, taken
from firmware.source import Source
from firmware.speakers import Speakers
from firmware.window import Offer, Parcel, Window
from soak import wire
from soak.quantity import utc_ms
from soak.ranges import Range, Ranges

log = logging.getLogger(__name__)

STATE_EVERY_MS = 10_000
MOST_UNTAKEN = 32
"""Messages handed to the client that the broker has not taken yet; they are in memory."""

MOST_LARGE_UNTAKEN = 4
"""Of them those with more than `LARGE` readings. On a slow line what happens now waits behind what was handed over:
four of some 40 kB are a second and a half at 100 kB/s. With 50 ms to the broker and back they still let 40,000 readings
a second through."""

LARGE = 60

STALLED_MS = 60_000
"""A broker that takes nothing for so long does not work, whatever its connection says. Three times the keepalive: a
line that is only slow takes something."""

MOST_STREAMS = 1_000
"""Streams in one state message, by its declaration."""

MOST_TROUBLES = 20

Send = Callable[[str, bytes, bool], int]
"""Hands a message over, to be delivered at least once: full topic, payload, retained. Gives what `Taken` will name."""

Held = Sequence[tuple[Source, list[wire.HeldStream]]]
"""The sources, each with its streams."""


class Connected(NamedTuple):
    """The broker accepted us, and we asked for what concerns us."""


class Disconnected(NamedTuple):
    """The connection is gone or was refused, and with it every message that the broker had not taken."""

    reason: str


class Arrived(NamedTuple):
    """A message came."""

    topic: str
    payload: bytes
    retained: bool = False


class Taken(NamedTuple):
    """The broker has a message of ours; that says nothing about the collector."""

    message: int


Event = Connected | Disconnected | Arrived | Taken


class Conversation:
    """The node's conversation with the collector. `now_ms` is milliseconds of any clock that only rises.

    Args:
        node: The node's name.
        clock: The node's clocks: for what is said about times, not for how often it is said.
        sources: What is to be sent, oldest first; the last one is the node's own outbox.
        sensors: How the node's sensors are now: each of every basin.
        version: This software's.
        window: What may be under way at a time.
        troubles: What is wrong with the node itself now, in short words.
        basins: What is said and shown at each basin now.
        disk: What is written to the node's disk.
        commissioned: The node's commissioning; None: there was none.
        send: How to say something.

    Attributes:
        orders: What the node goes by, None before any orders came. Replaced whole.
        heard_ms: When the collector last said something, and not the broker what it had kept; None: never.
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
        troubles: Callable[[], list[str]] = list,
        basins: Callable[[], list[wire.BasinSide]] = list,
        disk: Callable[[], wire.DiskUse | None] = lambda: None,
        commissioned: wire.Commissioned | None = None,
        send: Send,
    ) -> None:
        self.orders: OrdersInHand | None = None
        self.heard_ms: int | None = None
        self.refused: Counter[str] = Counter()
        self.connected = False
        self._node, self._clock, self._sources, self._sensors = node, clock, list(sources), sensors
        self._version, self._send_one, self._window, self._troubles = version, send, window or Window(), troubles
        self._basins, self._disk, self._commissioned = basins, disk, commissioned
        self._link_said = ""
        self._untaken: dict[int, int] = {}  # messages, and how many readings are in each
        self._taken_ms = 0  # when the broker last took a message, or nothing was left for it to take
        self._owners: dict[str, Source] = {}
        self._newest: dict[str, int] = {}
        self._unread: dict[str, str] = {}  # streams that could not be read from disk, and why
        self._speakers = Speakers()
        self._stated: object = None  # what the last state message said beside times and counts
        self._stated_ms = 0

    def handle(self, event: Event, now_ms: int) -> None:
        """Take in what happened."""
        match event:
            case Connected():
                self.connected, self._stated = True, None
                self._window.connected(now_ms)
                self._speakers.connected()
                self._say_link("connected")
            case Disconnected(reason):
                self.connected = False
                self._untaken.clear()
                self._say_link(reason)
            case Taken(message):
                self._untaken.pop(message, None)
                self._taken_ms = now_ms
                self._window.taken(message, now_ms)
            case Arrived():
                self._take_in(event, now_ms)

    def speak(self, now_ms: int) -> None:
        """Say whatever is due, if the broker listens."""
        if self.connected:
            held = self._look()
            self._say_state(held, now_ms)
            self._say_readings(held, now_ms)

    def next_due_ms(self, now_ms: int) -> int | None:
        """When to `speak` again if nothing happens before, `now_ms` at the earliest; None while nobody listens."""
        if not self.connected:
            return None
        resend_ms = self._window.next_due_ms()
        due_ms = self._stated_ms + STATE_EVERY_MS
        return max(now_ms, due_ms if resend_ms is None else min(due_ms, resend_ms))

    def stalled(self, now_ms: int) -> bool:
        """The connection stands, and yet the broker has taken nothing for `STALLED_MS`: it needs to be made anew."""
        return self.connected and bool(self._untaken) and now_ms - self._taken_ms >= STALLED_MS

    def _say_link(self, said: str) -> None:
        if said != self._link_said:  # once per change, not per attempt
            (log.info if self.connected else log.warning)("uplink %s", said)
            self._link_said = said

    def _look(self) -> Held:
        """What there is to say, from whom, and which streams are being written."""
        held = [(source, source.streams()) for source in self._sources]
        self._owners = {stream.stream: source for source, streams in held for stream in streams}
        self._newest = {stream.stream: stream.newest for _, streams in held for stream in streams}
        self._window.current(newest(held[-1][1]) if held else ())  # only the node's own outbox is being written
        return held

    def _take_in(self, arrived: Arrived, now_ms: int) -> None:
        try:
            message = wire.decode(wire.parse_topic(arrived.topic)[1], arrived.payload)
        except wire.UnreadableError as error:
            self._refuse(error.reason, f"topic={arrived.topic[:120]!r} problem={error.detail!r}")
            return
        if isinstance(message, wire.Receipt | wire.Orders) and not arrived.retained:
            self.heard_ms = now_ms
        if isinstance(message, wire.Receipt):
            for receipt in self._speakers.receipts(message, now_ms, retained=arrived.retained):
                self._take_receipt(receipt, now_ms)
        elif isinstance(message, wire.Orders):
            for receipt in self._speakers.orders(message, now_ms, retained=arrived.retained):
                self._take_receipt(receipt, now_ms)
            self._take_orders(message, retained=arrived.retained)

    def _take_receipt(self, receipt: wire.Receipt, now_ms: int) -> None:
        self._look()
        for stream, ranges in receipt.streams.items():
            if source := self._owners.get(stream):  # else one that has been released altogether, or another node's
                released = self._window.receipt(stream, self._existing(stream, ranges), now_ms)
                if Ranges(released) != Ranges(ranges):
                    self._refuse("receipt-ahead", f"stream={stream} problem='covers readings that were never sent'")
                source.release(stream, released)
        for stream, ranges in receipt.lost.items():
            if source := self._owners.get(stream):
                source.lost(stream, self._existing(stream, ranges))

    def _existing(self, stream: str, ranges: Iterable[Range]) -> list[Range]:
        """Without numbers that the stream has not reached."""
        newest_number = self._newest[stream]
        return [(first, min(last, newest_number)) for first, last in ranges if first <= newest_number]

    def _take_orders(self, orders: wire.Orders, *, retained: bool) -> None:
        known = self.orders.orders if self.orders else None
        if retained and known and (known.epoch, known.version, known.by) == (orders.epoch, orders.version, orders.by):
            return  # the broker repeats what we have: that makes it no younger
        basins: defaultdict[str, set[str]] = defaultdict(set)
        for seen in self._sensors():
            basins[seen.basin].add(seen.sensor)
        now = read_anchor(self._clock)
        age_ms = max(0, now.utc_ms - utc_ms(orders.by.sent)) if retained and orders.by and now.synced else 0
        sensors = {basin: frozenset(of_basin) for basin, of_basin in basins.items()}
        self.orders, refusals = taken(self.orders, orders, now.boot_ms - age_ms, sensors)
        for refusal in refusals:
            self._refuse(*refusal)

    def _refuse(self, reason: str, detail: str) -> None:
        self.refused[reason] += 1
        if self.refused[reason] == 1:
            log.warning("uplink refused reason=%s %s; further ones are only counted", reason, detail)

    def state(self, now_ms: int) -> wire.State:
        """How the node is, as it would say it now."""
        held = self._look()
        return self._counted(self._state(held, now_ms), held)

    def _say_state(self, held: Held, now_ms: int) -> None:
        """Every ten seconds, and when something has changed that somebody waits for."""
        state = self._state(held, now_ms)
        synced = state.clock is not None and state.clock.synced
        stated = (
            [stream.stream for stream in state.streams],
            state.sensors,
            synced,
            state.troubles,
            told(state.basins),
        )
        if stated == self._stated and now_ms < self._stated_ms + STATE_EVERY_MS:
            return
        self._send_one(wire.Topic.STATE.of(self._node), wire.encode(self._counted(state, held)), True)
        self._stated, self._stated_ms = stated, now_ms

    def _state(self, held: Held, now_ms: int) -> wire.State:
        """Without the counts, which take their time."""
        troubles = [_word(trouble) for trouble in (*self._troubles(), *self._own_troubles(now_ms))][:MOST_TROUBLES]
        return wire.State(
            up=True,
            version=self._version,
            boot=self._clock.boot_id,
            clock=stamp(self._clock),
            streams=listed([stream for _, streams in held for stream in streams]),
            sensors=self._sensors(),
            troubles=troubles,
            basins=self._basins(),
            commissioned=self._commissioned,
        )

    def _counted(self, state: wire.State, held: Held) -> wire.State:
        return msgspec.structs.replace(
            state,
            outbox=sum(source.held(stream.stream).count() for source, streams in held for stream in streams),
            dropped=sum(getattr(source, "dropped", 0) for source in self._sources),
            refused=dict(self.refused),
            disk=self._disk(),
        )

    def _own_troubles(self, now_ms: int) -> list[str]:
        two = ["two collectors speak to this node"] if self._speakers.two(now_ms) else []
        return two + [f"stream {stream} cannot be read: {problem}" for stream, problem in self._unread.items()]

    def _say_readings(self, held: Held, now_ms: int) -> None:
        if len(self._untaken) >= MOST_UNTAKEN:
            return
        current = newest(held[-1][1]) if held else set()
        offers = [Offer(name, source.held(name), name in current) for name, source in self._owners.items()]
        self._unread = {stream: problem for stream, problem in self._unread.items() if stream in self._owners}
        failed: set[str] = set()
        for parcel in self._window.plan(now_ms, offers):
            if len(self._untaken) >= MOST_UNTAKEN:
                return
            if parcel.last - parcel.first >= LARGE and self._large_untaken() >= MOST_LARGE_UNTAKEN:
                continue
            if parcel.stream not in failed and not self._say_parcel(parcel, now_ms):
                failed.add(parcel.stream)

    def _large_untaken(self) -> int:
        return sum(readings > LARGE for readings in self._untaken.values())

    def _say_parcel(self, parcel: Parcel, now_ms: int) -> bool:
        """Send a parcel; False where its stream cannot be read now: the others must not wait for it."""
        try:
            batch, payload = self._batch(parcel)
        except LookupError:  # given up for want of room since it was offered
            return False
        except OutboxError as error:
            if parcel.stream not in self._unread:
                log.warning("uplink not_sent stream=%s problem=%r", parcel.stream, str(error))
            self._unread[parcel.stream] = str(error)[:100]
            return False
        self._unread.pop(parcel.stream, None)
        if not self._untaken:
            self._taken_ms = now_ms
        message = self._send_one(wire.Topic.READINGS.of(self._node), payload, False)
        self._untaken[message] = len(batch.readings)
        self._window.sent(Parcel(batch.stream, batch.first, batch.last), now_ms, message)
        return True

    def _batch(self, parcel: Parcel) -> tuple[wire.Batch, bytes]:
        """Its readings, or as many of the first as fit into one message."""
        most = parcel.last - parcel.first + 1
        while True:
            batch = self._owners[parcel.stream].batch(parcel.stream, parcel.first, most)
            payload = wire.encode(batch)
            if most == 1 or len(payload) <= wire.LARGEST_MESSAGE_BYTES:
                return batch, payload
            most = max(1, len(batch.readings) // 2)


def _word(text: str) -> str:
    """As much of a text as fits where one line is expected; what a library says may have several."""
    return re.sub(r"[\x00-\x1f\x7f]+", " ", text)[:200]


def told(basins: Sequence[wire.BasinSide]) -> list[wire.BasinSide]:
    """What of the basins is told at once where it changes.

    A lid that moves is a reading: told here each time too, a switch that flickers would flood the line.
    """
    return [msgspec.structs.replace(basin, moved_ms=None) for basin in basins]


def newest(streams: Sequence[wire.HeldStream]) -> set[str]:
    """The stream that is being written, of each basin: its last."""
    return set({held.basin: held.stream for held in streams}.values())


def listed(streams: list[wire.HeldStream]) -> list[wire.HeldStream]:
    """As many as one message takes: the oldest, of which the collector may have a part, and those being written."""
    if len(streams) <= MOST_STREAMS:
        return streams
    current = newest(streams)
    older = [held for held in streams if held.stream not in current]
    return older[: MOST_STREAMS - len(current)] + [held for held in streams if held.stream in current]
