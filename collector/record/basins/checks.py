"""Sensor checks made elsewhere, and readings of an independent thermometer. `guided` has the check at the basin."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.basins.check_rules import (
    Sensor,
    Temperature,
    counting,
    due,
    in_use,
    refuse_elsewhere,
    refuse_far_off,
)
from collector.record.basins.readiness import readiness
from collector.record.basins.ready_facts import facts
from collector.record.book import Book
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.solutions.needs import known_basin
from collector.record.things import BasinKey, SensorCheck, Text, Thermometer
from soak.budget import UC_PER_MC, Shape, expanded_mc, limits
from soak.quantity import exact_celsius
from soak.uncertainty import RESOLUTION_MC

_LEAST_U_MC = expanded_mc([limits("resolution", int(RESOLUTION_MC * UC_PER_MC), shape=Shape.STEP)])
"""What the sensor's own step leaves, with a perfect reference: 0.037 °C."""


@deed
class RecordSensorCheck(Deed, frozen=True, kw_only=True):
    """Record a sensor check made elsewhere. For what a laboratory's certificate says of the sensor, with its U; at the
    basin, use the guided check, which computes U.

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
        known = facts(book, known_basin(book, self.basin))
        refuse_elsewhere(known, self.sensor)
        refuse_far_off(self.sensor, self.indicated_mc, self.reference_mc)
        if self.u_mc < _LEAST_U_MC:
            raise RefusedError(
                "sensor-u",
                f"A U of {exact_celsius(self.u_mc)} is less than the sensor's own step leaves "
                f"({exact_celsius(_LEAST_U_MC)}): soaks would be called proven that are not.",
                "Copy U (k = 2) from the certificate; if it prints none, use the guided check.",
            )
        correction_mc = self.reference_mc - self.indicated_mc
        before, last = in_use(known, self.sensor), counting(book, self.sensor, 1)
        in_use_mc = before.correction_mc if before else last[0].correction_mc if last else 0
        day, until_ms = due(book)
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
                due=day,
                until_ms=until_ms,
                error_mc=in_use_mc - correction_mc,
                correction_before_mc=before.correction_mc if before else None,
                u_before_mc=before.u_mc if before else None,
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
