"""The collector at work: takes from the link, commits, sends receipts; orders now and then; says what is wrong."""

from __future__ import annotations

import logging
import secrets
import sqlite3
import threading
import time
from collections.abc import Iterable
from pathlib import Path

import msgspec

from collector.alarms.thread import AlarmThread
from collector.broker.watching import CertificateWatch
from collector.clock import UtcClock
from collector.conditions import LASTING, Condition, Conditions
from collector.health import Place
from collector.intake import Arrived, Intake
from collector.link import Link
from collector.orders import GOOD_FOR_S, Concerned, orders_for
from collector.others import Others, client_id
from collector.reassess import Reassessment
from collector.rivals import Rivals
from collector.schema import FILE_NAME
from collector.settings import Settings
from collector.silence_watch import SilenceWatch
from collector.status import read
from collector.store import Store
from collector.storing import Storing
from collector.upkeep import Upkeep
from collector.watch import Pulse, Watch
from soak.rehearsal import Rehearsal
from soak.wire import Receipt

log = logging.getLogger(__name__)

MOST_MESSAGES = 2_000
"""In one commit, from either lane."""

MOST_BYTES = 400_000
"""Likewise, about 5,000 readings: what is fresh must not wait long behind what is past, nor behind itself."""

PAUSE_S = 0.02
"""Between commits, so that other writers get in: back-to-back commits starve them for seconds, until they give up."""

RENEW_EVERY_S = 20.0
"""How often standing alarms are said again to nodes, which let go of them after 60 s without a word."""

LASTING_MS = 7 * 24 * 3_600_000
"""What a new start does not mend is shown again for so long. Our own choice: a week of daily looks."""

_LOOK_EVERY_S = 0.5
_WAIT_S = 0.2
_OVERLOAD_OVER_S = 60.0


