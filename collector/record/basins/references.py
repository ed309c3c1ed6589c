"""Reference thermometers: recorded, calibrated again, taken out of use; and mapping studies of basins."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.basins.check_rules import Sensor, Temperature, refuse_elsewhere
from collector.record.basins.ready_facts import facts
from collector.record.book import Book, as_date
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.said import need_reason
from collector.record.solutions.needs import expiry, known_basin, past_date
from collector.record.things import Attested, BasinKey, Certificate, Id, Mapping, Place, Reference, Text
from soak.quantity import exact_celsius

LEAST_PLACES = 3
"""Besides the sensor's: two ends and the middle, or bottom and top; our own figure."""

_LARGEST_SPREAD_MC = 5_000

Step = Annotated[int, msgspec.Meta(ge=1, le=1_000)]
DriftAYear = Annotated[int, msgspec.Meta(ge=0, le=1_000)]


@deed
class RecordReference(Deed, frozen=True, kw_only=True):
    """Record a reference thermometer with its certificate.

    Attributes:
        id: Its short name, e.g. "R-4": what stands on its label here.
        name: What it is, with its serial number.
        step_mc: Step of its display, e.g. 0.01.
        drift_mc: How far it may drift in a year, by its maker or its own history; empty: no figure is known.
        certificate: Its calibration certificate, as it is printed.
    """

    NAME = "record-reference"
    ROLES = KEEPERS

    id: Id
    name: Text
    step_mc: Step
    certificate: Certificate
    drift_mc: DriftAYear | None = None

    def perform(self, book: Book) -> Reference:
        """An id is one thermometer's for ever."""
        if book.find(Reference, self.id):
            raise RefusedError(
                "reference-exists",
                f"The reference thermometer {self.id!r} is recorded already.",
                "Record its new certificate, or choose another short name.",
            )
        return book.put(
            Reference(
                id=self.id,
                name=self.name,
                step_mc=self.step_mc,
                drift_mc=self.drift_mc,
                certificates=(_sound(book, self.certificate),),
                by=book.who,
                at_ms=book.at_ms,
            )
        )


@deed
class CertifyReference(Deed, frozen=True, kw_only=True):
    """Record a new certificate of a reference thermometer.

    Attributes:
        id: Which thermometer.
        certificate: As it is printed.
    """

    NAME = "certify-reference"
    ROLES = KEEPERS

    id: Id
    certificate: Certificate

    def perform(self, book: Book) -> Reference:
        """How far it has moved since the one before is kept: more than that one's U calls for a look-back."""
        reference = in_service(book, self.id)
        new, old = _sound(book, self.certificate), reference.certificate
        if new.calibrated_on < old.calibrated_on:
            raise RefusedError(
                "certificate-older",
                f"Certificate {new.number} is of {new.calibrated_on}, before the one on record ({old.number} of "
                f"{old.calibrated_on}).",
                "Record the newest certificate; an older one changes nothing.",
            )
        shared = [point for point in old.points if new.covers(point.at_mc)]
        moved = max(
            ((new.at(point.at_mc).correction_mc - point.correction_mc, point.expanded_mc) for point in shared),
            key=lambda pair: abs(pair[0]) - pair[1],
            default=(None, None),
        )
        return book.put(
            msgspec.structs.replace(
                reference, certificates=(*reference.certificates, new), moved_mc=moved[0], moved_u_mc=moved[1]
            )
        )


@deed
class RetireReference(Deed, frozen=True, kw_only=True):
    """Take a reference thermometer out of use.

    Attributes:
        id: Which.
        off_mc: If it was found to be wrong: what it showed too high, or with a minus sign too low.
    """

    NAME = "retire-reference"
    ROLES = KEEPERS

    id: Id
    off_mc: Annotated[int, msgspec.Meta(ge=-20_000, le=20_000)] | None = None

    def perform(self, book: Book) -> Reference:
        """Checks made with it stay on record."""
        reference = in_service(book, self.id)
        need_reason(self, "Taking a reference thermometer out of use needs a reason.", "Say in a few words why.")
        retired = Attested(book.who, book.at_ms, self.reason)
        return book.put(msgspec.structs.replace(reference, retired=retired, off_mc=self.off_mc or None))


