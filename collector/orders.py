"""What nodes are told, so that each can judge its basins by itself."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence

from collector.clock import UtcClock
from collector.ledger import COLLECTOR, head, records
from collector.record import shelf
from collector.record.book import Book
from collector.record.rounds.soaks import soak_of
from collector.record.solutions.fills import fill_block, fill_in
from collector.record.things import Fill, Load, Turn
from collector.store import Store
from soak.wire import AlarmOrders, BasinOrders, LoadOrders, Orders

GOOD_FOR_S = 24 * 3_600
"""How long a node may rely on its orders without hearing again. Our own choice: a night without network, not two."""

_LONGEST_TEXT = 200

BasinAlarms = Mapping[str, Sequence[AlarmOrders]]
"""By basin as "node/name", what its node is to signal beside its own alarms."""


def orders_for(store: Store, clock: UtcClock, node: str, version: int, alarms: BasinAlarms | None = None) -> Orders:
    """The orders of one node as the store has them now.

    Args:
        store: The store.
        clock: The collector's wall clock.
        node: The node.
        version: Rises with every change.
        alarms: What stands; nothing if not given.
    """
    basins: dict[str, BasinOrders] = {}
    book = Book.looking(store.db.conn, clock())
    for basin_id, name in store.basins_of(node):
        in_force = [required for required in store.required(basin_id) if required.since_ms <= book.at_ms]
        if in_force:
            basin = f"{node}/{name}"
            basins[name] = BasinOrders(
                in_force[-1].requirement,
                in_force[-1].terms,
                GOOD_FOR_S,
                fill_problem=_fill_problem(book, basin),
                load=_load(book, basin),
                alarms=list((alarms or {}).get(basin, ())),
            )
    return Orders(version, store.site()["epoch"], basins)


def _fill_problem(book: Book, basin: str) -> str:
    fill = fill_in(book, basin)
    refusal = fill_block(book, fill, book.at_ms) if fill else None
    return refusal.text[:_LONGEST_TEXT] if refusal else ""


def _load(book: Book, basin: str) -> LoadOrders | None:
    """The load, and whether an opening was announced that has not come yet."""
    loads = book.all(Load, group=basin, only_open=True, newest_first=True, limit=1)
    if not loads or loads[0].not_known:
        return None
    [load] = loads
    turns = [turn for each in load.turns if (turn := book.find(Turn, each)) and turn.out_ms is None]
    closed_ms = book.closed_since_ms(basin)
    adding = closed_ms is not None and any(each >= closed_ms for each in load.openings_ms)
    return LoadOrders(load.id, sum(not soak_of(book, turn).met for turn in turns), adding=adding)


class Concerned:
    """Which nodes what people say concerns: a load begun, an opening announced, a fill poured or failed.

    Args:
        connection: To the database.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._looked = head(connection).records

    def look(self) -> set[str]:
        """Nodes that what was said since the last look concerns."""
        nodes: set[str] = set()
        for record in records(self._connection, self._looked + 1):
            self._looked = record.number
            if record.who != COLLECTOR:
                changes = record.content().get("changes", {})
                for kind in (Load, Turn, Fill):
                    bodies = [shelf.body_of(self._connection, kind.KIND, each) for each in changes.get(kind.KIND, {})]
                    nodes |= {basin.partition("/")[0] for body in bodies if (basin := body.get("basin"))}
        return nodes
