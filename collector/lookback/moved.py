"""A sensor was found to read wrong: by how much its values must be lowered, at the time of each soak. Pure.

The sign. An error `d_mc` is what the corrected value was too high by: positive is the dangerous way, for the solution
was colder than the record says. A sensor that showed 20.40 °C, corrected, where the reference showed 20.00 °C has
`d_mc` = +400; a soak whose coldest reading had a margin of 300 m°C above the minimum was really 100 m°C below it.
`SensorCheck.error_mc` has the same sign. A sensor that read too low has a negative error: everything was warmer than
recorded, which can take a soak above a printed maximum and otherwise takes nothing away.

Two suppositions, because nobody knows when it went wrong: a step right after the last good check (the worst), or a
drift that grew evenly from nothing at that check to the whole error at the finding.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from typing import NamedTuple

from soak.requirement import SensorTerms


class Supposition(enum.StrEnum):
    """What is supposed to have been: how an error came about, or that the label asked something else."""

    STEP = "step"
    DRIFT = "drift"
    OTHERWISE = "otherwise"


class Shift(NamedTuple):
    """By how much the temperatures of one sensor must be lowered in one closure, in millidegrees.

    Where the error is the same throughout, both are. Where it changes within the closure each is the safer end, rounded
    the safe way: the most against the minimum, the least against the maximum. U then widens by half of what lies
    between, which is why that is an even number.

    Attributes:
        cold_mc: Against the minimum; negative: raised.
        hot_mc: Against a maximum; at most `cold_mc`.
    """

    cold_mc: int
    hot_mc: int

    @classmethod
    def holding(cls, several: Iterable[Shift]) -> Shift:
        """The safer ends of several."""
        found = list(several)
        return cls.between(max(each.cold_mc for each in found), min(each.hot_mc for each in found))

    @classmethod
    def between(cls, cold_mc: int, hot_mc: int) -> Shift:
        """The safer ends of errors from the one to the other."""
        return cls(cold_mc, hot_mc - (cold_mc - hot_mc) % 2)


UNMOVED = Shift(0, 0)


class Moved(NamedTuple):
    """A sensor and its error over a time. Times in milliseconds since 1970, errors in millidegrees.

    Attributes:
        sensor: Its id.
        from_ms: The last good check: from here on it may have been wrong.
        until_ms: When it was put right; closures that began before are concerned.
        step_mc: The error throughout, if it came about at once.
        drift_from_mc: The error at `from_ms`, if it grew evenly.
        drift_until_mc: The error at `until_ms`, if it grew evenly.
        by_closing: Only closures that began at `from_ms` or later are concerned: a check that was itself wrong judges
            from the next closing on. Otherwise also the one over which the last good check was made.
    """

    sensor: str
    from_ms: int
    until_ms: int
    step_mc: int
    drift_from_mc: int
    drift_until_mc: int
    by_closing: bool = False

    def touches(self, closing_ms: int, last_ms: int) -> bool:
        """Whether it concerns a closure that lasted from the one time to the other."""
        return closing_ms < self.until_ms and (closing_ms if self.by_closing else last_ms) >= self.from_ms

    def shift(self, supposed: Supposition, closing_ms: int, last_ms: int) -> Shift:
        """By how much to lower the sensor in a closure that it concerns.

        A closure over which the good check was made may lie before the error or behind it: it gets the safer of both.
        """
        if supposed is Supposition.STEP:
            if closing_ms < self.from_ms:
                return Shift.between(max(self.step_mc, 0), min(self.step_mc, 0))
            return Shift(self.step_mc, self.step_mc)
        most_mc, least_mc = self.drifted_mc(closing_ms)
        last_most_mc, last_least_mc = self.drifted_mc(last_ms)
        return Shift.between(max(most_mc, last_most_mc), min(least_mc, last_least_mc))

    def drifted_mc(self, at_ms: int) -> tuple[int, int]:
        """The error at a moment if it grew evenly, rounded up and down; before and after as at the ends."""
        grown_mc = self.drift_until_mc - self.drift_from_mc
        if not grown_mc or at_ms >= self.until_ms:
            return self.drift_until_mc, self.drift_until_mc
        grown_mc *= max(0, at_ms - self.from_ms)
        lasted_ms = self.until_ms - self.from_ms
        return self.drift_from_mc - -grown_mc // lasted_ms, self.drift_from_mc + grown_mc // lasted_ms


def sensor_moved(sensor: str, d_mc: int, from_ms: int, until_ms: int) -> Moved:
    """A sensor that was found off.

    Args:
        sensor: Its id.
        d_mc: What its corrected value was too high by when it was found; negative: too low.
        from_ms: Its last good check, milliseconds since 1970.
        until_ms: When it was found.

    Raises:
        ValueError: The finding is not after the good check.
    """
    if until_ms <= from_ms:
        raise ValueError(
            "The time at which the sensor was found off is not after its last good check: nothing lies between. "
            "Give the time of the check before the one that found it."
        )
    return Moved(sensor, from_ms, until_ms, d_mc, 0, d_mc)


def shifted(terms: SensorTerms, shift: Shift) -> SensorTerms:
    """The terms that a closure must be judged by again.

    The middle between the two sides goes into the correction, half of what lies between them into U.
    """
    wider_mc = (shift.cold_mc - shift.hot_mc) // 2
    return SensorTerms(terms.u_mc + wider_mc, terms.correction_mc - shift.cold_mc + wider_mc)
