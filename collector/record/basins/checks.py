"""Sensor checks against a reference, and readings of an independent thermometer."""

from __future__ import annotations

import datetime
from typing import Annotated

import msgspec

from collector.record.basins.readiness import readiness
from collector.record.basins.ready_facts import facts
from collector.record.book import Book
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.solutions.needs import basin_name, known_basin
from collector.record.things import BasinKey, SensorCheck, Text, Thermometer
from soak.quantity import exact_celsius

_LARGEST_ERROR_MC = 2_000
"""A DS18B20 is within ±2 °C over its whole range (datasheet, DC characteristics); further off it is broken or the
comparison was not one."""

Temperature = Annotated[int, msgspec.Meta(ge=-55_000, le=125_000)]
Sensor = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$(?!\n)", max_length=64)]


@deed
class RecordSensorCheck(Deed, frozen=True, kw_only=True):
    """Record a sensor check.

    Attributes:
        sensor: Its 1-Wire id.
        basin: Where it is.
        reference: The reference thermometer, with its certificate.
        reference_mc: What the reference showed, corrected by its certificate.
        indicated_mc: What the sensor indicated at the same time in the same liquid.
        u_mc: Expanded uncertainty (k = 2) of the corrected value: reference, comparison and resolution together.
    """

    NAME = "record-sensor-check"
    ROLES = HANDS | KEEPERS

    sensor: Sensor
    basin: BasinKey
    reference: Text
    reference_mc: Temperature
    indicated_mc: Temperature
    u_mc: Annotated[int, msgspec.Meta(ge=1, le=20_000)]

    def perform(self, book: Book) -> SensorCheck:
        """The correction is what the reference shows more than the sensor; due by the site's rule."""
        known_basin(book, self.basin)
        _refuse_elsewhere(book, self.basin, self.sensor)
        correction_mc = self.reference_mc - self.indicated_mc
        if abs(correction_mc) > _LARGEST_ERROR_MC:
            raise RefusedError(
                "sensor-error",
                f"Sensor {self.sensor} indicated {exact_celsius(self.indicated_mc)} and the reference showed "
                f"{exact_celsius(self.reference_mc)}: {exact_celsius(abs(correction_mc))} apart, more than a sound "
                f"sensor can be off ({exact_celsius(_LARGEST_ERROR_MC)}).",
                "Compare again in stirred liquid when both have settled; if it stays so, replace the sensor.",
            )
        before = book.all(SensorCheck, group=self.sensor, newest_first=True, limit=1)
        in_use_mc = before[0].correction_mc if before else 0
        days = book.policy.sensor_check_days
        due = None if days is None else (book.local_date(book.at_ms) + datetime.timedelta(days=days)).isoformat()
        return book.put(
            SensorCheck(
                id=book.next_id(SensorCheck),
                sensor=self.sensor,
                basin=self.basin,
                at_ms=book.at_ms,
                by=book.who,
                reference=self.reference,
                correction_mc=correction_mc,
                u_mc=self.u_mc,
                due=due,
                error_mc=in_use_mc - correction_mc,
            )
        )


@deed
class ReadThermometer(Deed, frozen=True, kw_only=True):
    """Record a reading of an independent thermometer.

    Attributes:
        basin: Where.
        read_mc: What it showed.
    """

    NAME = "read-thermometer"

    basin: BasinKey
    read_mc: Temperature

    def perform(self, book: Book) -> Thermometer:
        """What the basin's sensors indicated at the same moment is kept beside it."""
        return book.put(
            Thermometer(
                id=book.next_id(Thermometer),
                basin=known_basin(book, self.basin),
                at_ms=book.at_ms,
                by=book.who,
                read_mc=self.read_mc,
                indicated_mc=readiness(book, self.basin).indicated_mc,
            )
        )


def _refuse_elsewhere(book: Book, basin: str, sensor: str) -> None:
    """A check under a mistyped id would change nothing, and everybody would believe that the sensor was checked."""
    now = facts(book, basin)
    known = set(now.terms) | set(now.measured.mc if now.measured else ())
    if known and sensor not in known:
        raise RefusedError(
            "unknown-sensor",
            f"{basin_name(book, basin)} has no sensor {sensor!r}.",
            f"Compare the id on its cable. It has: {', '.join(sorted(known))}.",
        )
