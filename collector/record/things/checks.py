"""Sensors compared with a reference, independent readings, and a clock that was wrong."""

from __future__ import annotations

import datetime
from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import BasinKey, Text, Thing
from soak.budget import Contribution

_DAY_END_ANYWHERE_MS = 36 * 3_600_000
"""From the beginning of a day in UTC until it is over everywhere: the last place is twelve hours behind."""


class Compared(msgspec.Struct, frozen=True):
    """A sensor and the reference at the same moment in the same liquid.

    Attributes:
        reference_mc: What the reference showed.
        true_mc: The same with its certificate's correction.
        indicated_mc: What the sensor indicated, without any correction.
    """

    reference_mc: int
    true_mc: int
    indicated_mc: int


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
        error_mc: What it read too high (+) or too low (−) before the check, with the correction then in use: as found.
        until_ms: The last millisecond of the day on which it is due; older records have the day only.
        correction_before_mc: The correction that soaks rested on before; None: none was in force.
        u_before_mc: The U that they rested on.
        reference_id: The reference thermometer on record; None for a check made elsewhere.
        certificate: Number of its certificate then.
        ice: Pairs at the ice point.
        working: Pairs near the working temperature.
        as_left: Pairs afterwards, of a second series; empty: none was made.
        ice_mc: What the corrected reference showed at the ice point, mean.
        ice_correction_mc: What would have to be added there.
        working_mc: What the corrected reference showed near the working temperature, mean.
        left_mc: What the sensor still read too high (+) or too low (−) in the second series, with the new correction.
        budget: Every contribution to `u_mc`; empty for a check made elsewhere.
        left_out: What no figure was there for.
        mapping: The mapping study whose spread is in it.
        void: Why it changes no correction and no U; empty: it counts.
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
    until_ms: int | None = None
    correction_before_mc: int | None = None
    u_before_mc: int | None = None
    reference_id: str | None = None
    certificate: str = ""
    ice: tuple[Compared, ...] = ()
    working: tuple[Compared, ...] = ()
    as_left: tuple[Compared, ...] = ()
    ice_mc: int | None = None
    ice_correction_mc: int | None = None
    working_mc: int | None = None
    left_mc: int | None = None
    budget: tuple[Contribution, ...] = ()
    left_out: tuple[str, ...] = ()
    mapping: str | None = None
    void: str = ""

    @property
    def counts(self) -> bool:
        """Its correction and U hold from then on."""
        return not self.void

    def holds_until_ms(self) -> int | None:
        """The last millisecond at which it is not overdue, since 1970; None: no day was set.

        Of an older record the day is known, and not the site's clock then: until it is over everywhere, so that no
        soak is called overdue that was not.
        """
        if self.until_ms is not None or self.due is None:
            return self.until_ms
        began = datetime.datetime.combine(datetime.date.fromisoformat(self.due), datetime.time(), datetime.UTC)
        return int(began.timestamp() * 1000) + _DAY_END_ANYWHERE_MS - 1

    def found_off_mc(self) -> int | None:
        """By how much it read too high (+) or too low (−), where that is more than the U that soaks rested on.

        None where it is not, or where no U is on record. Soaks since the last good check are then to be looked at.
        """
        if self.error_mc is None or self.u_before_mc is None or abs(self.error_mc) <= self.u_before_mc:
            return None
        return self.error_mc

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
