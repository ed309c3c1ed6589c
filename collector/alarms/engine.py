"""One look at everything that can be wrong: what is raised, risen, seen at the basin, cleared; what nodes are told."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from collector.alarms.chain import ChainCheck
from collector.alarms.due import Due, due_held
from collector.alarms.ended import happened
from collector.alarms.gather import Gather, nodes, sides
from collector.alarms.held import Happened, Held, Key
from collector.alarms.keeper import Keeper
from collector.alarms.routes import Routes
from collector.alarms.telling import Telling
from collector.alarms.timing import Timing, rises
from collector.backup.schedule import BackupSchedule
from collector.clock import UtcClock
from collector.conditions import Condition, Conditions
from collector.ledger import COLLECTOR, Record, head, records
from collector.projections import set_site
from collector.read import NodeNow
from collector.record.book import Book
from collector.record.things import Alarm
from collector.schema import FILE_NAME, connect
from collector.settings import Settings
from soak.wire import AlarmOrders

log = logging.getLogger(__name__)

GOOD_FOR_S = 60
"""How long a node signals an alarm of ours without hearing of it again."""

BY_ITSELF = frozenset({"opened-early", "below-minimum", "above-maximum", "sensor-fault", "unassigned-opening"})
"""What a node signals by its own rule, and lets be quieted by its own button; it is not told of these."""

_LOOKED = "alarms-looked"
MOST_S = 0.2
MOST_ALARMS = 50
"""For so long records are followed at a time, and until so many alarms are to be recorded: after a long time away what
is live is looked at in between, and no transaction is long."""

_KEEP_EVERY = 200  # so many records are looked at again after a restart, which raises nothing twice


class Alarms:
    """What stands. For one thread, with a database connection of its own; others ask `orders` and `changed`.

    Args:
        data_dir: The collector's data folder.
        clock: The collector's wall clock.
        conditions: What is wrong with its surroundings.
        settings: Who is told of alarms.
        routes: On what ways.
        past_until_ms: Where a rehearsal began: what is older was played before it. None in earnest.
        backups: What takes them; None: nothing does, and nothing is said of them.
    """

    def __init__(
        self,
        data_dir: Path,
        clock: UtcClock,
        conditions: Conditions,
        settings: Settings,
        routes: Routes,
        *,
        past_until_ms: int | None = None,
        backups: BackupSchedule | None = None,
    ) -> None:
        self._data_dir, self._clock, self._conditions = data_dir, clock, conditions
        self._db = connect(data_dir / FILE_NAME)
        self._connection = self._db.conn
        self._past_until_ms, self._past_declared = past_until_ms, False
        self._keeper = Keeper(self._connection, clock, past_until_ms)
        self._timing, self._gather = Timing(), Gather()
        self._telling = Telling(settings, self._keeper, routes)
        self._chain, self._due = ChainCheck(data_dir), Due()
        self._backups = backups
        try:
            self._looked = self._kept = self._left_off()
        except BaseException:
            self._db.close()
            raise
        self._lock = threading.Lock()
        self._orders: dict[str, list[AlarmOrders]] = {}
        self._changed: set[str] = set()

    def close(self) -> None:
        """Give the connection back."""
        self._chain.close()
        if self._backups:
            self._backups.close()
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

    def look(self) -> bool:
        """Look at everything: what records say, and what is so now.

        Returns:
            As `follow`.

        Raises:
            sqlite3.Error: The database cannot be read or written; what was to be recorded is, with a later look.
        """
        more = self.follow()
        now_ms, keeper = self._clock(), self._keeper
        book = Book.looking(self._connection, now_ms)
        standing = keeper.standing()
        conditions = self._conditions.standing()
        heard = nodes(book)
        held = self._held(book, conditions, heard)
        looked = self._timing.look(held, [each for each in standing if _ends_by_itself(each)], book.policy, now_ms)
        rising = [alarm for alarm in standing if rises(alarm, book.policy, now_ms)]
        pressed = _pressed(heard, standing)
        if any((*looked, rising, pressed)):
            with keeper.transaction():
                for one in looked.raised:
                    keeper.raised(one, now_ms)
                for alarm in looked.cleared:
                    keeper.cleared(alarm, now_ms)
                for alarm in rising:
                    keeper.risen(alarm, now_ms)
                for alarm in pressed:
                    keeper.seen_there(alarm, now_ms)
            _say(looked.raised)
        standing = keeper.standing()
        self._tell_nodes(standing, now_ms)
        recent = [alarm for alarm in standing if self._past_until_ms is None or alarm.raised_ms >= self._past_until_ms]
        self._telling.look(book, recent, conditions)
        return more

    def tell_unstored(self) -> None:
        """When a look has failed: that nothing can be stored is told without being recorded."""
        self._telling.tell_unstored(self._conditions.standing(), self._clock())

    def follow(self) -> bool:
        """Look at what records say, a bounded part at a time; quick where there is little, so it can be asked often.

        Returns:
            There is more.

        Raises:
            sqlite3.Error: As of `look`.
        """
        now_ms, keeper = self._clock(), self._keeper
        book = Book.looking(self._connection, now_ms)
        until_s, events = time.monotonic() + MOST_S, list[Happened]()
        newest, more = self._looked, False
        for record in records(self._connection, newest + 1):
            if more := time.monotonic() > until_s or len(events) >= MOST_ALARMS:
                break
            newest = record.number
            if record.kind != "page":
                events += self._happened(book, record)
        if events or newest - self._kept >= _KEEP_EVERY:
            raised = []
            with keeper.transaction():
                for one in events:
                    if not keeper.known(one.held):  # of two in this part that are the same the first goes for both
                        keeper.happened(one, now_ms)
                        raised.append(one.held)
                set_site(self._connection, _LOOKED, str(newest))
            self._kept = newest
            _say(raised)
        self._looked = newest
        return more

    def _happened(self, book: Book, record: Record) -> list[Happened]:
        """A record on which this program fails must not keep all others from being looked at."""
        known, past_ms = self._keeper.known, self._past_until_ms
        try:
            return list(happened(book, record.kind, record.number, record.content(), known, past_until_ms=past_ms))
        except sqlite3.Error:
            raise
        except Exception:
            log.exception("record %d gives no alarm: this program failed on it. Please report it.", record.number)
            return []

    def _held(self, book: Book, conditions: Iterable[Condition], heard: Sequence[NodeNow]) -> dict[Key, Held]:
        due: Mapping[Key, Held] = {}
        self._gather.from_ms = self._past_until_ms if self._playing_the_past() else None
        if self._gather.from_ms is None:
            due = self._due.look(lambda: due_held(book, heard, conditions, self._data_dir))
        found = {held.key: held for held in self._gather.look(book, _silent(book, conditions), heard)}
        broken = {held.key: held for held in self._chain.look(book.at_ms)}
        kept = {held.key: held for held in self._backups.look(book)} if self._backups else {}
        return {**due, **found, **broken, **kept}

    def _playing_the_past(self) -> bool:
        """A rehearsal's past is still being declared: what is due by what is said so far means nothing."""
        if self._past_until_ms is None or self._past_declared:
            return False
        row = self._connection.execute(
            "SELECT at_ms FROM ledger WHERE who <> ? ORDER BY number DESC LIMIT 1", (COLLECTOR,)
        ).fetchone()
        self._past_declared = row is not None and row[0] >= self._past_until_ms
        return not self._past_declared

    def _left_off(self) -> int:
        """Up to which record alarms were looked for; of data from before there were any, none is looked for."""
        row = self._connection.execute("SELECT content FROM site WHERE name = ?", (_LOOKED,)).fetchone()
        if row is not None:
            return int(row[0])
        with self._keeper.transaction():
            newest = head(self._connection).records
            # Kept at once: who starts again before anything else was kept goes on from here, not from a later end.
            set_site(self._connection, _LOOKED, str(newest))
        return newest

    def _tell_nodes(self, standing: Iterable[Alarm], now_ms: int) -> None:
        orders: dict[str, list[AlarmOrders]] = {}
        for alarm in sorted(standing, key=lambda each: (each.priority.rank, each.raised_ms)):
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


def _say(raised: Iterable[Held]) -> None:
    for held in raised:
        log.warning("alarm raised %s: %s", held.key.code, held.text)


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


def _pressed(heard: Iterable[NodeNow], standing: Iterable[Alarm]) -> list[Alarm]:
    """Alarms that somebody has seen at the basin: its button was pressed while the node signalled just this.

    A late one is of something earlier than what the node signals now.
    """
    pressed = {(basin, side.alarm) for basin, side in sides(heard) if side.seen_ms is not None and side.alarm}
    return [each for each in standing if each.seen is None and not each.late and (each.basin, each.code) in pressed]
