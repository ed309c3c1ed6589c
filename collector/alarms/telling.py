"""Who is told of what: alarms to the list, high ones on to the next person until somebody has seen them; the drill.

What is put on record is committed before anything is sent. While the database takes nothing in, that itself is told,
for nobody could read it anywhere else.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from collector.alarms import drill as drills
from collector.alarms.keeper import Keeper
from collector.alarms.listed import reaches
from collector.alarms.notices import Notice, Outcome, drill_key
from collector.alarms.routes import Routes
from collector.alarms.timing import due_to_be_told
from collector.conditions import Condition
from collector.record.book import Book
from collector.record.things import Alarm, Drill
from collector.settings import NotifySettings, Settings
from soak.alarms import KINDS, Priority

ROUTE, DRILL, DRILL_ROUTE = "alarm-route", "drill-begun", "drill-route"
"""Kinds of record: what became of a notice on one route; a drill; what became of it on one route."""

UNSTORED_MS = 60_000
"""Nothing stored for so long is told. Our own choice: a backup holds the database for seconds."""


class _Due(NamedTuple):
    alarm: Alarm
    person: str
    skipped: int


class Telling:
    """For the thread that looks at the alarms.

    Args:
        settings: Whose list it is.
        keeper: Puts it on record.
        routes: Send it.
    """

    def __init__(self, settings: Settings, keeper: Keeper, routes: Routes) -> None:
        self._site, self._people, self._drill_at = settings.site, settings.notify, settings.drill_at
        self._keeper, self._routes = keeper, routes
        self._outcomes: list[Outcome] = []  # known, and not yet on record
        self._unstored: set[tuple[str, int]] = set()

    def look(self, book: Book, standing: Sequence[Alarm], conditions: Iterable[Condition]) -> None:
        """Tell whoever is to be told now.

        Args:
            book: At the present.
            standing: Alarms that stand.
            conditions: What is wrong with the collector's surroundings.

        Raises:
            sqlite3.Error: It could not be put on record; nothing was sent, and a later look does it.
        """
        self._outcomes += self._routes.outcomes()
        if not self._people:
            self._outcomes.clear()
            return
        self._tell_unstored(conditions, book.at_ms)
        local = datetime.datetime.fromtimestamp(book.at_ms / 1000, book.zone)
        due = [each for alarm in standing if (each := self._next(book, alarm, local))]
        drill = self._drill(book, local)
        if due or drill or self._outcomes:
            with self._keeper.transaction():
                self._record(book, due, drill)
            self._outcomes.clear()
        for each in due:
            self._routes.send(self._notice(each.alarm, each.person))
        if drill:
            for notice in drills.notices(drill, self._site):
                self._routes.send(notice)

    def tell_unstored(self, conditions: Iterable[Condition], now_ms: int) -> None:
        """Of a database that takes nothing in, which keeps `look` from working."""
        self._outcomes += self._routes.outcomes()
        self._tell_unstored(conditions, now_ms)

    def _next(self, book: Book, alarm: Alarm, local: datetime.datetime) -> _Due | None:
        """The next person of the list whom this alarm reaches now; after the last one the first again."""
        if not due_to_be_told(alarm, book.policy, book.at_ms):
            return None
        for skipped in range(len(self._people)):
            person: NotifySettings = self._people[(alarm.told + skipped) % len(self._people)]
            if reaches(person, alarm.priority, local, closed_day=not book.policy.works_on(local.date())):
                return _Due(alarm, person.person, skipped)
        return None

    def _drill(self, book: Book, local: datetime.datetime) -> Drill | None:
        today = book.find(Drill, drills.drill_id(local))
        if not drills.due(self._drill_at, local, today.id if today else None):
            return None
        return drills.begun(drills.drill_id(local), book.at_ms, self._routes.listed())

    def _record(self, book: Book, due: Iterable[_Due], drill: Drill | None) -> None:
        for each in due:
            self._keeper.told(each.alarm, each.person, book.at_ms, skipped=each.skipped)
        if drill is not None:
            self._keeper.noted(DRILL, f"{Drill.KIND}/{drill.id}", {}, book.at_ms, drill)
        for outcome in self._outcomes:
            content = {"outcome": {key: found for key, found in outcome._asdict().items() if key != "key"}}
            alarm = book.find(Alarm, outcome.key)
            if alarm is not None:
                self._keeper.noted(ROUTE, f"{Alarm.KIND}/{alarm.id}", content, book.at_ms)
            elif known := self._drill_of(book, outcome):
                changed = drills.with_outcome(known, outcome)
                if changed != known:
                    self._keeper.noted(DRILL_ROUTE, f"{Drill.KIND}/{known.id}", content, book.at_ms, changed)

    @staticmethod
    def _drill_of(book: Book, outcome: Outcome) -> Drill | None:
        day = outcome.key.removeprefix(drill_key(""))
        return book.find(Drill, day) if day != outcome.key else None

    def _notice(self, alarm: Alarm, person: str) -> Notice:
        kind = KINDS.get(alarm.code)
        late = "Late: what follows is over, but nobody has seen it. " if alarm.late else ""
        body = f"{late}{alarm.text}\n{kind.todo if kind else ''}\n{self._site}, alarm {alarm.id}."
        title = f"{alarm.priority.value.upper()}: {kind.name if kind else alarm.code}"
        return Notice(alarm.id, person, alarm.priority, title, body)

    def _tell_unstored(self, conditions: Iterable[Condition], now_ms: int) -> None:
        """To everybody at once, each condition once."""
        standing = {
            (each.code, each.since_ms): each
            for each in conditions
            if each.words.stops_storing and now_ms - each.since_ms >= UNSTORED_MS
        }
        for key in standing.keys() - self._unstored:
            for person in self._people:
                text = f"{standing[key].text}\n{self._site}"
                title = "HIGH: nothing is stored"
                self._routes.send(Notice(f"condition-{key[0]}", person.person, Priority.HIGH, title, text))
        self._unstored = set(standing)
