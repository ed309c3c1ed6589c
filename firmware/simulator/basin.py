"""The physics of one basin of solution in a room: pure, in millidegrees Celsius and seconds.

Two layers of solution, what stands in them, the room around them. Every exchange is an exact exponential towards a
common temperature, so a step of any length neither overshoots nor makes or loses heat between the bodies. The
constants are common practice for a lidded basin of some ten litres, from memory; nothing that judges a soak uses them.
"""

from __future__ import annotations

import math
from functools import lru_cache

import msgspec

from firmware.simulator.script import Act, Step

SIXTEENTHS_PER_DEGREE = 16
"""DS18B20 datasheet, Table 2: 12 bits, one step is 0.0625 °C."""

NOISE_MC = 22.0
"""Standard deviation of one conversion: common practice for this kind of sensor, about a third of a step."""

_HOUR_MS = 3_600_000
_DAY_MS = 24 * _HOUR_MS
_HEATING_ON_MS, _HEATING_OFF_MS = 6 * _HOUR_MS, 18 * _HOUR_MS
_WARMING_MS = 1.2 * _HOUR_MS
_NIGHT_MS = 3.5 * _HOUR_MS


class Bath(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A thermostat that warms the basin from below.

    Attributes:
        set_mc: Middle of the band it keeps.
        band_mc: On half a band below, off half a band above.
        heating_mc_s: How fast it warms the lower layer while on, in millidegrees a second.
    """

    set_mc: int
    band_mc: int = 300
    heating_mc_s: float = 20.0


class Shape(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How a basin takes up and gives off heat. Time constants in seconds.

    Attributes:
        cooling_s: Towards the room with the lid on.
        open_cooling_s: Towards the room with the lid off.
        mixing_s: Between the two layers while nothing stirs.
        stirred_s: Between the two layers while the lid is off and hands move the load.
        load_s: Between a load and the layer it lies in.
        load_share: Heat that a load takes up, as a share of what one layer takes up.
        bench_mc: How much cooler the bench below is than the room's air: why the layers differ.
        bath: Its thermostat, if it has one.
    """

    cooling_s: float = 9_000.0
    open_cooling_s: float = 4_000.0
    mixing_s: float = 420.0
    stirred_s: float = 12.0
    load_s: float = 40.0
    load_share: float = 0.35
    bench_mc: int = 500
    bath: Bath | None = None


class Room(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A heated room over the day.

    Attributes:
        day_mc: While the heating is on.
        night_mc: Where it drifts to at night.
        cold_night_mc: The same before a cold morning.
    """

    day_mc: int = 22_600
    night_mc: int = 21_400
    cold_night_mc: int = 15_500

    def at_mc(self, ms_of_day: int, *, cold_before: bool, cold_after: bool) -> float:
        """The room's temperature.

        Args:
            ms_of_day: Milliseconds since local midnight, 0 to 86,400,000.
            cold_before: The night that ends this morning is a cold one.
            cold_after: The night that begins this evening is.
        """
        if ms_of_day >= _HEATING_OFF_MS:
            return self._night_mc(ms_of_day - _HEATING_OFF_MS, cold_after)
        if ms_of_day < _HEATING_ON_MS:
            return self._night_mc(ms_of_day + _DAY_MS - _HEATING_OFF_MS, cold_before)
        coldest_mc = self._night_mc(_HEATING_ON_MS + _DAY_MS - _HEATING_OFF_MS, cold_before)
        return self.day_mc + (coldest_mc - self.day_mc) * math.exp((_HEATING_ON_MS - ms_of_day) / _WARMING_MS)

    def _night_mc(self, since_off_ms: int, cold: bool) -> float:
        lowest_mc = self.cold_night_mc if cold else self.night_mc
        return lowest_mc + (self.day_mc - lowest_mc) * math.exp(-since_off_ms / _NIGHT_MS)


@lru_cache(maxsize=512)
def _share(step_s: float, constant_s: float) -> float:
    """Which share of a difference is gone after `step_s`."""
    return -math.expm1(-step_s / constant_s)


class Basin:
    """One basin as it is now.

    Args:
        shape: How it takes up and gives off heat.
        solution_mc: Temperature of both layers to begin with.

    Attributes:
        upper_mc: The upper layer.
        lower_mc: The lower layer, where loads lie.
        load_mc: What lies in it; None without a load.
        lid_open: The lid is off.
        heating: The bath's heater is on.
    """

    __slots__ = ("heating", "lid_open", "load_mc", "lower_mc", "shape", "upper_mc")

    def __init__(self, shape: Shape, solution_mc: float) -> None:
        self.shape = shape
        self.upper_mc = self.lower_mc = float(solution_mc)
        self.load_mc: float | None = None
        self.lid_open = False
        self.heating = False

    def act(self, step: Step) -> None:
        """Let something happen to it; only the lid and the load matter to temperatures."""
        match step.act:
            case Act.OPEN:
                self.lid_open = True
            case Act.CLOSE:
                self.lid_open = False
            case Act.LOAD_IN:
                self.load_mc = float(step.load_mc)
            case Act.ADD if self.load_mc is not None:
                self.load_mc = (self.load_mc + step.load_mc) / 2
            case Act.LOAD_OUT:
                self.load_mc = None
            case _:
                pass

    def step(self, step_s: float, room_mc: float) -> None:
        """Let time pass.

        Args:
            step_s: Seconds, 0 or more; best not much longer than the shortest constant that matters.
            room_mc: The room's temperature meanwhile.
        """
        shape = self.shape
        cooling = _share(step_s, shape.open_cooling_s if self.lid_open else shape.cooling_s)
        upper = self.upper_mc + (room_mc - self.upper_mc) * cooling
        lower = self.lower_mc + (room_mc - shape.bench_mc - self.lower_mc) * cooling
        bath = shape.bath
        if bath is not None:
            top_mc = bath.set_mc + bath.band_mc / 2
            if lower <= top_mc - bath.band_mc:
                self.heating = True
            if self.heating:
                lower += bath.heating_mc_s * step_s
            if lower >= top_mc:
                lower, self.heating = min(lower, max(top_mc, self.lower_mc)), False
        if self.load_mc is not None:
            common = (lower + shape.load_share * self.load_mc) / (1 + shape.load_share)
            share = _share(step_s, shape.load_s)
            lower += (common - lower) * share
            self.load_mc += (common - self.load_mc) * share
        middle = (upper + lower) / 2
        mixing = _share(step_s, shape.stirred_s if self.lid_open else shape.mixing_s)
        self.upper_mc = upper + (middle - upper) * mixing
        self.lower_mc = lower + (middle - lower) * mixing


def sixteenths(true_mc: float, offset_mc: float, noise_mc: float) -> int:
    """What a sensor indicates, in its own steps of a sixteenth of a degree.

    Args:
        true_mc: Temperature around it.
        offset_mc: Its own error.
        noise_mc: This conversion's noise.
    """
    return math.floor((true_mc + offset_mc + noise_mc) * SIXTEENTHS_PER_DEGREE / 1000 + 0.5)
