"""What every sensor check asks, however it was made."""

from __future__ import annotations

import datetime
from typing import Annotated

import msgspec

from collector.record.basins.ready_facts import Facts
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.solutions.needs import basin_name
from collector.record.things import SensorCheck
from soak.quantity import exact_celsius
from soak.requirement import SensorTerms

LARGEST_ERROR_MC = 2_000
"""A DS18B20 is within ±2 °C over its whole range (datasheet, DC characteristics); further off it is broken or the
comparison was not one."""

Temperature = Annotated[int, msgspec.Meta(ge=-55_000, le=125_000)]
Sensor = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$(?!\n)", max_length=64)]


def refuse_elsewhere(known: Facts, sensor: str) -> None:
    """A check under a mistyped id would change nothing, and everybody would believe that the sensor was checked."""
    there = set(known.terms) | set(known.measured.mc if known.measured else ())
    if there and sensor not in there:
        raise RefusedError(
            "unknown-sensor",
            f"{basin_name(known.book, known.basin)} has no sensor {sensor!r}.",
            f"Compare the id on its cable. It has: {', '.join(sorted(there))}.",
        )


def refuse_far_off(sensor: str, indicated_mc: int, reference_mc: int) -> None:
    """Refuse what no sound sensor can be off by."""
    apart_mc = abs(reference_mc - indicated_mc)
    if apart_mc > LARGEST_ERROR_MC:
        raise RefusedError(
            "sensor-error",
            f"Sensor {sensor} indicated {exact_celsius(indicated_mc)} and the reference showed "
            f"{exact_celsius(reference_mc)}: {exact_celsius(apart_mc)} apart, more than a sound "
            f"sensor can be off ({exact_celsius(LARGEST_ERROR_MC)}).",
            "Compare again in stirred liquid when both have settled; if it stays so, replace the sensor.",
        )


def counting(book: Book, sensor: str, limit: int = -1) -> list[SensorCheck]:
    """A sensor's checks that hold, newest first."""
    checks = book.all(SensorCheck, group=sensor, until_ms=book.at_ms + 1, newest_first=True)
    return [check for check in checks if check.counts][: limit if limit >= 0 else None]


def in_use(known: Facts, sensor: str) -> SensorTerms | None:
    """Correction and U that soaks have rested on so far; None where nothing is known of the sensor."""
    return known.terms.get(sensor)


def due(book: Book) -> tuple[str | None, int | None]:
    """Last day, and its last millisecond, on which a check made now holds by the site's rule; None: it sets none."""
    days = book.policy.sensor_check_days
    if days is None:
        return None, None
    day = book.local_date(book.at_ms) + datetime.timedelta(days=days)
    return day.isoformat(), book.end_of_day_ms(day)
