"""What a sensor's correction and U rest on: a check, the datasheet, or the settings alone. Pages and papers say it."""

from __future__ import annotations

import enum
from typing import NamedTuple

from collector.record.book import Book
from collector.record.things import SensorCheck
from collector.required import required_of
from soak.quantity import exact_celsius
from soak.requirement import SensorTerms
from soak.uncertainty import unchecked_u_mc


class Origin(enum.StrEnum):
    """Where a sensor's figures come from."""

    CHECK = "check"
    DATASHEET = "datasheet"
    SETTINGS = "settings"


class Ground(NamedTuple):
    """One sensor's figures at a moment, and what they rest on.

    Attributes:
        sensor: Its id.
        terms: Correction and U.
        origin: Where they come from.
        check: The check, where they come from one.
        overdue: That check's last day was over then.
    """

    sensor: str
    terms: SensorTerms
    origin: Origin
    check: SensorCheck | None
    overdue: bool

    @property
    def below_datasheet(self) -> bool:
        """The settings say a smaller U than the datasheet supports, and no check bears it out."""
        return self.origin is Origin.SETTINGS and self.terms.u_mc < unchecked_u_mc()

    @property
    def text(self) -> str:
        """In English, for papers."""
        u = f"U {exact_celsius(self.terms.u_mc)}"
        if self.check is not None:
            late = ", overdue then" if self.overdue else ""
            return f"{u} from check {self.check.id} against {self.check.reference}{late}."
        if self.origin is Origin.DATASHEET:
            return f"{u} from the datasheet: no check on record."
        less = f" It is less than the datasheet's {exact_celsius(unchecked_u_mc())}." if self.below_datasheet else ""
        return f"{u} from the collector's settings: no check on record.{less}"


def grounds(book: Book, basin_id: int, at_ms: int) -> list[Ground]:
    """Of every required sensor of a basin.

    Args:
        book: To look in.
        basin_id: The basin's row.
        at_ms: For a soak the moment of its closing, milliseconds since 1970.

    Returns:
        By sensor; empty where nothing was known of the basin then.
    """
    in_force = [each for each in required_of(book.connection, basin_id) if each.since_ms <= at_ms]
    return (
        [_ground(book, sensor, terms, at_ms) for sensor, terms in sorted(in_force[-1].terms.items())]
        if in_force
        else []
    )


def _ground(book: Book, sensor: str, terms: SensorTerms, at_ms: int) -> Ground:
    checks = book.all(SensorCheck, group=sensor, until_ms=at_ms + 1, newest_first=True)
    check = next((each for each in checks if each.counts), None)
    if check is not None:
        until_ms = check.holds_until_ms()
        return Ground(sensor, terms, Origin.CHECK, check, until_ms is not None and at_ms > until_ms)
    plain = terms == SensorTerms(unchecked_u_mc())
    return Ground(sensor, terms, Origin.DATASHEET if plain else Origin.SETTINGS, None, overdue=False)
