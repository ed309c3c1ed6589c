"""Commissionings of nodes: each goes into the ledger once, however often its node says it.

The ledger itself is where they are kept and looked up, through its index of kinds: there are a few of each node.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable

import msgspec

from collector.clock import UtcClock
from collector.machine import Machine, NodeCommissioned
from soak.decoding import from_json
from soak.quantity import utc_ms
from soak.wire import Commissioned

log = logging.getLogger(__name__)

MOST_A_DAY = 20
"""Records of one node in 24 hours: a node gone mad must not fill the ledger, which keeps everything for ever."""

MOST_BYTES = 64 * 1024
"""Of one of them. Eight basins come to some eight thousand."""

_DAY_MS = 86_400_000
_OF_NODE = "kind = 'node-commissioned' AND json_extract(body, '$.node') = ?"


class Commissionings:
    """Puts them on record. For one thread, within the store's transactions.

    Args:
        connection: To the database.
        append: Adds one of the collector's own records.
        clock: The collector's wall clock.
    """

    def __init__(self, connection: sqlite3.Connection, append: Callable[[Machine], None], clock: UtcClock) -> None:
        self._connection, self._append, self._clock = connection, append, clock
        self._known: dict[str, str] = {}  # by node, the id that was looked up last

    def forget(self) -> None:
        """After a transaction that did not hold."""
        self._known.clear()

    def hear(self, node: str, commissioned: Commissioned | None) -> None:
        """What a node says of it, with each state message."""
        if commissioned is None or self._known.get(node) == commissioned.id:
            return
        self._known[node] = commissioned.id
        if self._recorded(node, commissioned.id):
            return
        if len(msgspec.json.encode(commissioned)) > MOST_BYTES:
            log.warning("commissioning not recorded node=%s: it has more than %d bytes", node, MOST_BYTES)
            return
        if self._lately(node) >= MOST_A_DAY:
            log.warning("commissioning not recorded node=%s: %d in one day are on record already", node, MOST_A_DAY)
            return
        at_ms = min(max(0, utc_ms(commissioned.at)), self._clock() + _DAY_MS)  # no clock dates it outside the calendar
        self._append(NodeCommissioned(node, at_ms, commissioned))

    def _recorded(self, node: str, id_: str) -> bool:
        sql = f"SELECT 1 FROM ledger WHERE {_OF_NODE} AND json_extract(body, '$.commissioned.id') = ?"  # noqa: S608
        return self._connection.execute(sql, (node, id_)).fetchone() is not None

    def _lately(self, node: str) -> int:
        sql = f"SELECT count(*) FROM ledger WHERE {_OF_NODE} AND at_ms > ?"  # noqa: S608
        return int(self._connection.execute(sql, (node, self._clock() - _DAY_MS)).fetchone()[0])


def last_commissioned(connection: sqlite3.Connection) -> dict[str, tuple[int, NodeCommissioned]]:
    """By node the newest record: its number, and what it says."""
    rows = connection.execute("SELECT number, body FROM ledger WHERE kind = 'node-commissioned' ORDER BY number")
    found: dict[str, tuple[int, NodeCommissioned]] = {}
    for number, body in rows:
        said = from_json(body, NodeCommissioned)
        found[said.node] = (number, said)
    return found
