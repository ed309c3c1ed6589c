"""The things as one deed sees and changes them, before anything is written."""

from __future__ import annotations

import datetime
import sqlite3
from collections.abc import Iterable
from functools import cached_property
from typing import Any, NamedTuple, TypeVar
from zoneinfo import ZoneInfo

import msgspec

from collector.record import shelf
from collector.record.errors import RefusedError, UnknownThingError
from collector.record.patch import difference
from collector.record.things import Person, Policy, Thing
from soak.closure import Closure
from soak.decoding import from_json

_Thing = TypeVar("_Thing", bound=Thing)

DAY_MS = 24 * 3_600_000
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class Watched(NamedTuple):
    """An ended closure of a basin as the collector stands by it now.

    Attributes:
        key: "stream:first".
        closing_ms: When it began, milliseconds since 1970.
        opened_ms: When it ended: its opening, or its last reading where nobody saw one.
        closure: Everything the rule says.
    """

    key: str
    closing_ms: int
    opened_ms: int
    closure: Closure


class _Now(msgspec.Struct, frozen=True):
    """What is asked here of a basin's newest reading; all of it is `collector.read.BasinNow`."""

    at_utc_ms: int
    ms: int
    closure: Closure | None


class Book:
    """What one deed reads and writes.

    Args:
        connection: To the database, in the deed's transaction.
        at_ms: When the deed is done, milliseconds since 1970.
        person: Who does it.
        second_factor: They have proven who they are with a PIN or password.
    """

    def __init__(self, connection: sqlite3.Connection, at_ms: int, person: Person, *, second_factor: bool) -> None:
        self.connection, self.at_ms, self.person, self.second_factor = connection, at_ms, person, second_factor
        self._changed: dict[tuple[str, str], Thing] = {}
        self.enclosed: Any = None
        """What the record holds besides what was said and changed: of a paper, all that it says."""

    @classmethod
    def looking(cls, connection: sqlite3.Connection, at_ms: int) -> Book:
        """For those who only look: pages ask the same rules as deeds do."""
        return cls(connection, at_ms, Person(id="nobody", name="Nobody", roles=()), second_factor=False)

    @property
    def who(self) -> str:
        """Who does it."""
        return self.person.id

    @cached_property
    def policy(self) -> Policy:
        """The site's own rules."""
        return self.find(Policy, "site") or Policy(id="site")

    @cached_property
    def zone(self) -> datetime.tzinfo:
        """The site's local time."""
        return ZoneInfo(self.policy.time_zone) if self.policy.time_zone else _machine_zone()

    def find(self, kind: type[_Thing], thing_id: str) -> _Thing | None:
        """A thing, or None."""
        changed = self._changed.get((kind.KIND, thing_id))
        return changed if isinstance(changed, kind) else shelf.find(self.connection, kind, thing_id)

    def get(self, kind: type[_Thing], thing_id: str, next_step: str | None = None) -> _Thing:
        """A thing.

        Raises:
            UnknownThingError: There is none.
        """
        thing = self.find(kind, thing_id)
        if thing is None:
            raise UnknownThingError(kind.KIND, thing_id, next_step)
        return thing

    def all(self, kind: type[_Thing], **where: Any) -> list[_Thing]:
        """Things of a kind as they were before this deed, by their time; see `shelf.find_all`."""
        return shelf.find_all(self.connection, kind, **where)

    def many(self, kind: type[_Thing], ids: Iterable[str]) -> list[_Thing]:
        """Things by their ids, each once, in that order; what is not there is left out."""
        wanted = list(dict.fromkeys(ids))
        stored = {each.id: each for each in shelf.find_many(self.connection, kind, wanted)}
        found = (self._changed.get((kind.KIND, each), stored.get(each)) for each in wanted)
        return [each for each in found if isinstance(each, kind)]

    def put(self, thing: _Thing) -> _Thing:
        """Keep a new or changed thing."""
        self._changed[thing.KIND, thing.id] = thing
        return thing

    def next_id(self, kind: type[Thing]) -> str:
        """The next id that the program gives to this kind; never one that is there already."""
        number = shelf.count(self.connection, kind) + 1
        while self.find(kind, f"{kind.PREFIX}{number}") is not None:
            number += 1
        return f"{kind.PREFIX}{number}"

    def changes(self) -> dict[str, dict[str, Any]]:
        """By kind and id, a JSON Merge Patch from the things as they were to what was put."""
        found: dict[str, dict[str, Any]] = {}
        for (kind, thing_id), thing in self._changed.items():
            after = msgspec.json.decode(msgspec.json.encode(thing))  # as it will be read back: lists, not tuples
            patch = difference(shelf.body_of(self.connection, kind, thing_id), after)
            if patch:
                found.setdefault(kind, {})[thing_id] = patch
        return found

    def closures(self, basin: str, since_ms: int, until_ms: int) -> list[Watched]:
        """Ended closures of a basin that touch a time range and that nothing has superseded, oldest first."""
        node, name = basin.split("/")
        row = self.connection.execute("SELECT id FROM basin WHERE node = ? AND name = ?", (node, name)).fetchone()
        if row is None:
            return []
        # Of those that began before the range only the last can touch it: a lid is closed once at a time.
        rows = self.connection.execute(
            """SELECT s.stream, c.first, c.closing_utc_ms, c.last_utc_ms, c.body FROM judged c
               JOIN stream s ON s.id = c.stream_id
               WHERE c.basin_id = ?1 AND c.superseded_by IS NULL AND c.last_utc_ms >= ?2 AND c.closing_utc_ms < ?3
               AND c.closing_utc_ms >= ifnull((SELECT max(closing_utc_ms) FROM closure
                   WHERE basin_id = ?1 AND closing_utc_ms < ?2 AND superseded_by IS NULL), ?2)
               ORDER BY c.closing_utc_ms""",
            (row[0], since_ms, until_ms),
        ).fetchall()
        found = []
        for stream, first, closing_ms, last_ms, body in rows:
            closure = from_json(body, Closure)
            opened_ms = last_ms if closure.opening_ms is None else closing_ms + closure.opening_ms - closure.closing_ms
            found.append(Watched(f"{stream}:{first}", closing_ms, opened_ms, closure))
        return found

    def closed_since_ms(self, basin: str) -> int | None:
        """When the lid that is closed at this moment was closed, milliseconds since 1970; None while it is open."""
        for watched in self.closures(basin, self.at_ms, self.at_ms + 1):
            if watched.closing_ms <= self.at_ms < watched.opened_ms:
                return watched.closing_ms
        row = self.connection.execute(
            "SELECT n.body FROM now n JOIN basin b ON b.id = n.basin_id WHERE b.node = ? AND b.name = ?",
            tuple(basin.split("/")),
        ).fetchone()
        now = from_json(row[0], _Now) if row else None
        if now is None or now.closure is None:
            return None
        closing_ms = now.at_utc_ms - now.ms + now.closure.closing_ms
        return closing_ms if closing_ms <= self.at_ms else None

    def local_date(self, ms: int) -> datetime.date:
        """The day at the site."""
        return datetime.datetime.fromtimestamp(ms / 1000, self.zone).date()

    def end_of_day_ms(self, date: str | datetime.date) -> int:
        """The last millisecond of a day at the site; printed expiry dates count to here (common practice).

        Raises:
            RefusedError: There is no such day.
        """
        day = as_date(date)
        after = datetime.datetime.combine(day + datetime.timedelta(days=1), datetime.time(), self.zone)
        return int(after.timestamp() * 1000) - 1

    def local_text(self, ms: int) -> str:
        """A moment for people at the site."""
        return datetime.datetime.fromtimestamp(ms / 1000, self.zone).strftime("%Y-%m-%d %H:%M")

    def near_text(self, ms: int) -> str:
        """A moment for whoever reads it now, kept nowhere: "13:10", with the day in front unless it is today."""
        moment = datetime.datetime.fromtimestamp(ms / 1000, self.zone)
        if moment.date() == self.local_date(self.at_ms):
            return f"{moment:%H:%M}"
        weekday, month = _WEEKDAYS[moment.weekday()], _MONTHS[moment.month - 1]
        return f"{weekday} {moment.day} {month} {moment.year} {moment:%H:%M}"

    def name_of(self, person_id: str) -> str:
        """A person's name; the id itself where nobody has it."""
        person = self.find(Person, person_id)
        return person.name if person else person_id


def as_date(date: str | datetime.date) -> datetime.date:
    """A day from its ISO text.

    Raises:
        RefusedError: There is no such day.
    """
    try:
        return date if isinstance(date, datetime.date) else datetime.date.fromisoformat(date)
    except ValueError:
        raise RefusedError(
            "date", f"{date!r} is no date of the calendar.", "Type it as year-month-day, for instance 2027-03-31."
        ) from None


def _machine_zone() -> datetime.tzinfo:
    zone = datetime.datetime.now().astimezone().tzinfo
    assert zone is not None  # noqa: S101 - astimezone always sets it
    return zone
