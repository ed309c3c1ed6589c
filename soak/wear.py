"""How long a memory card lasts at the rate at which it is written."""

from __future__ import annotations

from typing import NamedTuple

from soak.wire import DiskUse

RATED_TB = 20
"""Terabytes that a card is taken to bear being written where nobody has set what its maker says: an assumption, and
for a small or cheap card too much. What its own controller writes beside what it is sent is part of such a figure."""

LEAST_COUNTED_MS = 24 * 3_600_000
"""Nights and days differ: before a whole day was counted nothing is said."""

YEAR_MS = 31_557_600_000
"""365.25 days."""

LOOK_MS = 2 * YEAR_MS
"""With less than this left somebody looks (our own choice): time to order a card and a quiet hour to change it."""

SOON_MS = YEAR_MS
"""With less than this left it is an alarm (our own choice)."""

_TB = 10**12
_LONGEST_MS = 100 * YEAR_MS


class Wear(NamedTuple):
    """What the rate comes to.

    Attributes:
        life_ms: How long a new card lasts at this rate, milliseconds; a hundred years at most.
        left_ms: How long this one lasts from now on, if nothing was written to it before the counting began.
    """

    life_ms: int
    left_ms: int


def wear(use: DiskUse | None) -> Wear | None:
    """How long the card lasts; None while that is not known: nothing counted, or less than a day."""
    if use is None or use.over_ms < LEAST_COUNTED_MS:
        return None
    rated_bytes = use.rated_tb * _TB
    left_bytes = max(0, rated_bytes - use.written_bytes)
    if use.written_bytes == 0:
        return Wear(_LONGEST_MS, _LONGEST_MS)
    life_ms, left_ms = (bytes_ * use.over_ms // use.written_bytes for bytes_ in (rated_bytes, left_bytes))
    return Wear(min(life_ms, _LONGEST_MS), min(left_ms, _LONGEST_MS))


def years(ms: int) -> str:
    """A length of time in years, as exact as an estimate deserves: "0.4", "3.5", "18"; rounded down."""
    return f"{ms // YEAR_MS}" if ms >= 10 * YEAR_MS else f"{ms * 10 // YEAR_MS / 10:.1f}"


def wear_words(use: DiskUse | None) -> str:
    """What is known of the card's life, in one sentence."""
    if use is None or use.over_ms == 0:
        return "How much is written to its disk is not known."
    found = wear(use)
    if found is None:
        return "How long its card lasts is not yet known: less than a day of counting."
    counted = f"{use.written_bytes / _TB:.3f} TB counted in {use.over_ms // 86_400_000} days"
    return f"At this rate a card rated at {use.rated_tb} TB lasts about {years(found.life_ms)} years ({counted})."
