"""Known kinds of bug, put into the product in memory: the simulation must notice each of them.

Each is a context manager; while it stands, the product has that bug.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any
from unittest import mock

from collector.intake import Intake
from collector.store import Store, StreamRow
from collector.tracker import StreamTracker
from firmware.conversation import Conversation, Taken
from firmware.window import Window
from soak import wire
from soak.ranges import Range, Ranges

Break = Callable[[], AbstractContextManager[Any]]


@contextmanager
def receipt_before_commit() -> Iterator[None]:
    """What was taken in is committed only when more is taken in; receipts do not wait for that."""
    take = Intake.take

    @contextmanager
    def late(self: Store) -> Iterator[None]:
        connection = self.db.conn
        if connection.in_transaction:
            connection.commit()
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            connection.rollback()
            raise

    def hasty(self: Intake, messages: Iterable[Any]) -> dict[str, wire.Receipt]:
        with mock.patch.object(Store, "transaction", late):
            return take(self, messages)

    with mock.patch.object(Intake, "take", hasty):
        yield


@contextmanager
def receipt_without_commit() -> Iterator[None]:
    """A commit that fails is taken for one that held."""
    take = Intake.take

    def careless(self: Intake, messages: Iterable[Any]) -> dict[str, wire.Receipt]:
        messages = list(messages)
        try:
            return take(self, messages)
        except sqlite3.OperationalError:
            receipts: dict[str, wire.Receipt] = {}
            for message in messages:
                node, topic = wire.parse_topic(message.topic)
                content = wire.decode(topic, message.payload)
                if isinstance(content, wire.Batch):
                    receipts[node] = wire.Receipt({content.stream: [(content.first, content.last)]})
            return receipts

    with mock.patch.object(Intake, "take", careless):
        yield


class _NeverThere(Ranges):
    """A set that holds numbers and denies it."""

    def missing(self, first: int, last: int) -> list[Range]:
        return [(first, last)]


@contextmanager
def repeats_counted_again() -> Iterator[None]:
    """What comes a second time is stored a second time."""
    stored = Store.stored
    with mock.patch.object(Store, "stored", lambda self, stream_id: _NeverThere(stored(self, stream_id))):
        yield


@contextmanager
def judged_as_it_comes() -> Iterator[None]:
    """Judging does not wait for a hole to be filled."""

    def next_number(self: StreamTracker) -> int:
        return self.stored.after(self.judged_to) or self.judged_to + 1

    with mock.patch.object(StreamTracker, "_next_number", next_number):
        yield


@contextmanager
def lost_is_forgotten() -> Iterator[None]:
    """What is lost is not recorded."""
    with mock.patch.object(Store, "add_lost"):
        yield


@contextmanager
def held_taken_for_lost() -> Iterator[None]:
    """What the node still holds, and has not come yet, is recorded lost."""
    decode = wire.decode

    def decoded(topic: wire.Topic, payload: bytes) -> Any:
        message = decode(topic, payload)
        if isinstance(message, wire.State):
            held = [wire.HeldStream(e.stream, e.basin, e.newest + 1, e.newest, e.boot) for e in message.streams]
            return wire.State(up=message.up, boot=message.boot, clock=message.clock, streams=held)
        return message

    with mock.patch("collector.intake.decode", decoded):
        yield


@contextmanager
def released_when_taken() -> Iterator[None]:
    """The outbox lets go of what the broker has acknowledged."""
    handle, init = Conversation.handle, Conversation.__init__
    sent: dict[tuple[int, int], bytes] = {}

    def handled(self: Conversation, event: Any, now_ms: int) -> None:
        if isinstance(event, Taken):
            payload = sent.pop((id(self), event.message), b"")
            if payload:
                batch = wire.decode(wire.Topic.READINGS, payload)
                assert isinstance(batch, wire.Batch)
                for source in self._sources:
                    source.release(batch.stream, [(batch.first, batch.last)])
        handle(self, event, now_ms)

    def made(self: Conversation, *args: Any, send: Any, **more: Any) -> None:
        def remembered(topic: str, payload: bytes, retain: bool) -> int:
            number: int = send(topic, payload, retain)
            if topic.endswith("readings"):
                sent[id(self), number] = payload
            return number

        init(self, *args, send=remembered, **more)

    with mock.patch.object(Conversation, "__init__", made), mock.patch.object(Conversation, "handle", handled):
        yield


@contextmanager
def meter_not_resumed() -> Iterator[None]:
    """After a restart judging goes on behind what is stored, with a meter that knows nothing of it."""
    live = Store.live_streams

    def at_the_end(self: Store) -> list[StreamRow]:
        return [row._replace(resume=(self.stored(row.id).last or 0) + 1) for row in live(self)]

    with mock.patch.object(Store, "live_streams", at_the_end):
        yield


@contextmanager
def never_sent_again() -> Iterator[None]:
    """What was sent once is not sent again while the connection stands."""
    init = Window.__init__

    def made(self: Window, *args: Any, **more: Any) -> None:
        init(self, *args, **(more | {"resend_ms": 1 << 50}))

    with mock.patch.object(Window, "__init__", made):
        yield


@contextmanager
def receipt_over_holes() -> Iterator[None]:
    """A receipt says that everything up to the newest stored reading is there."""
    take = Intake.take

    def generous(self: Intake, messages: Iterable[Any]) -> dict[str, wire.Receipt]:
        return {
            node: wire.Receipt(
                {stream: [(1, ranges[-1][1])] if ranges else [] for stream, ranges in told.streams.items()}
            )
            for node, told in take(self, messages).items()
        }

    with mock.patch.object(Intake, "take", generous):
        yield


@contextmanager
def streams_never_end() -> Iterator[None]:
    """A newer stream does not end the one before it."""
    with mock.patch.object(Store, "set_over"):
        yield


@contextmanager
def superseded_stands() -> Iterator[None]:
    """A later assessment does not take the place of the earlier one."""
    add = Store.add_closure
    with mock.patch.object(Store, "add_closure", lambda self, row, ended, _: add(self, row, ended)):
        yield


BREAKS: dict[str, tuple[Break, str]] = {
    "receipt_before_commit": (receipt_before_commit, "receipt for"),
    "receipt_without_commit": (receipt_without_commit, "receipt for"),
    "receipt_over_holes": (receipt_over_holes, "receipt for"),
    "repeats_counted_again": (repeats_counted_again, "There is a page of these readings already"),
    "judged_as_it_comes": (judged_as_it_comes, "a quiet run"),
    "lost_is_forgotten": (lost_is_forgotten, "which ('lost',) do not have"),
    "held_taken_for_lost": (held_taken_for_lost, "a quiet run"),
    "released_when_taken": (released_when_taken, "never given up"),
    "meter_not_resumed": (meter_not_resumed, "a quiet run"),
    "never_sent_again": (never_sent_again, "holds"),
    "streams_never_end": (streams_never_end, "still follows"),
    "superseded_stands": (superseded_stands, "a quiet run"),
}
"""Each with a part of what the simulation must say of it."""
