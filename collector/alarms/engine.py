"""One look at everything that can be wrong: what is raised, risen, seen at the basin, cleared; what nodes are told."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from collector.alarms.due import due_held
from collector.alarms.ended import happened
from collector.alarms.gather import Gather, nodes, sides
from collector.alarms.held import Happened, Held, Key
from collector.alarms.keeper import Keeper
from collector.alarms.timing import Looked, Timing, rises
from collector.clock import UtcClock
from collector.conditions import Condition, Conditions
from collector.ledger import COLLECTOR, records
from collector.projections import set_site
from collector.record.book import Book
from collector.record.things import Alarm
from collector.schema import FILE_NAME, connect
from soak.wire import AlarmOrders

log = logging.getLogger(__name__)

DUE_EVERY_S = 30.0
GOOD_FOR_S = 60
"""How long a node signals an alarm of ours without hearing of it again."""

BY_ITSELF = frozenset({"opened-early", "below-minimum", "above-maximum", "sensor-fault", "unassigned-opening"})
"""What a node signals by its own rule, and lets be quieted by its own button; it is not told of these."""

_LOOKED = "alarms-looked"
_MOST_RECORDS = 5_000
"""In one look: after a long time away the looks between serve what is live."""

_KEEP_EVERY = 200  # so many records are looked at again after a restart, which raises nothing twice


class _Found(NamedTuple):
    """What one look has to put on record."""

    looked: Looked
    events: list[Happened]
    rising: list[Alarm]
    pressed: list[Alarm]


class Alarms:
    """What stands. For one thread, with a database connection of its own; others ask `orders` and `changed`.

    Args:
        data_dir: The collector's data folder.
        clock: The collector's wall clock.
        conditions: What is wrong with its surroundings.
        rehearsed: The clock is a rehearsal's, and what is older than this start was played before it.
    """

    def __init__(self, data_dir: Path, clock: UtcClock, conditions: Conditions, *, rehearsed: bool = False) -> None:
        self._data_dir, self._clock, self._conditions = data_dir, clock, conditions
        self._db = connect(data_dir / FILE_NAME)
        self._connection = self._db.conn
        self._past_until_ms = began_ms = clock() if rehearsed else None
        self._keeper = Keeper(self._connection, clock, began_ms)
        self._past_declared = False
        self._timing, self._gather = Timing(), Gather(began_ms)
        self._due: dict[Key, Held] = {}
        self._due_s = float("-inf")
        self._looked = self._kept = self._left_off()
        self._lock = threading.Lock()
        self._orders: dict[str, list[AlarmOrders]] = {}
        self._changed: set[str] = set()

    def close(self) -> None:
        """Give the connection back."""
        self._db.close()

    def orders(self) -> dict[str, list[AlarmOrders]]:
        """By basin as "node/name", what its node is to signal."""
        with self._lock:
            return dict(self._orders)

    def changed(self) -> set[str]:
        """Nodes whose part of `orders` has changed since this was last asked."""
        with self._lock:
            changed, self._changed = self._changed, set()
        return changed

    def look(self) -> None:
        """One look.

        Raises:
            sqlite3.Error: The database cannot be read or written; what was to be recorded is, with a later look.
        """
        now_ms = self._clock()
        book = Book.looking(self._connection, now_ms)
        standing = self._keeper.standing()
        conditions = self._conditions.standing()
        held = self._held(book, conditions)
        looked = self._timing.look(held, [each for each in standing if _ends_by_itself(each)], book.policy, now_ms)
        newest, events = self._events(book)
        rising = [alarm for alarm in standing if rises(alarm, book.policy, now_ms)]
        pressed = _pressed(book, standing)
        found = _Found(looked, events, rising, pressed)
        if any((*looked, events, rising, pressed)) or newest - self._kept >= _KEEP_EVERY:
            self._write(found, newest, now_ms)
        self._looked = newest
        self._tell_nodes(now_ms)

    def _held(self, book: Book, conditions: Iterable[Condition]) -> dict[Key, Held]:
        if time.monotonic() - self._due_s >= DUE_EVERY_S and not self._playing_the_past():
            self._due_s = time.monotonic()
            self._due = {held.key: held for held in due_held(book, nodes(book), conditions, self._data_dir)}
        found = {held.key: held for held in self._gather.look(book, _silent(book, conditions))}
        return {**self._due, **found}

    def _playing_the_past(self) -> bool:
        """A rehearsal's past is still being declared: what is due by what is said so far means nothing."""
        if self._past_until_ms is None or self._past_declared:
            return False
        row = self._connection.execute(
            "SELECT at_ms FROM ledger WHERE who <> ? ORDER BY number DESC LIMIT 1", (COLLECTOR,)
        ).fetchone()
        self._past_declared = row is not None and row[0] >= self._past_until_ms
        return not self._past_declared

    def _events(self, book: Book) -> tuple[int, list[Happened]]:
        """What has happened by the records since the last look."""
        newest = self._looked
        found: list[Happened] = []
        for record in records(self._connection, self._looked + 1):
            if record.number > self._looked + _MOST_RECORDS:
                break
            newest = record.number
            if record.kind == "page":
                continue
            found += happened(book, record.kind, record.number, record.content(), self._past_until_ms)
        new = {one.held.key: one for one in found if not self._keeper.known(one.held)}
        return newest, list(new.values())

    def _write(self, found: _Found, newest: int, now_ms: int) -> None:
        keeper = self._keeper
        with keeper.transaction():
            for one in found.events:
                if not keeper.known(one.held):
                    keeper.happened(one, now_ms)
            for held in found.looked.raised:
                keeper.raised(held, now_ms)
            for alarm in found.looked.cleared:
                keeper.cleared(alarm, now_ms)
            for alarm in found.rising:
                keeper.risen(alarm, now_ms)
            for alarm in found.pressed:
                keeper.seen_there(alarm, now_ms)
            set_site(self._connection, _LOOKED, str(newest))
        self._kept = newest
        for held in (*(one.held for one in found.events), *found.looked.raised):
            log.warning("alarm raised %s: %s", held.key.code, held.text)

    def _left_off(self) -> int:
        """Up to which record alarms were looked for; of data from before there were any, none is looked for."""
        row = self._connection.execute("SELECT content FROM site WHERE name = ?", (_LOOKED,)).fetchone()
        if row is not None:
            return int(row[0])
        return int(self._connection.execute("SELECT ifnull(max(number), 0) FROM ledger").fetchone()[0])

    def _tell_nodes(self, now_ms: int) -> None:
        orders: dict[str, list[AlarmOrders]] = {}
        for alarm in sorted(self._keeper.standing(), key=lambda each: (each.priority.rank, each.raised_ms)):
            if alarm.basin and alarm.code not in BY_ITSELF and alarm.cleared_ms is None:
                orders.setdefault(alarm.basin, []).append(
                    AlarmOrders(
                        alarm.code,
                        alarm.priority,
                        silenced=alarm.silenced(now_ms),
                        seen=alarm.seen is not None,
                        good_for_s=GOOD_FOR_S,
                    )
                )
        with self._lock:
            for basin in orders.keys() | self._orders.keys():
                if orders.get(basin) != self._orders.get(basin):
                    self._changed.add(basin.partition("/")[0])
            self._orders = orders


def _ends_by_itself(alarm: Alarm) -> bool:
    """Its cause is looked at again and again; not that of a closure or a use, which has happened."""
    return ":" not in alarm.about and alarm.code != "used-unreleased"


def _silent(book: Book, conditions: Iterable[Condition]) -> dict[str, str]:
    """By basin, why nothing is heard of it."""
    basins = [f"{node}/{name}" for node, name in book.connection.execute("SELECT node, name FROM basin").fetchall()]
    silent: dict[str, str] = {}
    for each in conditions:
        if each.code == "node-silent":
            silent |= {basin: each.words.happened for basin in basins if basin.startswith(f"{each.subject}/")}
        elif each.code == "basin-silent":
            silent[each.subject] = each.words.happened
        elif each.code == "broker-away":
            silent = dict.fromkeys(basins, each.words.happened) | silent
    return silent


def _pressed(book: Book, standing: Iterable[Alarm]) -> list[Alarm]:
    """Alarms that somebody has seen at the basin: its button was pressed while the node signalled just this."""
    pressed = {(basin, side.alarm) for basin, side in sides(book) if side.seen_ms is not None and side.alarm}
    return [alarm for alarm in standing if alarm.seen is None and (alarm.basin, alarm.code) in pressed]
