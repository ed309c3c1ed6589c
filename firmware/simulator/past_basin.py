"""The sensors and temperatures of one basin over past days."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import repeat
from random import Random

from firmware.scratchpad import judge
from firmware.sensors import fault_word
from firmware.simulator.basin import NOISE_MC
from firmware.simulator.past import Spell
from firmware.simulator.script import Trouble
from firmware.simulator.track import GRID_S, PER_MC, Track
from firmware.simulator.wire1 import GONE_AFTER_MS, scratchpad, troubled_text, w1_slave_text
from soak.reading import Fault, Reading
from soak.wire import MOST_READINGS

TABLE = 8_191
"""Length of the tables of noise and jitter: a prime, so that they do not fall into step with anything."""

_CONVERSION_MS = 900  # common practice for 12 bits with the bus around it; until it ends, the one before stands
_SEARCH_MS = 6_000  # the driver searches the bus every ten seconds for a sensor that was plugged in
_GONE = Fault(fault_word(FileNotFoundError()))
_STEP = 1000 * PER_MC // 16  # a sixteenth of a degree in the track's unit


class _Values(dict[int, "int | Fault"]):
    """What becomes of a register value on its way through the kernel's text and our judgement."""

    def __missing__(self, sixteenths: int) -> int | Fault:
        self[sixteenths] = found = judge(w1_slave_text(scratchpad(sixteenths)).encode())
        return found


class _Shared(dict[tuple[int, ...], dict[str, "int | None"]]):
    """The `mc` of a reading by its sensors' register values; readings with the same values share one."""

    def __init__(self, sensors: Sequence[str], values: _Values) -> None:
        super().__init__()
        self._sensors, self._values = sensors, values

    def __missing__(self, codes: tuple[int, ...]) -> dict[str, int | None]:
        found = [self._values[code] for code in codes]
        self[codes] = mc = {
            sensor: None if isinstance(each, Fault) else each for sensor, each in zip(self._sensors, found, strict=True)
        }
        return mc


class PastBasin:
    """One basin over all past days.

    Args:
        sensors: Ids, the low one first.
        offsets_mc: Each sensor's own error.
        track: Temperatures; begins at `start_ms`.
        start_ms: On the wall clock, milliseconds.
        dice: Where the noise comes from.
    """

    def __init__(
        self, sensors: Sequence[str], offsets_mc: Sequence[int], track: Track, start_ms: int, dice: Random
    ) -> None:
        self._sensors, self._track, self._start_ms = tuple(sensors), track, start_ms
        self._offsets = [offset * PER_MC + _STEP // 2 for offset in offsets_mc]
        self._values = _Values()
        self._shared = _Shared(self._sensors, self._values)
        noise = [round(dice.gauss(0, NOISE_MC) * PER_MC) for _ in range(TABLE)]
        self._noise = noise + noise[:MOST_READINGS]

    def mc(self, from_ms: int, count: int) -> Iterable[dict[str, int | None]]:
        """What the sensors indicate, once a second.

        Args:
            from_ms: The first one's time on the wall clock.
            count: How many, at most a batch full.
        """
        columns = [self._codes(sensor, from_ms, count) for sensor in range(len(self._sensors))]
        return map(self._shared.__getitem__, zip(*columns, strict=True))

    def _codes(self, sensor: int, from_ms: int, count: int) -> list[int]:
        """Register values of one sensor, once a second."""
        second = (from_ms - self._start_ms) // 1000
        first, inside = divmod(second, GRID_S)
        end = (second + count) // GRID_S + 1
        self._track.upto(end)
        layer = self._track.layers[sensor % 2]
        line: list[int] = []
        for cell in range(first, end):
            begin = layer[cell]
            slope = (layer[cell + 1] - begin) // GRID_S
            line.extend(range(begin, begin + GRID_S * slope, slope) if slope else repeat(begin, GRID_S))
        offset, at = self._offsets[sensor], (second + 1_999 * sensor) % TABLE
        noise = self._noise[at : at + count]
        return [(here + offset + more) // _STEP for here, more in zip(line[inside:], noise, strict=False)]

    def in_trouble(self, readings: list[Reading], spell: Spell, booted_ms: int) -> None:
        """Change readings to what one sensor's trouble makes of them: its newest conversion counts, good or failed.

        Args:
            readings: Some of one stream; those outside the spell stay as they are.
            spell: The trouble.
            booted_ms: The boot's start on the wall clock.
        """
        unplugged = spell.trouble is Trouble.UNPLUGGED
        begins_ms = spell.begins_ms + _CONVERSION_MS // 2
        ends_ms = spell.ends_ms + (_SEARCH_MS if unplugged else 0) + _CONVERSION_MS
        if not readings or readings[-1].ms < begins_ms or readings[0].ms >= ends_ms:
            return
        sensor = self._sensors[spell.sensor]
        code = self._codes(spell.sensor, booted_ms + spell.begins_ms, 1)[0]
        failed = judge(troubled_text(spell.trouble, code).encode())
        for index, reading in enumerate(readings):
            if begins_ms <= reading.ms < ends_ms:
                gone = unplugged and reading.ms - spell.begins_ms > GONE_AFTER_MS
                readings[index] = _given(reading, sensor, _GONE if gone else failed)


def _given(reading: Reading, sensor: str, given: int | Fault) -> Reading:
    """The reading with another value or fault of one sensor."""
    mc: dict[str, int | None] = {**reading.mc, sensor: None if isinstance(given, Fault) else given}
    fault = {key: each for key, each in reading.fault.items() if key != sensor}
    if isinstance(given, Fault):
        fault[sensor] = given
    return Reading(reading.ms, reading.why, reading.lid, mc, fault)
