"""A clinic with a morning of deeds, made once and copied for whoever writes to it; and what a paper of it says."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))  # the kits of the dashboard's tests stand there

import msgspec
import pagekit
import recorded
from doorkit import HOST, OLGA, PEOPLE, SAM, TINA, TOM, Browser, House, scan
from litestar.testing import TestClient
from pagekit import NOW_MS

from collector import credentials
from collector.evidence.issue import Made, make
from collector.record.all import DEEDS
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.schema import FILE_NAME, connect

__all__ = [
    "CLINIC_MET",
    "COLD",
    "EARLY",
    "MET",
    "OLGA",
    "PEOPLE",
    "SAM",
    "TINA",
    "TOM",
    "UNASKED",
    "UNPROVEN",
    "Browser",
    "House",
    "Office",
    "browsing",
    "office",
    "pagekit",
    "scan",
]

_STREAM = pagekit.stream_id("n1", "b1", "a")
MET, EARLY, COLD, UNPROVEN = (f"{_STREAM}:{first}" for first in (5529, 6971, 2043, 3445))
"""Soaks of n1/b1: with two devices; opened early, with one; too cold; without temperatures for a minute."""
CLINIC_MET = f"{_STREAM}:601"
"""Met, and nobody has said what was in it."""
UNASKED = f"{pagekit.stream_id('n3', 'b1', 'a')}:601"
"""In a basin of which nothing is required."""
NOT_SEALED = f"{pagekit.stream_id('n1', 'b2', 'a')}:6971"
ISSUED_MS = NOW_MS + 600_000


class Office:
    """A desk at which papers are issued, with a clock of its own that goes on by a second each time."""

    def __init__(self, data: Path) -> None:
        self.data, self.now_ms = data, ISSUED_MS
        self.desk = Desk(data, lambda: self.now_ms)

    def issue(self, closure: str, reason: str = "audit of March", who: str = OLGA) -> str:
        """The id of the paper."""
        return self.do("issue-disinfection-record", who, closure=closure, reason=reason)

    def paper(self, closure: str) -> bytes:
        return self.made(self.issue(closure)).content

    def made(self, issued_id: str) -> Made:
        return make(self.desk.connection, issued_id)

    def do(self, name: str, who: str = SAM, /, **said: object) -> str:
        self.now_ms += 1_000
        return self.desk.do(msgspec.convert(said, DEEDS[name]), who, second_factor=True).id

    def refused(self, closure: str) -> tuple[str, str, str]:
        """What an issue is refused for: rule, text, next step."""
        try:
            self.issue(closure)
        except RefusedError as refusal:
            return refusal.rule, refusal.text, refusal.next_step
        raise AssertionError("it was issued")

    def refused_again(self, issued_id: str) -> tuple[str, str]:
        try:
            self.made(issued_id)
        except RefusedError as refusal:
            return refusal.rule, refusal.text
        raise AssertionError("it was made")

    def damage(self, sql: str, *values: object) -> None:
        """Change what nobody may: the guards are put aside first."""
        db = connect(self.data / FILE_NAME)
        for (name,) in db.conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.conn.execute(f"DROP TRIGGER {name}")
        db.conn.execute(sql, values)
        db.conn.commit()
        db.close()

    def close(self) -> None:
        self.desk.close()


@cache
def _once() -> tuple[TemporaryDirectory[str], Path]:
    kept = TemporaryDirectory()
    data = Path(kept.name)
    player = pagekit.clinic(data)
    recorded.record(data)
    player.close()
    return kept, data


def office(to: Path) -> Office:
    """A copy of the clinic with a desk."""
    return Office(pagekit.copied(_once()[1], to))


@contextmanager
def browsing(made: Office) -> Iterator[tuple[Browser, House]]:
    """A browser at the office's pages, and the house whose badges open them."""
    house = House(made.data, {})
    db = connect(made.data / FILE_NAME)
    house.badges.update({person: credentials.new_badge(db.conn, person) for person in PEOPLE})
    db.close()
    app = house.app(rehearsal=pagekit.rehearsal(ISSUED_MS + 100_000))
    with TestClient(app, base_url=f"http://{HOST}") as browser:
        yield browser, house
