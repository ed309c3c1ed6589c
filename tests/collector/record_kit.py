"""What the tests of the record build on: a data folder, people of every role, desks, and a clock that a test sets."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar
from zoneinfo import ZoneInfo

import msgspec
from kit import WallClock

from collector.ledger import Ledger
from collector.machine import BasinKnown
from collector.projections import follow
from collector.record import shelf
from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.desk import Desk, Done
from collector.record.errors import RefusedError
from collector.record.patch import difference
from collector.record.things import Person, Policy, Role, Thing
from collector.schema import FILE_NAME, connect, migrate

_Thing = TypeVar("_Thing", bound=Thing)

SECOND_MS = 1_000
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

ZONE = ZoneInfo("Europe/Berlin")
"""Of the kit's site: it has summer time, so that days of 23 and 25 hours can be tried."""


def at(text: str, zone: ZoneInfo = ZONE) -> int:
    """A local moment, "2026-03-02 09:00" or with seconds, as milliseconds since 1970."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() * 1000)


MONDAY = at("2026-03-02 09:00")

TECHNICIAN, SECOND_TECHNICIAN, SUPERVISOR, ADMINISTRATOR, AUDITOR = "tina", "tom", "sam", "ada", "olga"

PEOPLE = (
    Person(
        id=TECHNICIAN,
        name="Tina Test",
        roles=(Role.TECHNICIAN,),
        colour_vision_on="2025-11-03",
        colour_vision_passed=True,
    ),
    Person(id=SECOND_TECHNICIAN, name="Tom Test", roles=(Role.TECHNICIAN,)),
    Person(id=SUPERVISOR, name="Sam Test", roles=(Role.SUPERVISOR,)),
    Person(id=ADMINISTRATOR, name="Ada Test", roles=(Role.ADMINISTRATOR,)),
    Person(id=AUDITOR, name="Olga Test", roles=(Role.AUDITOR,)),
)

BASINS = ("n1/b1", "n1/b2")


@cache
def _empty() -> bytes:
    """A database of the present schema with nothing in it, made once: its migrations are most of what a test costs."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / FILE_NAME
        db = connect(path)
        migrate(db)
        db.close()
        return path.read_bytes()


class Recording:
    """A data folder with people and two basins, on Monday 2026-03-02 at 09:00 in Berlin.

    Attributes:
        data: The folder.
        clock: Set `clock.now_ms`, or call `later`.
        desk: The first desk; `another_desk()` opens more on the same data.
    """

    def __init__(self, data: Path) -> None:
        data.mkdir(parents=True, exist_ok=True)
        (data / FILE_NAME).write_bytes(_empty())
        self.data, self.clock = data, WallClock(MONDAY)
        self._desks: list[Desk] = []
        self.desk = self.another_desk()
        with self.desk.transaction():
            for number, basin in enumerate(BASINS, 1):
                body = BasinKnown(basin, f"Basin {number}")
                follow(self.desk.connection, self._ledger().append(body.KIND, body))
        self.put(Policy(id="site", time_zone=ZONE.key), *PEOPLE)

    def _ledger(self) -> Ledger:
        return Ledger(self.desk.connection, self.clock)

    def another_desk(self) -> Desk:
        """A desk of somebody else's, at the same data and clock."""
        self._desks.append(Desk(self.data, self.clock))
        return self._desks[-1]

    def close(self) -> None:
        """Give every connection back."""
        for desk in self._desks:
            desk.close()

    def put(self, *things: Thing) -> None:
        """Record things as they are, past their rules; a rebuild makes them again like any other."""
        with self.desk.transaction():
            for thing in things:
                before = shelf.body_of(self.desk.connection, thing.KIND, thing.id)
                patch = difference(before, msgspec.to_builtins(thing))
                body = {"changes": {thing.KIND: {thing.id: patch}}, "about": f"{thing.KIND}/{thing.id}"}
                number = self._ledger().append("given-by-a-test", body, who="kit").number
                shelf.write(self.desk.connection, number, body["changes"])  # type: ignore[arg-type]

    def later(self, ms: int) -> int:
        """Let time pass; the new now."""
        self.clock.now_ms += ms
        return self.clock.now_ms

    def do(self, deed: Deed, who: str = TECHNICIAN, *, second_factor: bool = True, desk: Desk | None = None) -> Done:
        """Do a deed now."""
        return (desk or self.desk).do(deed, who, second_factor=second_factor)

    def refused(
        self, deed: Deed, who: str = TECHNICIAN, *, second_factor: bool = True, desk: Desk | None = None
    ) -> tuple[str, str, str]:
        """Rule, text and next step of a deed that must be refused; nothing may have been recorded by it."""
        before = self.records()
        try:
            done = self.do(deed, who, second_factor=second_factor, desk=desk)
        except RefusedError as refusal:
            assert self.records() == before, "a refusal recorded something"
            return refusal.rule, refusal.text, refusal.next_step
        raise AssertionError(f"{deed} was not refused but became {done}")

    def records(self) -> int:
        """How many records the ledger has."""
        return int(self.desk.connection.execute("SELECT count(*) FROM ledger").fetchone()[0])

    def get(self, kind: type[_Thing], thing_id: str) -> _Thing:
        """A thing that must be there."""
        thing = shelf.find(self.desk.connection, kind, thing_id)
        assert thing is not None, f"no {kind.KIND} {thing_id}"
        return thing

    def all(self, kind: type[_Thing]) -> list[_Thing]:
        """All things of a kind."""
        return shelf.find_all(self.desk.connection, kind)

    def book(self) -> Book:
        """To look at the things as they are now."""
        return Book.looking(self.desk.connection, self.clock.now_ms)

    def set_policy(self, **changes: object) -> None:
        """Change the site's rules past the deed."""
        self.put(msgspec.structs.replace(self.get(Policy, "site"), **changes))
