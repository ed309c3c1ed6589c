"""The simulated collector: the real store and intake, in processes that end when the scheduler says so."""

from __future__ import annotations

import secrets
import sqlite3
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from collector.intake import Arrived, Intake
from collector.orders import orders_for
from collector.schema import FILE_NAME
from collector.settings import Settings
from soak import wire
from soak.quantity import utc_text
from soak.ranges import Ranges
from tests.collector.kit import opened
from tests.simulated.broker import Broker
from tests.simulated.client import Client, Message
from tests.simulated.clocks import ServerClock, Time

_RANGES = "SELECT first, last FROM {} WHERE stream_id = (SELECT id FROM stream WHERE stream = ?)"


class NotOnDiskError(AssertionError):
    """A receipt for what the collector's disk does not have."""


class Clinic:
    """The collector's machine.

    Args:
        folder: Its disk.
        settings: The site.
        time: True time.
        broker: Where it connects.
        most_waiting: Messages that wait to be taken in; what comes on top is dropped, as the collector's link does.
    """

    def __init__(self, folder: Path, settings: Settings, *, time: Time, broker: Broker, most_waiting: int) -> None:
        self.folder = folder
        self.clock = ServerClock(time)
        self.running = False
        self.unsent: deque[tuple[str, wire.Receipt]] = deque()
        self.waiting: deque[Arrived] = deque()
        self._settings, self._broker, self._most_waiting = settings, broker, most_waiting
        self._eyes: sqlite3.Connection | None = None
        self._seen: dict[tuple[tuple[str, ...], str], Ranges] = {}

    def start(self) -> None:
        """Start the collector's process on whatever its disk has."""
        self.store = opened(self.folder, self.clock)  # type: ignore[arg-type]
        self.store.apply(self._settings)
        self.intake = Intake(self.store, self.clock)
        self._run, self._started_ms = secrets.token_hex(8), self.clock()
        filters = ("soakledger/1/+/readings", "soakledger/1/+/state")
        self.client = Client(self._broker, "collector", filters, self._told, lasting=True)
        self.running = True
        self._say_orders()

    def kill(self) -> None:
        """Kill -9: what waited to be taken in, and every receipt that was not sent, is gone."""
        self.running = False
        self.client.vanish()
        self.waiting.clear()
        self.unsent.clear()
        self.store.close()

    def close(self) -> None:
        """Give everything back."""
        if self.running:
            self.kill()
        if self._eyes is not None:
            self._eyes.close()
            self._eyes = None

    def take(self, most: int, *, failing: str = "") -> bool:
        """Take messages in and commit them; receipts are ready then, but not sent.

        Args:
            most: Messages at most.
            failing: What SQLite says instead of committing; nothing if empty.

        Returns:
            Whether the disk took it. If not, the messages go on waiting.
        """
        messages = [self.waiting.popleft() for _ in range(min(most, len(self.waiting)))]
        try:
            with self._failing(failing):
                receipts = self.intake.take(messages)
        except sqlite3.OperationalError:
            if not failing:
                raise
            self.waiting.extendleft(reversed(messages))
            return False
        self.unsent.extend(receipts.items())
        return True

    def send(self) -> None:
        """Send the receipt that waits longest."""
        node, receipt = self.unsent.popleft()
        self._check_on_disk(receipt)
        said = msgspec.structs.replace(receipt, by=self._sender())
        self.client.publish(wire.Topic.RECEIPT.of(node), wire.encode(said), retain=True)

    def look(self) -> sqlite3.Connection:
        """Somebody else's eyes: they see only what was committed."""
        if self._eyes is None:
            self._eyes = sqlite3.connect(f"file:{self.folder / FILE_NAME}?mode=ro", uri=True, timeout=0)
        return self._eyes

    def reopen_eyes(self) -> None:
        """Open the database anew, as whoever comes after a kill does."""
        if self._eyes is not None:
            self._eyes.close()
            self._eyes = None

    @contextmanager
    def _failing(self, problem: str) -> Iterator[None]:
        """The disk refuses: at the commit when it is full, at the beginning when the database is locked."""
        if not problem:
            yield
            return
        real = self.store.transaction

        @contextmanager
        def transaction() -> Iterator[None]:
            if "locked" in problem:
                raise sqlite3.OperationalError(problem)
            with real():
                yield
                raise sqlite3.OperationalError(problem)

        self.store.transaction = transaction  # type: ignore[method-assign]
        try:
            yield
        finally:
            del self.store.transaction

    def _check_on_disk(self, receipt: wire.Receipt) -> None:
        """What it says, somebody else sees. What was seen once is looked for again when all has come to its end."""
        for tables, told in ((("page", "batch"), receipt.streams), (("lost",), receipt.lost)):
            for stream, ranges in told.items():
                seen = self._seen.setdefault((tables, stream), Ranges())
                if all(not seen.missing(*each) for each in ranges):
                    continue
                rows = [row for table in tables for row in self.look().execute(_RANGES.format(table), (stream,))]
                on_disk = Ranges(rows)
                if missing := [piece for each in ranges for piece in on_disk.missing(*each)]:
                    raise NotOnDiskError(f"receipt for {missing} of {stream[:8]}, which {tables} do not have")
                self._seen[tables, stream] = on_disk

    def _told(self, what: str, content: Message | int | None) -> None:
        if what == "connected":
            self._say_orders()
        if isinstance(content, Message) and len(self.waiting) < self._most_waiting:
            self.waiting.append(Arrived(content.topic, content.payload, content.retain))

    def _sender(self) -> wire.Sender:
        epoch = self.store.site()["epoch"]
        return wire.Sender(epoch, self._run, utc_text(self._started_ms), utc_text(self.clock()))

    def _say_orders(self) -> None:
        for node in self.store.nodes():
            orders = msgspec.structs.replace(orders_for(self.store, self.clock, node, self.clock()), by=self._sender())
            self.client.publish(wire.Topic.ORDERS.of(node), wire.encode(orders), retain=True)
