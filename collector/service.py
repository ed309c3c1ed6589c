"""The collector at work: takes from the link, commits, sends receipts; orders now and then."""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
import time

from collector.clock import UtcClock
from collector.intake import Arrived, Intake
from collector.link import Link
from collector.orders import GOOD_FOR_S, orders_for
from collector.settings import Settings
from collector.store import Store

log = logging.getLogger(__name__)

MOST_MESSAGES = 500
"""In one commit."""

MOST_BACKLOG_BYTES = 400_000
"""In one commit, about 5,000 readings: what is fresh must not wait long behind what is past."""

PAUSE_S = 0.02
"""Between commits, so that other writers get in: back-to-back commits starve them for seconds, until they give up."""

_MESSAGE_AT_FAULT = (sqlite3.IntegrityError, sqlite3.DataError, sqlite3.ProgrammingError, sqlite3.InterfaceError)
"""Of what SQLite refuses, this would be refused again: anything else (locked, full, not answering) may pass."""

_WAIT_S = 0.2
_STORE_RETRY_S = 2.0


class Service:
    """Runs until stopped.

    Args:
        settings: The checked settings.
        store: Open, and used by this thread alone.
        clock: The collector's wall clock.
    """

    def __init__(self, settings: Settings, store: Store, clock: UtcClock) -> None:
        self._store = store
        self._clock = clock
        store.apply(settings)
        self._intake = Intake(store, clock)
        self._link = Link(settings.broker, f"soakledger-collector-{store.site()['epoch']}")
        self._orders_sent_s = float("-inf")
        self._dropped = 0

    def run(self, stop: threading.Event) -> None:
        """Take messages in until `stop` is set, then once more; what still waits then, its node sends again."""
        self._link.start()
        try:
            while not stop.is_set():
                self._note_connections()
                self._send_orders_when_due()
                if messages := self._next_messages():
                    self._take(messages, stop)
                    time.sleep(PAUSE_S)
            if messages := self._next_messages(wait_s=0):
                self._take(messages, stop)
        finally:
            self._link.stop()

    def _note_connections(self) -> None:
        while not self._link.connections.empty():
            connected = self._link.connections.get()
            log.info("broker connected" if connected else "broker lost; trying again")
            if connected:
                self._orders_sent_s = float("-inf")
        if self._link.dropped != self._dropped:
            log.warning("%d messages came too fast and wait at their nodes", self._link.dropped - self._dropped)
            self._dropped = self._link.dropped

    def _send_orders_when_due(self) -> None:
        if time.monotonic() - self._orders_sent_s < GOOD_FOR_S / 24:
            return
        self._orders_sent_s = time.monotonic()
        for node in self._store.nodes():
            self._link.send_orders(node, orders_for(self._store, self._clock, node, self._clock()))

    def _next_messages(self, wait_s: float = _WAIT_S) -> list[Arrived]:
        """What has arrived, fresh messages first, as much as goes into one commit; waits a little for the first."""
        messages = _taken(self._link.fresh, MOST_MESSAGES)
        held_bytes = 0
        while held_bytes < MOST_BACKLOG_BYTES and (past := _taken(self._link.backlog, 1)):
            messages += past
            held_bytes += len(past[0].payload)
        if not messages and wait_s:
            with contextlib.suppress(queue.Empty):
                messages.append(self._link.fresh.get(timeout=wait_s))
        return messages

    def _take(self, messages: list[Arrived], stop: threading.Event) -> None:
        """Take messages in; without a commit there is no receipt, and the nodes keep what they have."""
        while True:
            try:
                receipts = self._intake.take(messages)
                break
            except Exception as error:
                if not isinstance(error, sqlite3.Error) or isinstance(error, _MESSAGE_AT_FAULT):
                    self._take_singly(messages, stop)
                    return
                log.error("nothing can be stored (%s); the nodes keep their readings; trying again", error)  # noqa: TRY400
                if stop.wait(_STORE_RETRY_S):
                    return
        for node, receipt in receipts.items():
            self._link.send_receipt(node, receipt)

    def _take_singly(self, messages: list[Arrived], stop: threading.Event) -> None:
        """This program fails on one of them: find it, set it aside, take the others in."""
        if len(messages) == 1:
            self._set_aside(messages[0])
            return
        for message in messages:
            self._take([message], stop)

    def _set_aside(self, message: Arrived) -> None:
        log.exception("a message on %.120s could not be taken in; it is set aside", message.topic)
        detail = "this program failed on it; the log has the trace. Please report it."
        try:
            with self._store.transaction():
                self._store.park(message.topic, message.payload, "unexpected", detail)
        except sqlite3.Error as error:
            log.error("nor can it be set aside (%s); its node sends it again", error)  # noqa: TRY400


def _taken(lane: queue.Queue[Arrived], most: int) -> list[Arrived]:
    messages: list[Arrived] = []
    with contextlib.suppress(queue.Empty):
        while len(messages) < most:
            messages.append(lane.get_nowait())
    return messages
