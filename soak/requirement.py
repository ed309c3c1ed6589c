"""What a soak must fulfil, and what one reading is worth against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, NamedTuple

import msgspec

from soak.reading import SensorId

MAX_GAP_MS = 5_000
"""Longest pause between two readings that still counts as watched, unless the basin says otherwise."""

_MOST_REMEMBERED = 4_096
_Degrees = Annotated[int, msgspec.Meta(ge=-55_000, le=125_000)]


class Requirement(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the label asks of one soak.

    Attributes:
        min_mc: Lowest allowed solution temperature in millidegrees Celsius; equality qualifies.
        contact_ms: Contact time in milliseconds; equality qualifies.
        max_mc: Highest allowed temperature where the label prints one; equality qualifies.
        max_gap_ms: Longest pause between readings that still counts as watched; equality qualifies.
    """

    min_mc: _Degrees
    contact_ms: Annotated[int, msgspec.Meta(gt=0, le=7 * 24 * 3_600_000)]
    max_mc: _Degrees | None = None
    max_gap_ms: Annotated[int, msgspec.Meta(gt=0, le=600_000)] = MAX_GAP_MS

    def __post_init__(self) -> None:
        """Refuse a maximum below the minimum."""
        if self.max_mc is not None and self.max_mc < self.min_mc:
            raise ValueError(
                f"The maximum temperature ({self.max_mc / 1000:g} °C) is below the minimum "
                f"({self.min_mc / 1000:g} °C): no soak could meet it. Copy both again from the label."
            )

    def as_strict_as(self, other: Requirement) -> bool:
        """Whether a closure that meets this one meets the other too; equality qualifies."""
        hot = other.max_mc is None or (self.max_mc is not None and self.max_mc <= other.max_mc)
        return (
            hot
            and self.min_mc >= other.min_mc
            and self.contact_ms >= other.contact_ms
            and self.max_gap_ms <= other.max_gap_ms
        )


class SensorTerms(msgspec.Struct, frozen=True):
    """How a sensor's indication becomes a value that can be judged.

    Attributes:
        u_mc: Expanded uncertainty (k = 2) of the corrected value, in millidegrees.
        correction_mc: Added to the indication, in millidegrees, from the last sensor check.
    """

    u_mc: Annotated[int, msgspec.Meta(ge=0, le=20_000)]
    correction_mc: Annotated[int, msgspec.Meta(ge=-20_000, le=20_000)] = 0


def needs_mc(requirement: Requirement, terms: SensorTerms) -> int:
    """What a sensor must indicate at least, so that its corrected value less its U reaches the minimum."""
    return requirement.min_mc + terms.u_mc - terms.correction_mc


def most_mc(requirement: Requirement, terms: SensorTerms) -> int | None:
    """What a sensor may indicate at most; None where the label prints no maximum."""
    return None if requirement.max_mc is None else requirement.max_mc - terms.u_mc - terms.correction_mc


class Judged(NamedTuple):
    """One reading against the requirement, all in millidegrees.

    Attributes:
        margin_mc: Least corrected value less its U, minus the minimum: guarded acceptance (JCGM 106, ILAC-G8).
        lowest_mc: Lowest corrected value.
        highest_mc: Highest corrected value.
        above: The highest corrected value plus its U is above the maximum.
        margins_mc: The margin of each sensor by itself, in the order of the terms.
    """

    margin_mc: int
    lowest_mc: int
    highest_mc: int
    above: bool
    margins_mc: tuple[int, ...]


class Judge:
    """Turns the temperatures of one reading into its margin.

    Args:
        requirement: What the soak must fulfil.
        terms: Every required sensor of the basin; a reading without one of them has an unknown margin.
    """

    def __init__(self, requirement: Requirement, terms: Mapping[SensorId, SensorTerms]) -> None:
        if not terms:
            raise ValueError("A basin without a sensor cannot be judged. Name its sensors in the settings.")
        self.requirement = requirement
        self.terms = dict(terms)
        self.sensors = tuple(terms)
        self._terms = tuple(terms.values())
        self._judged: dict[tuple[int | None, ...], Judged | None] = {}  # a sensor has few steps: the same come again

    def of(self, mc: Mapping[SensorId, int | None]) -> Judged | None:
        """Judge a reading's temperatures; None where a required sensor gave no value."""
        values = tuple(map(mc.get, self.sensors))
        try:
            return self._judged[values]
        except KeyError:
            return self._judge(values)

    def _judge(self, values: tuple[int | None, ...]) -> Judged | None:
        if len(self._judged) >= _MOST_REMEMBERED:
            self._judged.clear()
        known = [mc for mc in values if mc is not None]
        judged = self.of_rounded(known, known) if len(known) == len(values) else None
        self._judged[values] = judged
        return judged

    def of_rounded(self, low_mc: Sequence[int], high_mc: Sequence[int]) -> Judged:
        """Judge temperatures finer than a millidegree, given rounded down and rounded up, one per sensor."""
        requirement, terms = self.requirement, self._terms
        lows = [value + term.correction_mc for value, term in zip(low_mc, terms, strict=True)]
        highs = [value + term.correction_mc for value, term in zip(high_mc, terms, strict=True)]
        margins = tuple(low - term.u_mc - requirement.min_mc for low, term in zip(lows, terms, strict=True))
        above = requirement.max_mc is not None and any(
            high + term.u_mc > requirement.max_mc for high, term in zip(highs, terms, strict=True)
        )
        return Judged(min(margins), min(lows), max(highs), above, margins)
