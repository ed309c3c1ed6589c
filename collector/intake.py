"""What happens to each message: taken in once, or set aside with the reason; a batch of messages in one commit."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import msgspec

from collector import minutes
from collector.clock import UtcClock
from collector.latest import write_latest
from collector.page import DamagedPageError
from collector.readings import dated, stored_readings
from collector.store import Store, StreamRow
from collector.tracker import StreamTracker
from soak.quantity import utc_ms
from soak.ranges import Range
from soak.wire import Batch, HeldStream, Receipt, State, UnreadableError, decode, encode, parse_topic

log = logging.getLogger(__name__)

FUTURE_MS = 24 * 3_600_000
"""A clock that says it is synchronised and is further ahead than this is not believed."""

_CALENDAR_END_MS = utc_ms("9999-12-31T23:59:59.999Z")

MOST_BASINS = 1_000


class Arrived(NamedTuple):
    """A message as the broker delivered it; `retained`: it was said before, and nobody knows when."""

    topic: str
    payload: bytes
    retained: bool = False


class Intake:
    """Takes messages in. For one thread; everything in memory can be made again from the store.

    Args:
        store: Where readings and verdicts are kept.
        clock: The collector's wall clock.
    """

    def __init__(self, store: Store, clock: UtcClock) -> None:
        self._store = store
        self._clock = clock
        self._trackers: dict[str, StreamTracker] = {}
        self._minutes: minutes.Minutes = {}
        self._changed: dict[str, StreamTracker] = {}
        self._loaded = False
        with store.transaction():
            self._load()

    def _load(self) -> None:
        """Follow every stream of which something may still come."""
        for row in self._store.live_streams():
            try:
                self._tracker(row)
            except DamagedPageError as error:  # the others go on; what its node sends is set aside, without a receipt
                log.error("stream=%s node=%s basin=%s: %s", row.stream, row.node, row.basin, error)  # noqa: TRY400
        self._loaded = True

    def take(self, messages: Iterable[Arrived]) -> dict[str, Receipt]:
        """Take in a batch of messages and commit them together.

        Returns:
            By node, what the disk now has of its streams: to be sent as receipts.

        Raises:
            sqlite3.Error: Nothing of the batch was kept; no receipt may be sent. The intake is as before.
        """
        touched: dict[str, set[str]] = {}
        try:
            with self._store.transaction():
                if not self._loaded:
                    self._load()
                for message in messages:
                    self._take_one(message, touched)
                self._store.add_minutes(self._minutes)
                write_latest(self._store, self._changed.values())
                receipts = {node: self._receipt(node, streams) for node, streams in touched.items()}
        except BaseException:
            self._forget()
            raise
        finally:
            self._minutes.clear()
            self._changed.clear()
        return receipts

    def _forget(self) -> None:
        """What was worked out in a transaction that did not hold is not so: it is made again from the store."""
        self._trackers.clear()
        self._loaded = False
        self._store.forget_cached()

    def _take_one(self, message: Arrived, touched: dict[str, set[str]]) -> None:
        try:
            node, topic = parse_topic(message.topic)
            content = decode(topic, message.payload)
            if isinstance(content, Batch):
                touched.setdefault(node, set()).add(content.stream)
                self._take_batch(node, content, message.payload)
            elif isinstance(content, State):
                touched.setdefault(node, set())
                self._take_state(node, content, retained=message.retained)
        except UnreadableError as error:
            log.warning("parked a message on %.120s: %s", message.topic, error)
            self._store.park(message.topic, message.payload, error.reason, error.detail)

    # Readings

    def _take_batch(self, node: str, batch: Batch, payload: bytes) -> None:
        self._check_clock(batch)
        tracker = self._tracker_for(node, batch)
        pieces = tracker.stored.missing(batch.first, batch.last)
        if pieces != [(batch.first, batch.last)]:
            self._check_repeats(tracker, batch)
        self._check_order(tracker, batch, pieces)
        for first, last in pieces:
            readings = batch.readings[first - batch.first : last - batch.first + 1]
            whole = len(readings) == len(batch.readings)
            body = payload if whole else encode(msgspec.structs.replace(batch, first=first, readings=readings))
            self._store.add_batch(tracker.row.id, first, last, body)
            stored = list(dated(first, readings, [(0, batch.clock)]))
            tracker.take(stored, batch.clock)
            self._changed[batch.stream] = tracker
            minutes.add(self._minutes, tracker.row.basin_id, stored)

    def _check_clock(self, batch: Batch) -> None:
        if batch.clock.synced and utc_ms(batch.clock.utc) > self._clock() + FUTURE_MS:
            raise UnreadableError("future", f"its clock says {batch.clock.utc}, more than a day ahead of this one.")
        offset_ms = utc_ms(batch.clock.utc) - batch.clock.ms
        if offset_ms + batch.readings[0].ms < 0 or offset_ms + batch.readings[-1].ms > _CALENDAR_END_MS:
            said = f"{batch.clock.utc}, {batch.clock.ms} ms after its boot"
            raise UnreadableError("time", f"its clock ({said}) dates a reading outside the years 1970 to 9999.")

    def _tracker_for(self, node: str, batch: Batch) -> StreamTracker:
        tracker = self._trackers.get(batch.stream)
        if tracker is None:
            row = self._store.stream(batch.stream)
            if row is None:
                if not self._store.has_basin(node, batch.basin) and self._store.count_basins() >= MOST_BASINS:
                    raise UnreadableError("too-many-basins", f"there are {MOST_BASINS} basins already.")
                row = self._store.add_stream(batch.stream, node, batch.basin, batch.boot)
            if (row.node, row.basin, row.boot) == (node, batch.basin, batch.boot):
                tracker = self._tracker(row)
            else:
                raise _of_another(row, node, batch)
        elif (tracker.row.node, tracker.row.basin, tracker.row.boot) != (node, batch.basin, batch.boot):
            raise _of_another(tracker.row, node, batch)
        return tracker

    def _tracker(self, row: StreamRow) -> StreamTracker:
        tracker = StreamTracker(self._store, row, self._store.required(row.basin_id))
        self._trackers[row.stream] = tracker
        return tracker

    def _check_repeats(self, tracker: StreamTracker, batch: Batch) -> None:
        """The same number must say the same; what is stored stands."""
        for stored in stored_readings(self._store.db, tracker.row.id, from_number=batch.first):
            if stored.number > batch.last:
                break
            if stored.reading != batch.readings[stored.number - batch.first]:
                raise UnreadableError(
                    "contradicts", f"reading {stored.number} says something else than the one stored."
                )

    def _check_order(self, tracker: StreamTracker, batch: Batch, pieces: Sequence[Range]) -> None:
        """Times rise within a stream: also between this message and what is stored already."""
        for first, last in pieces:
            before, after = tracker.stored.before(first), tracker.stored.after(last)
            if before is not None and self._ms_of(tracker, before) >= batch.readings[first - batch.first].ms:
                raise UnreadableError("time", f"reading {first} is not later than reading {before}.")
            if after is not None and self._ms_of(tracker, after) <= batch.readings[last - batch.first].ms:
                raise UnreadableError("time", f"reading {last} is not earlier than reading {after}.")

    def _ms_of(self, tracker: StreamTracker, number: int) -> int:
        if number == tracker.judged_to:
            return tracker.judged_ms
        return next(stored_readings(self._store.db, tracker.row.id, from_number=number)).reading.ms

    # State

    def _take_state(self, node: str, state: State, *, retained: bool) -> None:
        known = self._store.state(node)
        if known and known.clock and state.clock and known.boot == state.boot and state.clock.ms < known.clock.ms:
            return  # an older one, delivered again
        self._store.set_node(node, state, self._said_ms(node, state, retained=retained))
        if state.clock is None:
            return  # the last will: it says nothing about what is held
        listed = {held.stream: held for held in state.streams}
        current = {held.basin: held.stream for held in state.streams}
        for tracker in [each for each in self._trackers.values() if each.row.node == node]:
            if tracker.row.boot == state.boot and tracker.heard_ms > state.clock.ms:
                continue  # said before what came since
            self._hold_against(tracker, listed.get(tracker.row.stream), current.get(tracker.row.basin))

    def _said_ms(self, node: str, state: State, *, retained: bool) -> int:
        """When it was said: now, unless the broker kept it; a last will that it kept tells no time."""
        now_ms = self._clock()
        if not retained:
            return now_ms
        if state.clock:
            return min(utc_ms(state.clock.utc), now_ms)
        heard_ms = self._store.heard_ms(node)
        return now_ms if heard_ms is None else heard_ms

    def _hold_against(self, tracker: StreamTracker, held: HeldStream | None, current: str | None) -> None:
        """What the node still holds of a stream may come; what it does not, and never came, is lost."""
        newest = tracker.stored.last or 0
        if held:
            newest = max(newest, held.newest)
        gone_to = held.oldest - 1 if held else newest
        lost = tracker.missing(1, gone_to)
        if lost:
            log.warning("lost node=%s basin=%s ranges=%s", tracker.row.node, tracker.row.basin, lost)
            tracker.lose(lost)
            self._changed[tracker.row.stream] = tracker
        if tracker.row.stream == current:
            self._changed[current] = tracker  # it may only now be known to be the current one
        if current not in (None, tracker.row.stream) and tracker.judged_to >= newest:
            tracker.finish()
            del self._trackers[tracker.row.stream]

    def _receipt(self, node: str, touched: set[str]) -> Receipt:
        state = self._store.state(node)
        streams = touched | ({held.stream for held in state.streams} if state else set())
        known = {stream: self._trackers.get(stream) for stream in sorted(streams)}
        return Receipt(
            {
                stream: list(tracker.stored)
                for stream, tracker in known.items()
                if tracker and tracker.row.node == node  # nobody is told what another node's stream has
            }
        )


def _of_another(row: StreamRow, node: str, batch: Batch) -> UnreadableError:
    return UnreadableError(
        "wrong-stream",
        f"stream {row.stream[:8]}… belongs to basin {row.basin} of node {row.node}, boot {row.boot[:8]}…; "
        f"this says basin {batch.basin} of node {node}, boot {batch.boot[:8]}…",
    )
