"""Reference thermometers with their certificates, and mapping studies of basins."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import Attested, BasinKey, Date, Text, Thing

Degrees = Annotated[int, msgspec.Meta(ge=-55_000, le=125_000)]
Difference = Annotated[int, msgspec.Meta(ge=-5_000, le=5_000)]
Expanded = Annotated[int, msgspec.Meta(ge=1, le=2_000)]
Factor = Annotated[str, msgspec.Meta(pattern=r"^[1-3](\.\d{1,2})?$(?!\n)", max_length=4)]

BEYOND_MC = 1_000
"""So far beyond its first or last point a certificate is still taken to hold; our own figure."""


class CertificatePoint(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a certificate says of one temperature.

    Attributes:
        at_mc: The temperature.
        correction_mc: To be added to what the thermometer shows.
        expanded_mc: Expanded uncertainty U.
        k: Coverage factor of that U, as it is printed.
    """

    at_mc: Degrees
    correction_mc: Difference
    expanded_mc: Expanded
    k: Factor = "2"

    @property
    def k_hundredths(self) -> int:
        """The coverage factor times 100."""
        whole, _point, rest = self.k.partition(".")
        return 100 * int(whole) + int((rest + "00")[:2])


Points = Annotated[tuple[CertificatePoint, ...], msgspec.Meta(min_length=1, max_length=30)]


class Certificate(msgspec.Struct, frozen=True, omit_defaults=True):
    """A calibration certificate, as it is printed.

    Attributes:
        number: Its number.
        laboratory: Who issued it.
        traceability: What it says of traceability, e.g. the accreditation it was issued under.
        calibrated_on: Day of the calibration.
        due: Last day on which it is to be used.
        points: At each temperature: correction, U and k.
    """

    number: Text
    laboratory: Text
    traceability: Text
    calibrated_on: Date
    due: Date
    points: Points

    def covers(self, mc: int) -> bool:
        """Whether it says anything of a temperature."""
        ends = [point.at_mc for point in self.points]
        return min(ends) - BEYOND_MC <= mc <= max(ends) + BEYOND_MC

    def at(self, mc: int) -> CertificatePoint:
        """What it says of a temperature: the correction on the line between two points, the greater of their U/k.

        Beyond the first or last point what that one says.
        """
        points = sorted(self.points, key=lambda point: point.at_mc)
        if mc <= points[0].at_mc:
            return points[0]
        for low, high in pairwise(points):
            if low.at_mc < mc <= high.at_mc:
                span, rise = high.at_mc - low.at_mc, high.correction_mc - low.correction_mc
                correction_mc = low.correction_mc + (2 * rise * (mc - low.at_mc) + span) // (2 * span)
                wider = max(low, high, key=lambda point: point.expanded_mc / point.k_hundredths)
                return CertificatePoint(mc, correction_mc, wider.expanded_mc, wider.k)
        return points[-1]


class Reference(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A thermometer that sensors are compared with.

    Attributes:
        name: What it is, with its serial number.
        step_mc: Step of its display.
        drift_mc: How far it may drift in a year, by its maker or its own history; None: no figure.
        certificates: The newest last.
        by: Who recorded it.
        at_ms: When.
        moved_mc: What the newest certificate says more than the one before, where that differs most.
        moved_u_mc: U of the one before there.
        retired: Taken out of use.
        off_mc: What it was found to show too high (+) or too low (−) when it was retired.
    """

    KIND: ClassVar[str] = "reference"
    name: Text
    step_mc: Annotated[int, msgspec.Meta(ge=1, le=1_000)]
    drift_mc: Annotated[int, msgspec.Meta(ge=0, le=1_000)] | None = None
    certificates: tuple[Certificate, ...]
    by: str
    at_ms: int
    moved_mc: int | None = None
    moved_u_mc: int | None = None
    retired: Attested | None = None
    off_mc: int | None = None

    @property
    def certificate(self) -> Certificate:
        """The one in force."""
        return self.certificates[-1]

    def certificate_of(self, number: str) -> Certificate | None:
        """The one with this number, which a check went by; None if there is none."""
        return next((each for each in reversed(self.certificates) if each.number == number), None)

    def found_off_mc(self) -> int | None:
        """By how much it was found to show too high (+) or too low (−), beyond what its certificate said; None: not."""
        if self.off_mc:
            return self.off_mc
        if self.moved_mc is None or self.moved_u_mc is None or abs(self.moved_mc) <= self.moved_u_mc:
            return None
        return -self.moved_mc

    def open(self) -> bool:
        """While it is in use."""
        return self.retired is None

    def when_ms(self) -> int:
        """By when it was recorded."""
        return self.at_ms


class Place(msgspec.Struct, frozen=True):
    """A place in a basin.

    Attributes:
        place: Where, e.g. "far corner, bottom".
        read_mc: What the thermometer showed there.
    """

    place: Annotated[str, msgspec.Meta(min_length=1, max_length=80)]
    read_mc: Degrees


class Mapping(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A mapping study: how far the solution differs from what it is at the sensor.

    Attributes:
        sensor: The sensor that the basin is judged by.
        basin: Which.
        at_ms: When.
        by: Who.
        thermometer: What was used, everywhere the same.
        at_sensor_mc: What it showed at the sensor.
        places: What it showed elsewhere.
        spread_mc: The greatest difference from the sensor's place.
    """

    KIND: ClassVar[str] = "mapping"
    PREFIX: ClassVar[str] = "Y"
    sensor: str
    basin: BasinKey
    at_ms: int
    by: str
    thermometer: Text
    at_sensor_mc: Degrees
    places: tuple[Place, ...]
    spread_mc: int

    def group(self) -> str:
        """By sensor."""
        return self.sensor

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms
