"""Sensors compared with a reference, independent readings, and a clock that was wrong."""

from __future__ import annotations

from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import BasinKey, Text, Thing


class SensorCheck(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A sensor compared with a reference.

    Attributes:
        sensor: Its 1-Wire id.
        basin: Where it is.
        at_ms: When.
        by: Who.
        reference: The reference thermometer, with its certificate.
        correction_mc: To be added to what the sensor indicates from now on.
        u_mc: Expanded uncertainty (k = 2) of the corrected value.
        due: Last day on which this check holds; None: the site sets none.
        error_mc: What it read too high (+) or too low (−) before the check.
    """

    KIND: ClassVar[str] = "sensor-check"
    PREFIX: ClassVar[str] = "C"
    sensor: str
    basin: BasinKey
    at_ms: int
    by: str
    reference: Text
    correction_mc: Annotated[int, msgspec.Meta(ge=-20_000, le=20_000)]
    u_mc: Annotated[int, msgspec.Meta(ge=0, le=20_000)]
    due: str | None = None
    error_mc: int | None = None

    def group(self) -> str:
        """By sensor."""
        return self.sensor

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms


class Thermometer(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A reading of an independent thermometer in a basin.

    Attributes:
        basin: Where.
        at_ms: When.
        by: Who.
        read_mc: What it showed.
        indicated_mc: The coldest that the basin's sensors indicated then; None if none was alive.
    """

    KIND: ClassVar[str] = "thermometer"
    PREFIX: ClassVar[str] = "R"
    basin: BasinKey
    at_ms: int
    by: str
    read_mc: Annotated[int, msgspec.Meta(ge=-55_000, le=125_000)]
    indicated_mc: int | None = None

    def group(self) -> str:
        """By basin."""
        return self.basin

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms


class ClockWrong(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Somebody said that the clock had been ahead when records were made.

    Attributes:
        by: Who.
        at_ms: When, by the clock put right.
        first: The first record known to have been made with the wrong clock.
        last: The last of them.
        ahead_ms: How far the last one is ahead of the clock put right, at least.
        text: In words.
    """

    KIND: ClassVar[str] = "clock-wrong"
    PREFIX: ClassVar[str] = "W"
    by: str
    at_ms: int
    first: int
    last: int
    ahead_ms: int
    text: str

    def when_ms(self) -> int:
        """By when it was said."""
        return self.at_ms
