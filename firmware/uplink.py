"""Runs the node's conversation with the collector over a real connection.

Everything here happens in one thread; whatever other threads have to say comes through one queue.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple

from firmware.clock import Clock
from firmware.conversation import Conversation, Event
from firmware.link import Link
from firmware.orders import OrdersInHand
from firmware.settings import Settings
from firmware.source import Source
from firmware.window import Window
from soak import wire

log = logging.getLogger(__name__)

_LEAST_WAIT_S = 0.02  # when something is due that the broker takes no messages for


class Wake(NamedTuple):
    """There is something to send."""


class Close(NamedTuple):
    """Say goodbye and end."""


class Uplink:
    """The thread around the conversation; how often things are said and repeated is real time.

    Args:
        settings: The node's name and its broker.
        clock: The node's clocks.
        sources: What is to be sent, oldest first; the last one is the node's own outbox.
        sensors: How the node's sensors are now.
        version: This software's.
        window: What may be under way at a time.

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
        self._events: queue.SimpleQueue[Event | Wake | Close] = queue.SimpleQueue()
        self._link = Link(settings.node, settings.broker, self._events)
        self._conversation = Conversation(
            settings.node, clock, sources, sensors, version=version, window=window, send=self._send
        )
        self._thread = threading.Thread(target=self._run, name="uplink", daemon=True)
        self._failure: Exception | None = None

    @property
    def orders(self) -> OrdersInHand | None:
        """The newest orders, None before any came."""
        return self._conversation.orders

    @property
    def refused(self) -> dict[str, int]:
        """How many messages were not taken in, by reason."""
        return self._conversation.refused

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

    def _send(self, topic: str, payload: bytes, retain: bool) -> int:
        return self._link.publish(topic, payload, retain=retain)

    def _run(self) -> None:
        try:
            going = True
            while going:
                going = self._handled(self._next_events())
                self._conversation.speak(_now_ms())
        except Exception as error:
            log.exception("uplink ended")
            self._failure = error
        finally:
            if self._conversation.connected:
                self._link.goodbye()

    def _next_events(self) -> list[Event | Wake | Close]:
        """Wait for something to happen or to be due; everything that has happened by then."""
        now_ms = _now_ms()
        due_ms = self._conversation.next_due_ms(now_ms)
        try:
            wait_s = None if due_ms is None else max(_LEAST_WAIT_S, (due_ms - now_ms) / 1000)
            events = [self._events.get(timeout=wait_s)]
        except queue.Empty:
            return []
        while not self._events.empty():
            events.append(self._events.get())
        return events

    def _handled(self, events: Sequence[Event | Wake | Close]) -> bool:
        """Take in what happened; False when it is time to end."""
        for event in events:
            if not isinstance(event, Wake | Close):
                self._conversation.handle(event, _now_ms())
        return not any(isinstance(event, Close) for event in events)


def _now_ms() -> int:
    return time.monotonic_ns() // 1_000_000
