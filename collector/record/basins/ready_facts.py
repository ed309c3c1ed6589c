"""What is known of a basin when somebody asks whether it is ready."""

from __future__ import annotations

import datetime
from typing import NamedTuple

from collector.record.basins.physical import Measured, newest
from collector.record.book import Book
from collector.record.errors import UnknownThingError
from collector.record.solutions.fills import fill_in
from collector.record.things import Fill, Load, Profile, SensorCheck
from collector.required import required_of
from soak.requirement import Requirement, SensorTerms

HEARD_MS = 30_000
"""Without a reading for longer a basin is silent: what `silent_after` of the collector's settings is by default."""


class Facts(NamedTuple):
    """One basin at the book's moment.

    Attributes:
        book: Who asks, and when.
        basin: "node/name".
        basin_id: Its row.
        name: As people call it.
        fill: What is in it; None if nothing is.
        profile: Of that fill.
        requirement: What is asked of a soak now; None if nothing is, or temperature or time are missing.
        terms: Every required sensor.
        checks: The newest check that counts of each required sensor that has one.
        measured: The newest reading; None if there is none.
        load: What is being soaked in it; None if nothing is.
    """

    book: Book
    basin: str
    basin_id: int
    name: str
    fill: Fill | None
    profile: Profile | None
    requirement: Requirement | None
    terms: dict[str, SensorTerms]
    checks: dict[str, SensorCheck]
    measured: Measured | None
    load: Load | None

    @property
    def at_ms(self) -> int:
        """The moment, milliseconds since 1970."""
        return self.book.at_ms

    def heard(self) -> Measured | None:
        """The newest reading, if it is no older than the silence limit; equality counts as heard."""
        measured = self.measured
        if measured is None or not measured.dated or self.at_ms - measured.at_ms > HEARD_MS:
            return None
        return measured

    def day_began_ms(self) -> int:
        """The first millisecond of the moment's day at the site."""
        return self.book.end_of_day_ms(self.book.local_date(self.at_ms) - datetime.timedelta(days=1)) + 1


def facts(book: Book, basin: str) -> Facts:
    """Gather them.

    Raises:
        UnknownThingError: There is no such basin.
        DamagedPageError: A page that holds the newest reading is not what was sealed.
    """
    basin_id, name = _row(book, basin)
    required = [each for each in required_of(book.connection, basin_id) if each.since_ms <= book.at_ms]
    terms = required[-1].terms if required else {}
    fill = fill_in(book, basin)
    return Facts(
        book=book,
        basin=basin,
        basin_id=basin_id,
        name=name,
        fill=fill,
        profile=book.find(Profile, fill.profile) if fill else None,
        requirement=required[-1].requirement if required else None,
        terms=terms,
        checks={sensor: check for sensor in sorted(terms) if (check := _newest_check(book, sensor))},
        measured=newest(book.connection, basin_id, book.at_ms),
        load=next(iter(book.all(Load, group=basin, only_open=True, newest_first=True, limit=1)), None),
    )


def _row(book: Book, basin: str) -> tuple[int, str]:
    node, _, name = basin.partition("/")
    row = book.connection.execute("SELECT id, label FROM basin WHERE node = ? AND name = ?", (node, name)).fetchone()
    if row is None:
        raise UnknownThingError("basin", basin, "Choose a basin of the list, or name it in the collector's settings.")
    return int(row[0]), str(row[1])


def _newest_check(book: Book, sensor: str) -> SensorCheck | None:
    found = book.all(SensorCheck, group=sensor, until_ms=book.at_ms + 1, newest_first=True)
    return next((check for check in found if check.counts), None)
