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
    """Follows all sensors from the moment on at which somebody was asked.

    Args:
        now_ms: That moment, on any clock that only rises.
    """

    def __init__(self, now_ms: int) -> None:
        self._began_ms = now_ms
        self._lowest_mc: dict[SensorId, int] = {}
        self._rise_mc: dict[SensorId, int] = {}

    @property
    def rises_mc(self) -> dict[SensorId, int]:
        """By how much each has risen above its lowest since then; those that gave no temperature are missing."""
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
        late = now_ms - self._began_ms >= PATIENCE_MS
        if not ranked:
            return NotHeld("", 0) if late else None
        rise_mc, sensor = ranked[0]
        others_mc = ranked[1][0] if len(ranked) > 1 else 0
        if rise_mc >= RISE_MC and rise_mc - others_mc >= MARGIN_MC:
            return Held(sensor, rise_mc, others_mc)
        alike = [each for rise, each in ranked if rise >= RISE_MC and rise_mc - rise < MARGIN_MC]
        if len(alike) > 1:
            return Together(sorted(alike))
        return NotHeld(sensor, rise_mc) if late else None
