"""A site with people who can sign in, and browsers before it: real application, real data, clocks of the test."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pagekit
from litestar import Litestar
from litestar.testing import TestClient

from collector import credentials
from collector.credentials import Kind
from collector.ledger import Ledger
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.things import Person, Policy, Role, Thing
from collector.schema import FILE_NAME, connect
from dashboard.app import build_app

Browser = TestClient[Litestar]

TINA, TOM, SAM, ADA, OLGA = "tina", "tom", "sam", "ada", "olga"
PINS = {TINA: "836152", TOM: "529471", SAM: "417038", ADA: "950264", OLGA: "285903"}
PASSWORD = "copper lantern walks north"  # noqa: S105
PEOPLE = {
    TINA: Person(id=TINA, name="Tina Test", roles=(Role.TECHNICIAN,)),
    TOM: Person(id=TOM, name="Tom Test", roles=(Role.TECHNICIAN,)),
    SAM: Person(id=SAM, name="Sam Test", roles=(Role.SUPERVISOR,)),
    ADA: Person(id=ADA, name="Ada Test", roles=(Role.ADMINISTRATOR,)),
    OLGA: Person(id=OLGA, name="Olga Test", roles=(Role.AUDITOR,)),
}
HOST = "127.0.0.1:8080"


class House:
    """Five people who can sign in, and a clock.

    Args:
        data: A data folder that `furnish` made.
        badges: Everybody's badge, as `furnish` gave it.

    Attributes:
        now_ms: The real clock, by which sessions end.
        played: The clock of the rehearsal, one for all applications.
    """

    def __init__(self, data: Path, badges: dict[str, str]) -> None:
        self.data, self.badges, self.now_ms = data, badges, pagekit.NOW_MS
        self.played = pagekit.rehearsal()

    def put(self, *things: Thing) -> None:
        """Record things as they are, past their rules."""
        with Desk(self.data, lambda: pagekit.NOW_MS - 1_000) as desk, desk.transaction():
            for thing in things:
                changes = {thing.KIND: {thing.id: msgspec.to_builtins(thing)}}
                body = {"changes": changes, "about": f"{thing.KIND}/{thing.id}"}
                ledger = Ledger(desk.connection, lambda: pagekit.NOW_MS - 1_000)
                shelf.write(desk.connection, ledger.append("given-by-a-test", body, who="kit").number, changes)

    def app(self, **more: Any) -> Litestar:
        """The application over it, whose rehearsal clock said `pagekit.NOW_MS` when the house was made."""
        more = {"rehearsal": self.played, "when": pagekit.WHEN, "real_now_ms": lambda: self.now_ms, **more}
        return build_app(self.data, **more)

    def records(self) -> int:
        """How many records the ledger has."""
        return int(self.ask("SELECT count(*) FROM ledger")[0][0])

    def ask(self, sql: str) -> list[Any]:
        """Rows of the database."""
        db = connect(self.data / FILE_NAME, read_only=True)
        try:
            return db.conn.execute(sql).fetchall()
        finally:
            db.close()


OpenBrowser = Callable[..., Browser]
"""Opens a browser with cookies of its own, each at an application of its own over the same data."""


def furnish(data: Path) -> dict[str, str]:
    """People and what they sign in with, in a new data folder.

    Returns:
        Everybody's badge.
    """
    pagekit.Player(data, None).close()
    house = House(data, {})
    house.put(Policy(id="site", time_zone="Europe/Berlin"), *PEOPLE.values())
    db = connect(data / FILE_NAME)
    badges = {person: credentials.new_badge(db.conn, person) for person in PEOPLE}
    for person, pin in PINS.items():
        credentials.set_secret(db.conn, person, Kind.PIN, pin)
    credentials.set_secret(db.conn, ADA, Kind.PASSWORD, PASSWORD)
    db.close()
    return badges


def scan(browser: Browser, house: House, person: str, *, pin: bool = False) -> Any:
    """Sign in with a badge."""
    given = {"badge": house.badges[person], **({"pin": PINS[person]} if pin else {})}
    answer = browser.post("/api/sign-in", json=given)
    assert answer.status_code == 200, answer.text
    return answer.json()


def refused(answer: Any, status: int) -> tuple[str, str, str]:
    """Rule, text and next step of an answer that must be a refusal."""
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert body["status"] == status
    return body["rule"], body["text"], body["next_step"]