class Service:
    """Runs until stopped.

    Args:
        settings: The checked settings.
        store: Open, and used by this thread alone.
        clock: The collector's wall clock.
        data_dir: The store's folder, for the status file.
        rehearsal: Its clock; None in earnest.
    """

    def __init__(
        self, settings: Settings, store: Store, clock: UtcClock, data_dir: Path, rehearsal: Rehearsal | None = None
    ) -> None:
        self._store, self._clock = store, clock
        store.apply(settings)
        epoch = store.site()["epoch"]
        self._rivals = Rivals(epoch, secrets.token_hex(8), clock())
        self._conditions = Conditions(clock, _left_standing(data_dir, clock()))
        intake = Intake(store, clock)
        self._storing = Storing(store, intake, self._conditions, Place(data_dir / FILE_NAME))
        self._reassessment, self._looked_s = Reassessment(store, intake), float("-inf")
        self._concerned = Concerned(store.db.conn)
        self._alarms = AlarmThread(data_dir, clock, self._conditions, settings, rehearsal)
        self._renewed_s = float("-inf")
        self._link = Link(settings.broker, client_id(epoch))
        self._others = Others(self._rivals, store, self._conditions, self._link, clock)
        self._pulse = Pulse()
        self._silence = SilenceWatch(data_dir, settings.silent_after_ms(), self._conditions)
        self._upkeep = Upkeep(data_dir, settings, store, self._conditions, clock=clock, rehearsal=rehearsal)
        self._certificates = CertificateWatch(settings, self._conditions)
        self._watch = Watch(
            data_dir,
            self._rivals,
            clock,
            self._conditions,
            pulse=self._pulse,
            linked=self._link.alive,
            own=lambda: self._upkeep.own,
            certificates=self._certificates,
        )
        self._connected, self._orders_sent_s = False, float("-inf")
        self._greeted: set[str] = set()
        self._dropped, self._dropped_s = 0, float("-inf")

    def run(self, stop: threading.Event) -> None:
        """Take messages in until `stop` is set, then once more; what still waits then, its node sends again.

        Raises:
            StartError: Another collector, which started earlier, works on the same broker.
            DataError: The database is damaged, or no longer where it was.
        """
        self._link.start()
        self._alarms.start()
        self._certificates.start()
        self._watch.start()
        try:
            while not stop.is_set():
                self._tick()
                if not self._others.listened():
                    stop.wait(PAUSE_S)
                elif (messages := self._next_messages()) or self._storing.troubled:
                    self._take(messages, stop)
                    time.sleep(PAUSE_S)
            if messages := self._next_messages(wait_s=0):
                self._take(messages, stop)
        finally:
            self._alarms.stop()
            self._silence.close()
            self._upkeep.close()
            self._link.stop()
            self._certificates.stop()
            self._watch.stop()

    def _tick(self) -> None:
        """Everything beside taking messages in; also while nothing can be stored."""
        self._pulse.beat()
        if self._link.mend():
            log.error("the process that holds the connection had died or hung; it was begun anew")
        self._note_connections()
        self._note_overload()
        self._conditions.fade()
        self._alarms.watch()
        try:
            if self._others.hear():
                self._orders_sent_s = float("-inf")
            self._silence.look()
            if not self._storing.troubled:
                self._upkeep.look()
            self._look_for_changes()
            self._send_orders_when_due()
        except sqlite3.Error as error:
            self._storing.refused(error)

    def _note_connections(self) -> None:
        while not self._link.connections.empty():
            connected = self._link.connections.get()
            log.info("broker connected" if connected else "broker lost; trying again")
            self._connected = connected
            if connected:
                self._conditions.clear("broker-away")
                self._others.connected()
                self._orders_sent_s = float("-inf")
            else:
                self._others.lost()
                why = self._link.why.rstrip(".")
                self._conditions.set(
                    "broker-away", detail=f"{self._link.address}: {why}" if why else self._link.address
                )

    def _note_overload(self) -> None:
        dropped, now_s = self._link.lanes.dropped, time.monotonic()
        if dropped != self._dropped:
            self._dropped, self._dropped_s = dropped, now_s
            self._conditions.set("overloaded", detail=f"{dropped} messages had no room since the start")
        elif now_s - self._dropped_s > _OVERLOAD_OVER_S:
            self._conditions.clear("overloaded")

    def _look_for_changes(self) -> None:
        """Somebody poured, discarded or corrected: tell the nodes at once, and judge again a little at a time."""
        if self._storing.troubled:
            return
        now_s = time.monotonic()
        if now_s - self._looked_s >= _LOOK_EVERY_S:
            self._looked_s = now_s
            self._tell(self._reassessment.look() | self._concerned.look() | self._alarms.changed())
            self._renew_alarms(now_s)
        self._reassessment.step()

    def _tell(self, nodes: Iterable[str]) -> None:
        if self._connected:
            for node in nodes:
                self._send_orders(node)

    def _renew_alarms(self, now_s: float) -> None:
        """A node lets go of an alarm of which it hears nothing for a minute."""
        if now_s - self._renewed_s >= RENEW_EVERY_S:
            self._renewed_s = now_s
            self._tell({basin.partition("/")[0] for basin in self._alarms.orders()})

    def _send_orders_when_due(self) -> None:
        if not self._connected or time.monotonic() - self._orders_sent_s < GOOD_FOR_S / 24:
            return
        self._orders_sent_s = time.monotonic()
        for node in self._store.nodes():
            self._send_orders(node)

    def _send_orders(self, node: str) -> None:
        now_ms = self._clock()
        orders = orders_for(self._store, self._clock, node, now_ms, self._alarms.orders())
        self._link.send_orders(node, msgspec.structs.replace(orders, by=self._rivals.sender(now_ms)))
        self._greeted.add(node)

    def _next_messages(self, wait_s: float = _WAIT_S) -> list[Arrived]:
        return self._link.lanes.take(MOST_MESSAGES, MOST_BYTES, wait_s)

    def _take(self, messages: list[Arrived], stop: threading.Event) -> None:
        receipts = self._storing.take(messages, lambda seconds: self._pause(seconds, stop))
        if not receipts:
            return
        self._pulse.stored_ms = self._clock()
        self._alarms.wake()
        for node, receipt in receipts.items():
            if node not in self._greeted:  # a node new here; and a collector beside this one hears who speaks
                self._send_orders(node)
            self._send_receipt(node, receipt)

    def _send_receipt(self, node: str, receipt: Receipt) -> None:
        """With the ledger's end: whoever keeps a receipt can tell later whether the chain still has it."""
        said = msgspec.structs.replace(receipt, by=self._rivals.sender(self._clock()), ledger=self._store.ledger_head())
        self._link.send_receipt(node, said)

    def _pause(self, seconds: float, stop: threading.Event) -> bool:
        """Wait, and do meanwhile whatever needs no store; True when told to stop."""
        until_s = time.monotonic() + seconds
        while not stop.is_set() and (left_s := until_s - time.monotonic()) > 0:
            self._tick()
            stop.wait(min(_WAIT_S, left_s))
        return stop.is_set()


def _left_standing(data_dir: Path, now_ms: int) -> list[Condition]:
    """What the last start left, and this one does not mend."""
    last = read(data_dir).status
    conditions = last.conditions if last else []
    return [each for each in conditions if each.code in LASTING and now_ms - each.since_ms < LASTING_MS]
