"""What happens to each message: taken in once, or set aside with the reason; a batch of messages in one commit."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from collector.clock import UtcClock
from collector.latest import Latest
from collector.nodes import NodeWords, Noticed
from collector.page import DamagedPageError
from collector.readings import Anchors, Synchronised, add_anchor, offset_ms, stored_readings
from collector.store import Store, StreamRow
from collector.tracker import StreamTracker
from soak.quantity import utc_ms
from soak.ranges import Range
from soak.reading import Reading
from soak.wire import Batch, Clock, HeldStream, Receipt, State, UnreadableError, decode, parse_topic

log = logging.getLogger(__name__)

FUTURE_MS = 24 * 3_600_000
"""A clock that says it is synchronised and is further ahead than this is not believed."""

_CALENDAR_END_MS = utc_ms("9999-12-31T23:59:59.999Z")

MOST_BASINS = MOST_NODES = 2_000

MOST_STREAMS = 1_100
"""Of one node that are not over: each is followed in memory, and a state message lists a thousand at most."""


class Arrived(NamedTuple):
    """A message as the broker delivered it; `retained`: it was said before, and nobody knows when."""

    topic: str
    payload: bytes
    retained: bool = False


class _Gathered:
    """Readings of one stream from messages that follow on, to be kept as one row."""

    __slots__ = ("anchors", "first", "readings", "tracker")

    def __init__(self, tracker: StreamTracker, first: int, readings: list[Reading], clock: Clock) -> None:
        self.tracker, self.first, self.readings = tracker, first, readings
        self.anchors: Anchors = [(0, clock)]

    def follows(self, batch: Batch) -> bool:
        """Whether a batch goes on right where these end, and nothing of it is stored."""
        stored_to = self.tracker.stored.last or 0
        return (
            batch.first == self.first + len(self.readings)
            and batch.first > stored_to
            and batch.readings[0].ms > self.readings[-1].ms
        )

    def add(self, batch: Batch) -> None:
        """Add a batch that follows."""
        add_anchor(self.anchors, len(self.readings), batch.clock)
        self.readings += batch.readings


class Intake:
    """Takes messages in. For one thread; everything in memory can be made again from the store.

    Args:
        store: Where readings and verdicts are kept.
        clock: The collector's wall clock.
    """

    def __init__(self, store: Store, clock: UtcClock) -> None:
        self._store = store
        self._clock = clock
        self._latest = Latest(store)
        self._nodes = NodeWords(store, clock)
        self._trackers: dict[str, StreamTracker] = {}
        self._gathered: dict[str, _Gathered] = {}
        self._changed: dict[str, StreamTracker] = {}
        self._touched: dict[str, set[str]] = {}
        self._loaded = False
        self._parked: Counter[str] = Counter()
        self.noticed: list[Noticed] = []
        """What was noticed in what was taken in and kept; whoever reads it empties it."""
        with store.transaction():
            self._load()

    def _load(self) -> None:
        """Follow every stream of which something may still come."""
        for row in self._store.live_streams():
            try:
                self._trackers[row.stream] = self._follow(row)
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
        before = len(self.noticed)
        try:
            with self._store.transaction():
                if not self._loaded:
                    self._load()
                for message in messages:
                    self._take_one(message)
                self._keep_gathered()
                self._latest.write(self._changed.values())
                receipts = {node: self._receipt(node, streams) for node, streams in self._touched.items()}
        except BaseException:
            self._forget()
            del self.noticed[before:]
            raise
        finally:
            self._gathered.clear()
            self._changed.clear()
            self._touched.clear()
        return receipts

    def require_again(self, basin_id: int) -> str:
        """Something else is required of a basin: what is in progress in it is judged by that from now on.

        Returns:
            The basin's node.

        Raises:
            sqlite3.Error: As `take`.
        """
        rows = [tracker.row for tracker in self._trackers.values() if tracker.row.basin_id == basin_id]
        try:
            with self._store.transaction():
                followed = {
                    row.stream: self._follow(fresh) for row in rows if (fresh := self._store.stream(row.stream))
                }
                self._latest.write(followed.values())
        except BaseException:
            self._forget()
            raise
        self._trackers |= followed
        return self._store.node_of(basin_id)

    def _forget(self) -> None:
        """What was worked out in a transaction that did not hold is not so: it is made again from the store."""
        self._trackers.clear()
        self._loaded = False
        self._latest.forget()
        self._nodes.forget()
        self._store.commissionings.forget()

    def _take_one(self, message: Arrived) -> None:
        try:
            node, topic = parse_topic(message.topic)
            content = decode(topic, message.payload)
            if isinstance(content, Batch):
                self._take_batch(node, content)
            elif isinstance(content, State):
                self._keep_gathered()  # it says what is lost: what has come must be counted first
                self._take_state(node, content, retained=message.retained)
        except UnreadableError as error:
            self._say_parked(message.topic, error)
            self._store.park(message.topic, message.payload, error.reason, error.detail)

    def _say_parked(self, topic: str, error: UnreadableError) -> None:
        """In the log at 1, 10, 100, … of a kind: a node gone mad must not fill it."""
        self._parked[error.reason] += 1
        count = self._parked[error.reason]
        if count == 10 ** (len(str(count)) - 1):
            log.warning("parked a message on %r, number %d of this kind: %s", topic[:120], count, error)

    # Readings

    def _take_batch(self, node: str, batch: Batch) -> None:
        self._check_clock(batch)
        self._touched.setdefault(node, set()).add(batch.stream)
        gathered = self._gathered.get(batch.stream)
        tracker = gathered.tracker if gathered else self._tracker_for(node, batch)
        self._check_owner(tracker.row, node, batch)
        pieces = [(batch.first, batch.last)]
        if gathered is None or not gathered.follows(batch):
            if gathered is not None:
                self._keep(self._gathered.pop(batch.stream))
            pieces = tracker.stored.missing(batch.first, batch.last)
            self._check_against_stored(tracker, batch, pieces)
        self._note_clock(node, batch.boot, batch.clock)  # before it is judged: by its right date
        for first, last in pieces:
            gathered = self._gathered.pop(batch.stream, None)
            if gathered is not None and gathered.follows(batch):
                gathered.add(batch)
            else:
                if gathered is not None:
                    self._keep(gathered)
                readings = batch.readings[first - batch.first : last - batch.first + 1]
                gathered = _Gathered(tracker, first, readings, batch.clock)
            self._gathered[batch.stream] = gathered

    def _keep_gathered(self) -> None:
        while self._gathered:
            self._keep(self._gathered.popitem()[1])

    def _keep(self, gathered: _Gathered) -> None:
        gathered.tracker.take(gathered.first, gathered.readings, gathered.anchors)
        self._changed[gathered.tracker.row.stream] = gathered.tracker

    def _check_clock(self, batch: Batch) -> None:
        offset = offset_ms(batch.clock)
        if batch.clock.synced and offset + batch.clock.ms > self._clock() + FUTURE_MS:
            raise UnreadableError("future", f"its clock says {batch.clock.utc}, more than a day ahead of this one.")
        if offset + batch.readings[0].ms < 0 or offset + batch.readings[-1].ms > _CALENDAR_END_MS:
            said = f"{batch.clock.utc}, {batch.clock.ms} ms after its boot"
            raise UnreadableError("time", f"its clock ({said}) dates a reading outside the years 1970 to 9999.")

    def _tracker_for(self, node: str, batch: Batch) -> StreamTracker:
        tracker = self._trackers.get(batch.stream)
        if tracker is None:
            row = self._store.stream(batch.stream)
            if row is not None:
                self._check_owner(row, node, batch)
            tracker = self._tracker(row or self._new_stream(node, batch.basin, batch.stream, batch.boot))
        return tracker

    def _new_stream(self, node: str, basin: str, stream: str, boot: str) -> StreamRow:
        if not self._store.has_basin(node, basin) and self._store.count_basins() >= MOST_BASINS:
            raise UnreadableError("too-many-basins", f"there are {MOST_BASINS} basins already.")
        self._check_room(node)
        return self._store.add_stream(stream, node, basin, boot)

    def _tracker(self, row: StreamRow) -> StreamTracker:
        self._check_room(row.node)
        tracker = self._trackers[row.stream] = self._follow(row)
        return tracker

    def _check_room(self, node: str) -> None:
        """Without a receipt the node keeps what it sent, and sends it again when earlier streams are over."""
        if sum(tracker.row.node == node for tracker in self._trackers.values()) >= MOST_STREAMS:
            raise UnreadableError("too-many-streams", f"{MOST_STREAMS} streams of node {node} are not over yet.")

    def _follow(self, row: StreamRow) -> StreamTracker:
        return StreamTracker(self._store, row, self._store.required(row.basin_id))

    def _check_owner(self, row: StreamRow, node: str, batch: Batch) -> None:
        if (row.node, row.basin, row.boot) != (node, batch.basin, batch.boot):
            raise UnreadableError(
                "wrong-stream",
                f"stream {row.stream[:8]}… belongs to basin {row.basin} of node {row.node}, boot {row.boot[:8]}…; "
                f"this says basin {batch.basin} of node {node}, boot {batch.boot[:8]}…",
            )

    def _check_against_stored(self, tracker: StreamTracker, batch: Batch, pieces: Sequence[Range]) -> None:
        """The same number must say the same, what is stored stands; and times rise within a stream."""
        if pieces != [(batch.first, batch.last)]:
            for stored in stored_readings(self._store.db, tracker.row.id, from_number=batch.first):
                if stored.number > batch.last:
                    break
                if stored.reading != batch.readings[stored.number - batch.first]:
                    row = tracker.row
                    said = f"reading {stored.number} says something else than the one stored."
                    self.noticed.append(Noticed("contradiction", row.node, f"basin {row.basin}: {said}"))
                    raise UnreadableError("contradicts", said)
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

    # Clocks

    def _note_clock(self, node: str, boot: str, clock: Clock) -> None:
        """The earliest moment at which a boot's wall clock was synchronised dates what came before it."""
        if not clock.synced or not self._nodes.news(node, boot, clock.ms):
            return
        self._keep_gathered()
        self._nodes.keep(node, boot, Synchronised(clock.ms, utc_ms(clock.utc)))
        for row in self._store.streams_of_boot(node, boot):
            try:
                tracker = self._trackers.get(row.stream) or self._follow(row)
                tracker.redate()
                self._changed[row.stream] = tracker
            except DamagedPageError as error:  # its own stream stays as it is
                log.error("stream=%s node=%s basin=%s: %s", row.stream, row.node, row.basin, error)  # noqa: TRY400

    # State

    def _take_state(self, node: str, state: State, *, retained: bool) -> None:
        if not self._nodes.known(node) and self._store.count_nodes() >= MOST_NODES:
            raise UnreadableError("too-many-nodes", f"there are {MOST_NODES} nodes already.")
        self._touched.setdefault(node, set())
        told = replace(state, commissioned=None) if state.commissioned else state  # kept once, not every ten seconds
        said = self._nodes.hear(node, told, retained=retained)
        if not said.new or state.clock is None or state.boot is None:
            return  # delivered again; or the last will, which says nothing about what is held
        if said.noticed:
            self.noticed.append(said.noticed)
        self._note_clock(node, state.boot, state.clock)
        self._store.commissionings.hear(node, state.commissioned)
        listed = {held.stream: held for held in state.streams}
        self._touched[node] |= listed.keys()
        current = {held.basin: held.stream for held in state.streams}
        for held in state.streams:
            self._register(node, held)
        for tracker in [each for each in self._trackers.values() if each.row.node == node]:
            row = tracker.row
            if row.boot == state.boot and tracker.heard_ms > state.clock.ms:
                continue  # said before what came since
            if row.boot != state.boot and said.cloned and row.stream not in listed:
                continue  # another machine of this name may still hold it
            self._hold_against(tracker, listed.get(row.stream), current.get(row.basin))

    def _register(self, node: str, held: HeldStream) -> None:
        """A stream of which nothing has come, and of which something never will: it is on record all the same."""
        if held.boot and held.oldest > 1 and held.stream not in self._trackers and not self._store.stream(held.stream):
            try:
                self._tracker(self._new_stream(node, held.basin, held.stream, held.boot))
            except UnreadableError as error:
                log.warning("node=%s stream=%s not recorded as lost: %s", node, held.stream, error)

    def _hold_against(self, tracker: StreamTracker, held: HeldStream | None, current: str | None) -> None:
        """What the node still holds of a stream may come; what it does not, and never came, is lost."""
        row = tracker.row
        newest = tracker.stored.last or 0
        if held:
            newest = max(newest, held.newest)
        gone_to = held.oldest - 1 if held else newest
        lost = tracker.missing(1, gone_to)
        if lost:
            log.warning("lost node=%s basin=%s ranges=%s", row.node, row.basin, lost)
            count = sum(last - first + 1 for first, last in lost)
            self.noticed.append(Noticed("lost", row.node, f"basin {row.basin}: {count} readings are lost"))
            tracker.lose(lost)
            self._changed[row.stream] = tracker
        if row.stream == current:
            self._changed[current] = tracker  # it may only now be known to be the current one
        nothing_to_come = tracker.judged_to >= newest or (
            gone_to >= newest and tracker.judged_to >= (tracker.stored.last or 0)
        )
        if current not in (None, row.stream) and nothing_to_come:
            tracker.finish()
            del self._trackers[row.stream]

    def _receipt(self, node: str, streams: set[str]) -> Receipt:
        """What the disk has of these streams; nobody is told what another node's stream has."""
        stored: dict[str, list[Range]] = {}
        lost: dict[str, list[Range]] = {}
        for stream in sorted(streams):
            tracker = self._trackers.get(stream)
            row = tracker.row if tracker else self._store.stream(stream)
            if row is None or row.node != node:
                continue
            stored[stream] = list(tracker.stored if tracker else self._store.stored(row.id))
            if gone := list(tracker.lost if tracker else self._store.lost(row.id)):
                lost[stream] = gone
        return Receipt(stored, lost=lost)
