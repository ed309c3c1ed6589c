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
from firmware.kept_orders import KeptOrders
from firmware.link import Link
from firmware.orders import OrdersInHand
from firmware.retry import Retry
from firmware.said import Said, Saying
from firmware.settings import Settings
from firmware.source import Source
from firmware.watch import Pulse, Watch
from firmware.window import Window
from soak import wire

log = logging.getLogger(__name__)

MOST_STILL_S = 60.0
_JOIN_S = 10.0
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
        troubles: What is wrong with the node itself now, in few words each.
        basins: What is said and shown at each basin now.
        disk: What is written to the node's disk.
        commissioned: The node's commissioning; None: there was none.
        lids: Per basin whether its lid switch is closed now.
        kept: Where orders outlive a restart; None: nowhere.
        retry: How long to wait between connections.

    Attributes:
        pulse: Shows that the thread moves.

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
        troubles: Callable[[], list[str]] = list,
        basins: Callable[[], list[wire.BasinSide]] = list,
        disk: Callable[[], wire.DiskUse | None] = lambda: None,
        commissioned: wire.Commissioned | None = None,
        lids: Callable[[], dict[str, bool]] = dict,
        kept: KeptOrders | None = None,
        retry: Retry | None = None,
    ) -> None:
        self._events: queue.Queue[Event | Wake | Close] = queue.Queue()
        self._link = Link(settings.node, settings.broker, self._events, retry=retry)
        self._conversation = Conversation(
            settings.node,
            clock,
            sources,
            sensors,
            version=version,
            window=window,
            troubles=lambda: [*troubles(), *self._troubles()],
            basins=basins,
            disk=disk,
            commissioned=commissioned,
            send=self._send,
        )
        self._kept, self._began_ms = kept, _now_ms()
        self._clock, self._lids, self._saying = clock, lids, Saying()
        if kept:
            self._conversation.orders = kept.load()
        self.pulse = Pulse("the uplink's thread", MOST_STILL_S)
        self._closing, self._failures, self._problem = False, 0, ""
        self._thread = self._new_thread()

    @property
    def orders(self) -> OrdersInHand | None:
        """The newest orders, None before any came."""
        return self._conversation.orders

    @property
    def silent_ms(self) -> int:
        """For how long the collector has said nothing, in real milliseconds; from the start if it never did."""
        heard_ms = self._conversation.heard_ms
        return _now_ms() - (self._began_ms if heard_ms is None else heard_ms)

    @property
    def refused(self) -> dict[str, int]:
        """How many messages were not taken in, by reason."""
        return self._conversation.refused

    def start(self) -> None:
        """Begin."""
        self._link.start()
        self._begin()

    def watch(self, watch: Watch) -> None:
        """Have both threads watched, and another put in the place of one that is dead or stuck."""
        watch.add(self.pulse, self._mend)
        watch.add(self._link.pulse, lambda: self._link.renew("its thread was dead or stuck"))

    def wake(self) -> None:
        """A source holds something new. May be called from any thread."""
        self._events.put(Wake())

    def close(self) -> None:
        """Send what is fresh, say goodbye, end. What no receipt covers stays with its source."""
        self._closing = True
        self._events.put(Close())
        if self._thread.is_alive():
            self._thread.join(_JOIN_S)
        self._link.close()

    def _send(self, topic: str, payload: bytes, retain: bool) -> int:
        return self._link.publish(topic, payload, retain=retain)

    def _troubles(self) -> list[str]:
        kept = [self._kept.trouble] if self._kept and self._kept.trouble else []
        rival = ["the broker throws this node out again and again: is its name used twice?"] if self._link.rival else []
        return [*kept, *rival, *self._link.obstacle.told, *([self._problem] if self._problem else [])]

    def _new_thread(self) -> threading.Thread:
        return threading.Thread(target=self._run, name="uplink", daemon=True)

    def _begin(self) -> None:
        self.pulse.of(self._thread)
        self._thread.start()

    def _mend(self) -> None:
        """Another thread goes on with the same conversation; the old one, should it move again, ends."""
        self._thread = self._new_thread()
        self._link.renew("the uplink's thread was dead or stuck")
        self._begin()

    def _run(self) -> None:
        """Nothing that fails here may end it: readings are taken and kept all the same."""
        going = True
        while going and self._mine():
            try:
                going = self._turn()
                self._failures, self._problem = 0, ""
            except Exception as error:
                log.exception("uplink failed; it goes on with a new connection")
                self._failures += 1
                self._problem = f"uplink failed: {error or type(error).__name__}"
                self._pause()
                going = not self._closing
                if going and self._mine():
                    self._link.renew("the uplink failed")
        if self._mine() and self._conversation.connected:
            self._link.goodbye()

    def _turn(self) -> bool:
        going = self._handled(self._next_events())
        if self._mine():
            if self._kept:
                self._conversation.orders = self._kept.mind(self._conversation.orders)
            self._conversation.speak(_now_ms())
            self._saying.mind(self._said)
            if self._conversation.stalled(_now_ms()):
                self._link.renew("the broker takes nothing, though it is connected")
            self.pulse.moved()
        return going

    def _said(self) -> Said:
        clock, state = self._clock, self._conversation.state(_now_ms())
        return Said(
            state, clock.boot_ms(), clock.boot_id, self._lids(), self._conversation.connected, max(0, self.silent_ms)
        )

    def _mine(self) -> bool:
        return threading.current_thread() is self._thread

    def _pause(self) -> None:
        """After a failure: longer each time, but never so long that it would count as stuck."""
        end_s = time.monotonic() + min(2.0 ** (self._failures - 1), MOST_STILL_S / 2)
        while time.monotonic() < end_s and not self._closing and self._mine():
            time.sleep(_LEAST_WAIT_S)

    def _next_events(self) -> list[Event | Wake | Close]:
        """Wait for something to happen or to be due; everything that has happened by then."""
        now_ms = _now_ms()
        due_ms = self._conversation.next_due_ms(now_ms)
        try:
            wait_s = MOST_STILL_S / 4 if due_ms is None else max(_LEAST_WAIT_S, (due_ms - now_ms) / 1000)
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
