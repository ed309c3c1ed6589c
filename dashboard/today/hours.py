"""Which hours of a day are shown, and where on their axis a moment stands. Pure."""

from __future__ import annotations

from typing import NamedTuple

from dashboard.when import HOUR_MS

FEWEST_HOURS = 8
AHEAD_HOURS = 1
"""So much of what is to come is shown at least."""


class Hours(NamedTuple):
    """The hours that are shown, milliseconds since 1970, whole hours of the local day."""

    since_ms: int
    until_ms: int

    def percent(self, ms: int) -> str:
        """Where a moment stands from left to right, in hundredths of a per cent; outside, at the nearest end."""
        share = (min(max(ms, self.since_ms), self.until_ms) - self.since_ms) * 10_000 // (self.until_ms - self.since_ms)
        return f"{share / 100:g}%"

    def share(self, ms: int) -> float:
        """The same as a fraction."""
        inside = min(max(ms, self.since_ms), self.until_ms)
        return (inside - self.since_ms) / (self.until_ms - self.since_ms)

    def marks(self) -> list[int]:
        """Every whole hour but the two ends."""
        return list(range(self.since_ms + HOUR_MS, self.until_ms, HOUR_MS))


def hours_of(day: tuple[int, int], first_ms: int | None, last_ms: int | None, now_ms: int | None) -> Hours:
    """The working day: from the first thing that happened to the last, or to some way ahead of now.

    Args:
        day: First millisecond of the day and of the next one.
        first_ms: The first thing that happened on it; None for nothing.
        last_ms: The last.
        now_ms: The time now, where the day is today; else None.
    """
    begin_ms, end_ms = day
    if now_ms is None:
        middle_ms = begin_ms + (end_ms - begin_ms) // 3
        first, last = (middle_ms, middle_ms) if first_ms is None or last_ms is None else (first_ms, last_ms)
        until_ms = _whole(last - begin_ms, up=True) + begin_ms
    else:
        first = now_ms if first_ms is None else min(first_ms, now_ms)
        until_ms = _whole(now_ms - begin_ms, up=True) + begin_ms + AHEAD_HOURS * HOUR_MS
    since_ms = max(begin_ms, begin_ms + _whole(first - begin_ms, up=False))
    until_ms = min(end_ms, max(until_ms, since_ms + FEWEST_HOURS * HOUR_MS))
    return Hours(max(begin_ms, min(since_ms, until_ms - FEWEST_HOURS * HOUR_MS)), until_ms)


def _whole(ms: int, *, up: bool) -> int:
    return -(-ms // HOUR_MS) * HOUR_MS if up else ms // HOUR_MS * HOUR_MS
