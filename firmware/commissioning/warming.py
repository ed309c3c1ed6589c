"""Which sensor somebody holds in the hand: the one that has risen clearly more than all others. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from soak.reading import SensorId

RISE_MC = 2_000
"""A rise that no basin makes by itself in two minutes. Our own choice: a hand is some ten degrees above a room."""

MARGIN_MC = 1_500
"""So much more than every other sensor. Our own choice: two sensors in one hand stay closer together than this."""

PATIENCE_MS = 120_000
"""A sheathed sensor in a gloved hand takes well under a minute; after two nobody is warming it. Our own choice."""


STEADY_MS = 3_000
"""For so long it must stay so: sensors are read at different times, and of two that are warmed together one is heard
first. With few sensors a round takes a second, with outliers of 1.8 s; with many each takes its turn."""

_TURN_MS = 1_000


def steady_ms(sensors: int) -> int:
    """For how long it must stay so with so many sensors on the bus: no less than a round takes."""
    return max(STEADY_MS, sensors * _TURN_MS)


class Held(NamedTuple):
    """This one.

    Attributes:
        sensor: Which.
        rise_mc: By how much it rose.
        others_mc: By how much the next rose at most; 0 where there is no other.
    """

    sensor: SensorId
    rise_mc: int
    others_mc: int


class Together(NamedTuple):
    """Several rose alike: nobody can say which one was meant."""

    sensors: Sequence[SensorId]


class NotHeld(NamedTuple):
    """None rose enough in time.

    Attributes:
        sensor: The one that rose most; empty where no sensor gave a temperature.
        rise_mc: By how much.
    """

    sensor: SensorId
    rise_mc: int


Outcome = Held | Together | NotHeld


class Warming:
    """Follows all sensors.

    Args:
        before_mc: What they gave before anybody warmed one; those without a temperature are missing.
        now_ms: When somebody said that one is being warmed, on any clock that only rises.
        steady_ms: For how long it must stay so.
    """

    def __init__(self, before_mc: Mapping[SensorId, int], now_ms: int, steady_ms: int = STEADY_MS) -> None:
        self._began_ms = now_ms
        self._lowest_mc = dict(before_mc)
        self._rise_mc: dict[SensorId, int] = {}
        self._likely: tuple[SensorId, ...] = ()
        self._likely_ms, self._steady_ms = now_ms, steady_ms

    @property
    def rises_mc(self) -> dict[SensorId, int]:
        """By how much each has risen above its lowest; those that give no temperature now are missing."""
        return dict(self._rise_mc)

    def take(self, now_ms: int, temperatures_mc: Mapping[SensorId, int | None]) -> Outcome | None:
        """New temperatures; None for a sensor that gives none now.

        A sensor that cools, as the one held before does, begins anew with each lower value.

        Returns:
            What came of it; None while nothing can be said yet.
        """
        for sensor, mc in temperatures_mc.items():
            if mc is not None:
                lowest_mc = self._lowest_mc[sensor] = min(mc, self._lowest_mc.get(sensor, mc))
                self._rise_mc[sensor] = mc - lowest_mc
            else:
                self._rise_mc.pop(sensor, None)  # what it was tells nothing about now
        ranked = sorted(((rise_mc, sensor) for sensor, rise_mc in self._rise_mc.items()), reverse=True)
        likely = _warm(ranked)
        if likely != self._likely:
            self._likely, self._likely_ms = likely, now_ms
        if likely and now_ms - self._likely_ms >= self._steady_ms:
            if len(likely) > 1:
                return Together(likely)
            return Held(likely[0], ranked[0][0], ranked[1][0] if len(ranked) > 1 else 0)
        if now_ms - self._began_ms < PATIENCE_MS:
            return None
        return NotHeld(ranked[0][1], ranked[0][0]) if ranked else NotHeld("", 0)


def _warm(ranked: Sequence[tuple[int, SensorId]]) -> tuple[SensorId, ...]:
    """The sensor that has risen clearly more than all others; or all that have risen alike; or none."""
    if not ranked or ranked[0][0] < RISE_MC:
        return ()
    highest_mc, sensor = ranked[0]
    if len(ranked) == 1 or highest_mc - ranked[1][0] >= MARGIN_MC:
        return (sensor,)
    alike = tuple(sorted(each for rise_mc, each in ranked if rise_mc >= RISE_MC and highest_mc - rise_mc < MARGIN_MC))
    return alike if len(alike) > 1 else ()
