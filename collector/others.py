"""What this collector hears of collectors: a second one beside it, and what it promised itself before it started."""

from __future__ import annotations

import logging
import queue
import time
from collections.abc import Iterator

import msgspec

from collector.clock import UtcClock
from collector.conditions import Conditions
from collector.errors import StartError
from collector.intake import Arrived
from collector.link import Link
from collector.promises import Promises
from collector.rivals import Rival, Rivals
from collector.store import Store
from soak.wire import Orders, Receipt, UnreadableError, decode, parse_topic

log = logging.getLogger(__name__)

LISTEN_S = 1.5
"""After the first connection a collector listens before it takes anything in: an earlier one answers, and receipts that
the broker kept are held against the store as it was. For so long the connection must stand: where both have one login,
the earlier one throws this one out, and is back after a second."""

ANSWER_EVERY_S = 1.0
_OVER_S = 300.0


def client_id(epoch: str) -> str:
    """The collector's name at the broker, which keeps what arrives for it."""
    return f"soakledger-collector-{epoch}"


class Others:
    """Listens. For the thread that has the store.

    Args:
        rivals: Knows this collector's own voice.
        store: The store.
        conditions: Where it is said.
        link: The connection.
        clock: The wall clock.
    """

    def __init__(self, rivals: Rivals, store: Store, conditions: Conditions, link: Link, clock: UtcClock) -> None:
        self._rivals, self._store, self._conditions = rivals, store, conditions
        self._link, self._clock = link, clock
        self._promises: Promises | None = Promises(store, rivals.epoch, rivals.run)
        self._connected_s: float | None = None
        self._answered_s = self._heard_s = float("-inf")
        self._owes_answer = False

    def connected(self) -> None:
        """There is a new connection."""
        self._rivals.connected()
        if self._connected_s is None:
            self._connected_s = time.monotonic()

    def lost(self) -> None:
        """The connection is gone."""
        if self._promises is not None:
            self._connected_s = None

    def listened(self) -> bool:
        """Taking in may begin: whoever would have answered has, and what was promised has been looked at."""
        if self._promises is None:
            return True
        if self._connected_s is None or time.monotonic() - self._connected_s < LISTEN_S:
            return False
        promises, self._promises = self._promises, None
        self._link.ignore_receipts()
        if promises.broken:
            self._begin_epoch(promises)
        return True

    def hear(self) -> bool:
        """Take in what was said since; True if orders should be said now, as an answer.

        Raises:
            StartError: Another collector, which started earlier, lives.
        """
        for arrived, node, message in self._words():
            if self._promises and isinstance(message, Receipt) and arrived.retained:
                self._promises.heard(node, message)
            rival = self._rivals.heard(arrived.topic, message.by, retained=arrived.retained)
            if rival:
                self._meet(rival)
        now_s = time.monotonic()
        if now_s - self._heard_s > _OVER_S:
            self._conditions.clear("second-collector")
        if not self._owes_answer or now_s - self._answered_s < ANSWER_EVERY_S:
            return False
        self._owes_answer, self._answered_s = False, now_s
        return True

    def _words(self) -> Iterator[tuple[Arrived, str, Orders | Receipt]]:
        while True:
            try:
                arrived = self._link.words.get_nowait()
            except queue.Empty:
                return
            try:
                node, topic = parse_topic(arrived.topic)
                message = decode(topic, arrived.payload)
            except UnreadableError as error:
                log.warning("something on %.120s is not from a collector: %s", arrived.topic, error)
                continue
            if isinstance(message, Orders | Receipt):
                yield arrived, node, message

    def _meet(self, rival: Rival) -> None:
        """Name it; it is to hear us too, and nodes are to hear us last."""
        said = f"started {rival.by.started}, its data {rival.by.epoch}" if rival.by else "it does not sign what it says"
        if rival.earlier:
            raise StartError(
                f"Another collector works on this broker ({said}). Two would tell nodes different things, so this one, "
                "which started later, has stopped. Stop the other first, or name another broker."
            )
        self._heard_s = time.monotonic()
        self._conditions.set("second-collector", detail=said)
        self._owes_answer = True

    def _begin_epoch(self, promises: Promises) -> None:
        """The database is older than what was promised: from here on nodes hear another epoch, and what is there."""
        with self._store.transaction():
            epoch = self._store.new_epoch()
        self._rivals.epoch = epoch
        nodes = ", ".join(f"{missing} readings of {node}" for node, missing in sorted(promises.broken.items())[:5])
        more = f" and {len(promises.broken) - 5} more nodes" if len(promises.broken) > 5 else ""
        self._conditions.set("restored-older", detail=f"{nodes}{more}; the data are {epoch} from now on")
        self._link.rename(client_id(epoch))
        for node, receipt in promises.corrected.items():
            self._link.send_receipt(node, msgspec.structs.replace(receipt, by=self._rivals.sender(self._clock())))
