"""A simulated node: the real outbox, sampler and conversation, in processes that end when the scheduler says so."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from firmware.clock import STEP_MS
from firmware.conversation import Arrived, Connected, Conversation, Disconnected, Event, Taken
from firmware.outbox import Outbox
from firmware.outbox_file import FILE_NAME
from firmware.sampler import Newest, Sampler
from firmware.window import Window
from soak import wire
from soak.reading import Reading, Why
from tests.simulated.account import Account, TrueStream
from tests.simulated.broker import Broker
from tests.simulated.client import Client, Message
from tests.simulated.clocks import MachineClock, Time
from tests.simulated.truth import Basin

TICK_MS = 1_000
_CONVERSION_MS = 100  # how old a temperature is when it is read


@dataclass(frozen=True)
class NodeMake:
    """How a node is made.

    Attributes:
        most_bytes: Bound of its outbox file; None for none.
        most_under_way: Readings that it sends before receipts must come.
        resend_ms: How long a receipt may take.
    """

    most_bytes: int | None
    most_under_way: int
    resend_ms: int


class SimulatedNode:
    """A machine beside some basins.

    Args:
        name: Its name.
        folder: Its card.
        basins: What it watches.
        make: How it is made.
        time: True time.
        broker: Where it connects.
        rng: What chance decides.
    """

    def __init__(
        self,
        name: str,
        folder: Path,
        basins: Sequence[Basin],
        make: NodeMake,
        *,
        time: Time,
        broker: Broker,
        rng: random.Random,
    ) -> None:
        self.name, self.basins, self.next_tick_ms = name, list(basins), 0
        self.account = Account()
        self.running = False
        self._folder, self._make, self._time, self._broker, self._rng = folder, make, time, broker, rng
        self._events: list[Event] = []
        self._damaged = False
        self.clock = self._booted(in_1970=False)

    def reboot(self, *, in_1970: bool) -> None:
        """The machine starts again: another boot, whose wall clock may know nothing."""
        self.clock = self._booted(in_1970=in_1970)

    def _booted(self, *, in_1970: bool) -> MachineClock:
        digits = f"{self._rng.getrandbits(128):032x}"
        boot_id = "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))
        return MachineClock(self._time, self._rng, boot_id, in_1970=in_1970)

    # The process

    def start(self) -> None:
        """Start the node's process: a new stream for each basin."""
        self.outbox = Outbox(self._folder, self.clock, most_bytes=self._make.most_bytes)
        self.running = True
        self.account.look(self.outbox, damaged=self._damaged)
        self._damaged = False
        self._events.clear()
        self.client = self._new_client()
        window = Window(self._make.most_under_way, resend_ms=self._make.resend_ms)
        self.conversation = Conversation(
            self.name, self.clock, [self.outbox], list, version="0", window=window, send=self._send
        )
        now_ms = self._time.now_ms
        self._offset_ms = self.clock.utc_ms() - self.clock.boot_ms()
        self._looked_ms = now_ms
        self._samplers: dict[str, Sampler] = {}
        for basin in self.basins:
            stream = self.outbox.begin(basin.name, basin.sensors)
            self.account.begin(TrueStream(stream, self.name, basin, self.clock))
            closed, news = basin.closed(now_ms), self._news(basin, now_ms)
            sampler = Sampler(basin.sensors, self.clock.boot_ms(), closed=closed, news=news)
            self._samplers[basin.name] = sampler
            self._hand_over(basin, sampler.start())
        self.next_tick_ms = now_ms + TICK_MS

    def kill(self) -> None:
        """Kill -9: what was not written is gone, and so is everything that the client had not delivered."""
        self.account.note_told(self.outbox)
        self.running = False
        self.client.vanish()
        self.outbox.close(write=False)
        self.account.leave(self.outbox)

    def damage(self) -> str:
        """While no process runs, a part of the card's file turns to nonsense; returns which."""
        files = [
            each for each in sorted(self._folder.iterdir()) if each.name.startswith(FILE_NAME) and each.stat().st_size
        ]
        file = self._rng.choice(files)
        content = bytearray(file.read_bytes())
        size = self._rng.choice((1, 16, 512, 1_024))
        start = max(512, self._rng.randrange(len(content)) // size * size)  # what kind of file it is can still be told
        content[start : start + size] = self._rng.randbytes(len(content[start : start + size]))
        file.write_bytes(content)
        self._damaged = True
        return f"{size} bytes of {file.name} at {start}"

    def stop(self) -> None:
        """An orderly end."""
        for basin in self.basins:
            self._hand_over(basin, self._samplers[basin.name].end())
        self.write()
        self.client.publish(wire.Topic.STATE.of(self.name), wire.encode(wire.State(up=False)), retain=True)
        self.client.goodbye()
        self.running = False
        with self.account.writing(self.outbox):
            self.outbox.close()
        self.account.all_safe()
        self.account.leave(self.outbox)

    # Its steps

    def tick(self) -> None:
        """Take in what happened since the last tick, and take a reading of every basin."""
        now_ms, boot_ms = self._time.now_ms, self.clock.boot_ms()
        offset_ms = self.clock.utc_ms() - boot_ms
        why = Why.CLOCK if abs(offset_ms - self._offset_ms) > STEP_MS else Why.TICK
        self._offset_ms = offset_ms
        for basin in self.basins:
            sampler = self._samplers[basin.name]
            for move_ms, closed in basin.moves(self._looked_ms, now_ms):
                moved_ms = boot_ms - (now_ms - move_ms)
                news = self._news(basin, move_ms)
                self._hand_over(basin, sampler.lid_edge(moved_ms, closed=closed, news=news))
            news = self._news(basin, now_ms)
            self._hand_over(basin, sampler.tick(boot_ms, closed=basin.closed(now_ms), news=news, why=why))
        self._looked_ms = now_ms
        self.next_tick_ms = now_ms + TICK_MS

    def write(self, *, failing: str = "") -> None:
        """One step of the outbox's writer.

        Args:
            failing: What SQLite says instead of committing; nothing if empty.
        """
        with self.account.writing(self.outbox):
            if failing:
                with mock.patch.object(self.outbox._file, "commit", side_effect=sqlite3.OperationalError(failing)):
                    wrote = self.outbox.write()
            else:
                wrote = self.outbox.write()
            self.outbox.check()
        if wrote:
            self.account.all_safe()

    def converse(self) -> None:
        """Take in what the client has brought, and say what is due."""
        events, self._events = self._events, []
        for event in events:
            self.conversation.handle(event, self._time.now_ms)
            self.account.note_told(self.outbox)
        self.conversation.speak(self._time.now_ms)

    def renew_client(self) -> None:
        """The watchdog builds a new client in the place of one that is stuck."""
        self.client.vanish()
        self._events.append(Disconnected("built anew"))
        self.client = self._new_client()

    @property
    def streams(self) -> list[TrueStream]:
        """Every stream that it ever began, oldest first."""
        return self.account.streams

    def current(self) -> list[TrueStream]:
        """The streams that its process writes, or wrote last."""
        return list(self.account.current.values())

    def held(self) -> int:
        """Readings that wait for a receipt."""
        return sum(self.outbox.held(each.stream).count() for each in self.outbox.streams())

    def _new_client(self) -> Client:
        filters = (wire.Topic.RECEIPT.of(self.name), wire.Topic.ORDERS.of(self.name))
        will = Message(wire.Topic.STATE.of(self.name), wire.encode(wire.State(up=False)), retain=True)
        return Client(self._broker, f"node-{self.name}", filters, self._told, will=will)

    def _told(self, what: str, content: Message | int | None) -> None:
        if isinstance(content, Message):
            self._events.append(Arrived(content.topic, content.payload, content.retain))
        elif isinstance(content, int):
            self._events.append(Taken(content))
        else:
            self._events.append(Connected() if what == "connected" else Disconnected("cut"))

    def _send(self, topic: str, payload: bytes, retain: bool) -> int:
        return self.client.publish(topic, payload, retain=retain)

    def _hand_over(self, basin: Basin, readings: Sequence[Reading]) -> None:
        if readings:
            self.account.current[basin.name].sampled += readings
            with self.account.writing(self.outbox):  # with a card that takes nothing, memory is bounded too
                self.outbox.append([(basin.name, reading) for reading in readings])

    def _news(self, basin: Basin, ms: int) -> dict[str, Newest]:
        ended_ms = ms - _CONVERSION_MS
        boot_ended_ms = self.clock.boot_ms() - (self._time.now_ms - ended_ms)
        return {sensor: Newest(basin.indicated(sensor, ended_ms), boot_ended_ms) for sensor in basin.sensors}
