"""Messages into the store. When it refuses: name it, wait, try again; set aside what this program fails on."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable

from collector.conditions import STOPPING, Conditions
from collector.errors import DataError
from collector.health import Place, condition_of, damaged_while_running, in_full
from collector.intake import Arrived, Intake
from collector.store import Store
from soak.wire import Receipt

log = logging.getLogger(__name__)

RETRY_S = 2.0
BUSY_MS = 2_000
"""How long SQLite itself waits for another writer, before that is named."""
MOST_TRIES_DAMAGED = 3
"""A page read wrong once may read right the next time; a file that stays damaged ends the collector."""

_MESSAGE_AT_FAULT = (sqlite3.IntegrityError, sqlite3.DataError, sqlite3.ProgrammingError, sqlite3.InterfaceError)
"""Of what SQLite refuses, this would be refused again: anything else (locked, full, not answering) may pass."""

Receipts = dict[str, Receipt]
Pause = Callable[[float], bool]
"""Waits so many seconds; True when the collector is to stop."""


class Storing:
    """Takes messages in. For the thread that has the store.

    Args:
        store: The store.
        intake: What reads messages into it.
        conditions: Where a refusal is named.
        place: Where its database is.

    Attributes:
        troubled: It refused, and has taken nothing in since.
    """

    def __init__(self, store: Store, intake: Intake, conditions: Conditions, place: Place) -> None:
        self._store, self._intake, self._conditions, self._place = store, intake, conditions, place
        self._damaged = 0
        self.troubled = False
        store.db.conn.execute(f"PRAGMA busy_timeout = {BUSY_MS}")

    def take(self, messages: list[Arrived], pause: Pause) -> Receipts:
        """Take messages in; without a commit there is no receipt, and the nodes keep what they have.

        Returns:
            What the disk now has, by node; empty when told to stop before it would take anything.

        Raises:
            DataError: The database is damaged, or no longer where it was.
        """
        while True:
            self._stay()
            try:
                receipts = self._intake.take(messages)
            except Exception as error:
                if not isinstance(error, sqlite3.Error) or isinstance(error, _MESSAGE_AT_FAULT):
                    return self._take_singly(messages, pause)
                self.refused(error)
                if pause(RETRY_S):
                    return {}
            else:
                self._stay()
                self._took()
                return receipts

    def refused(self, error: sqlite3.Error) -> None:
        """Name what keeps the store from working.

        Raises:
            DataError: The database is damaged and stays so.
        """
        self.troubled = True
        code = condition_of(error)
        self._conditions.clear(*(each for each in STOPPING if each != code))
        self._conditions.set(code, detail=in_full(error))
        self._damaged = self._damaged + 1 if code == "database-damaged" else 0
        if self._damaged >= MOST_TRIES_DAMAGED:
            raise damaged_while_running(self._place.path, error)

    def _took(self) -> None:
        self._damaged = 0
        self.troubled = False
        self._conditions.clear(*STOPPING)
        for noticed in self._intake.noticed:
            self._conditions.set(*noticed)
        self._intake.noticed.clear()

    def _stay(self) -> None:
        """A receipt for what went into a file that nobody will read is a lie."""
        if not self._place.kept():
            self._conditions.set("database-moved", detail=str(self._place.path))
            raise DataError(
                f"{self._place.path} was moved away or replaced while the collector wrote to it. It has stopped, with "
                "no receipt for what came last. Put the right database there, with its files, and start again."
            )

    def _take_singly(self, messages: list[Arrived], pause: Pause) -> Receipts:
        """This program fails on one of them: find it, set it aside, take the others in."""
        if len(messages) == 1:
            self._set_aside(messages[0])
            return {}
        receipts: Receipts = {}
        for message in messages:
            for node, receipt in self.take([message], pause).items():
                receipts[node] = joined(receipts.get(node), receipt)
        return receipts

    def _set_aside(self, message: Arrived) -> None:
        log.exception("a message on %.120s could not be taken in; it is set aside", message.topic)
        detail = "this program failed on it; the log has the trace. Please report it."
        try:
            with self._store.transaction():
                self._store.park(message.topic, message.payload, "unexpected", detail)
        except sqlite3.Error as error:
            log.error("nor can it be set aside (%s); its node sends it again", in_full(error))  # noqa: TRY400


def joined(earlier: Receipt | None, later: Receipt) -> Receipt:
    """Two receipts for one node as one; of a stream that both name, the later says all that the earlier did."""
    if earlier is None:
        return later
    return Receipt({**earlier.streams, **later.streams}, later.ledger, {**earlier.lost, **later.lost}, later.by)