@deed
class RecordMapping(Deed, frozen=True, kw_only=True):
    """Record a mapping study of a basin. One thermometer, read at the sensor and at other places, with the solution as
    it is during a soak.

    Attributes:
        basin: Which.
        sensor: The sensor that it is judged by.
        thermometer: What was used, with its number.
        at_sensor_mc: What it showed at the sensor.
        places: What it showed elsewhere.
    """

    NAME = "record-mapping"
    ROLES = HANDS | KEEPERS

    basin: BasinKey
    sensor: Sensor
    thermometer: Text
    at_sensor_mc: Temperature
    places: Annotated[tuple[Place, ...], msgspec.Meta(max_length=40)]

    def perform(self, book: Book) -> Mapping:
        """The spread is the greatest difference from the sensor's place, warmer or colder."""
        refuse_elsewhere(facts(book, known_basin(book, self.basin)), self.sensor)
        if len(self.places) < LEAST_PLACES:
            raise RefusedError(
                "mapping-places",
                f"{len(self.places)} places say little of a basin.",
                f"Read the thermometer at {LEAST_PLACES} places or more besides the sensor's.",
            )
        furthest = max(self.places, key=lambda place: abs(place.read_mc - self.at_sensor_mc))
        spread_mc = abs(furthest.read_mc - self.at_sensor_mc)
        if spread_mc > _LARGEST_SPREAD_MC:
            raise RefusedError(
                "mapping-spread",
                f"{exact_celsius(furthest.read_mc)} at {furthest.place!r} is {exact_celsius(spread_mc)} from the "
                "sensor's place: with so much between them no sensor tells what a device lies in.",
                "Read it again when the solution has settled; if it stays so, do not use the basin.",
            )
        return book.put(
            Mapping(
                id=book.next_id(Mapping),
                sensor=self.sensor,
                basin=self.basin,
                at_ms=book.at_ms,
                by=book.who,
                thermometer=self.thermometer,
                at_sensor_mc=self.at_sensor_mc,
                places=self.places,
                spread_mc=spread_mc,
            )
        )


def in_service(book: Book, reference_id: str) -> Reference:
    """A reference thermometer that may be used.

    Raises:
        RefusedError: There is none, or it was taken out of use.
    """
    reference = book.get(Reference, reference_id, "Choose one of the list, or record it with its certificate first.")
    if reference.retired:
        raise RefusedError(
            "reference-retired",
            f"{reference.id} was taken out of use by {book.name_of(reference.retired.by)} at "
            f"{book.local_text(reference.retired.at_ms)}: {reference.retired.note}",
            "Take another reference thermometer.",
        )
    return reference


def _sound(book: Book, said: Certificate) -> Certificate:
    """A certificate whose dates and temperatures make sense, its points by temperature."""
    calibrated_on = past_date(book, said.calibrated_on, "The calibration of")
    due = expiry(book, said.due)
    if as_date(due) <= as_date(calibrated_on):
        raise RefusedError(
            "certificate-dates",
            f"Certificate {said.number} is due on {due}, not after its calibration on {calibrated_on}.",
            "Type both dates again as they are printed.",
        )
    temperatures = [point.at_mc for point in said.points]
    twice = next((each for each in temperatures if temperatures.count(each) > 1), None)
    if twice is not None:
        raise RefusedError(
            "certificate-points",
            f"{exact_celsius(twice)} stands there twice.",
            "Type each temperature of the certificate once.",
        )
    points = tuple(sorted(said.points, key=lambda point: point.at_mc))
    return msgspec.structs.replace(said, calibrated_on=calibrated_on, due=due, points=points)
