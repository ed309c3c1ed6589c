"""Readings of one basin as a DS18B20 at 12 bits and a Raspberry Pi would give them: seeded, a day at a time.

Only for measuring. What matters here is how much there is to say about each reading: the noise of the sensor, the
jitter of the tick, and how often something happens. The temperatures come from a plainer model than the simulator's.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from firmware.sampler import STARTING
from firmware.scratchpad import judge
from firmware.simulator.script import Trouble
from firmware.simulator.wire1 import troubled_text
from soak.quantity import utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.wire import Batch, Clock

DAY_S = 86_400
SENSOR = "28-0000072c1a5f"
STEP_MC = 62.5
"""DS18B20 datasheet, Table 2: one step at 12 bits."""

NOISE_STEPS = 0.5
"""Standard deviation of one conversion in steps: on the safe side of what is common practice for this sensor."""

BOOT_DAYS = 30
"""A node is restarted now and then; each boot is a stream of its own."""

_OPENS_S, _SHUTS_S = 7 * 3_600 + 2_400, 17 * 3_600 + 1_200
_SOAKS = (10, 20)
_FILL_DAYS = 14  # a fresh fill comes colder than the room and warms up
_UNSYNCED_S = 15  # after a boot the wall clock is wrong until it has been synchronised
_SLOW_S = 9_000.0  # a covered basin follows its room

_Array = npt.NDArray[Any]


class Chunk(NamedTuple):
    """Readings of one stream, numbers following on, and the clock they are sent with."""

    stream: str
    boot: str
    booted_utc_ms: int
    first: int
    readings: list[Reading]

    @property
    def last(self) -> int:
        """Number of the last reading."""
        return self.first + len(self.readings) - 1

    def batches(self, size: int, basin: str = "b1") -> Iterator[Batch]:
        """The readings in messages of so many, each stamped when its newest was taken."""
        for start in range(0, len(self.readings), size):
            part = self.readings[start : start + size]
            ms = part[-1].ms
            late_ms = 0 if self.first > 1 or start + len(part) > _UNSYNCED_S else -180_000
            clock = Clock(ms, utc_text(self.booted_utc_ms + ms + late_ms), synced=not late_ms)
            yield Batch(self.stream, basin, self.boot, self.first + start, clock, part)


def modelled_lateness_ms(random: np.random.Generator, count: int) -> _Array:
    """By how much ticks come late, whole milliseconds; `bench_node` and `bench_size` print a real node's beside it.

    The node's clock is cut to milliseconds, so that most of the jitter is where within one it woke up; on top of that
    a wake-up takes a fraction of a millisecond, and now and then other threads or the disk hold it up for longer.
    """
    woke = random.uniform(0, 1, count) + random.lognormal(np.log(0.3), 0.7, count)
    held_up = np.where(random.uniform(0, 1, count) < 0.03, random.exponential(4.0, count), 0.0)
    return np.floor(woke + held_up).astype(np.int64)


def digest(text: str) -> str:
    """A random-looking name of 32 hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def boot_id(text: str) -> str:
    """A boot's id in the form the kernel gives it."""
    name = digest(text)
    return "-".join((name[:8], name[8:12], name[12:16], name[16:20], name[20:]))


def days(
    count: int,
    seed: int = 1,
    *,
    start_utc_ms: int,
    sensor: str = SENSOR,
    noise_steps: float = NOISE_STEPS,
    name: str = "n1",
    boot_days: int = BOOT_DAYS,
) -> Iterator[Chunk]:
    """One basin, day after day.

    Args:
        count: How many days.
        seed: The same seed gives the same readings; of each basin another.
        start_utc_ms: Midnight of the first day, milliseconds since 1970.
        sensor: Its sensor.
        noise_steps: Standard deviation of the sensor's noise, in steps of 62.5 m°C.
        name: The node: its basins share its boots.
        boot_days: How long a boot of it lasts.
    """
    random = np.random.default_rng(seed)
    room_c, dip_c, first = 21.5, 0.0, 1
    for day in range(count):
        boot, day_of_boot = divmod(day, boot_days)
        first = first if day_of_boot else 1
        midnight_ms = start_utc_ms + 1_000 * DAY_S * day
        booted_ms = start_utc_ms + 1_000 * DAY_S * boot_days * boot - 20_000
        room_c += 0.4 * (21.5 - room_c) + random.normal(0, 0.3)
        lid = _lid(random)
        celsius, dip_c = _celsius(random, room_c, dip_c, lid, fresh=day % _FILL_DAYS == 0)
        due_ms = midnight_ms - booted_ms + 1_000 * np.arange(DAY_S, dtype=np.int64)
        readings = _ticks(
            due_ms + modelled_lateness_ms(random, DAY_S), lid, _indicated_mc(random, celsius, noise_steps), sensor
        )
        _trouble(random, readings, sensor)
        _edges(random, readings, lid, due_ms)
        if not day_of_boot:
            _start(readings, sensor)
        yield Chunk(digest(f"{name}/{seed}/{boot}"), boot_id(f"{name}/{boot}"), booted_ms, first, readings)
        first += len(readings)


def _lid(random: np.random.Generator) -> _Array:
    """Second by second whether the lid is on: soaks while the clinic is open, lid on in between and at night."""
    closed = np.ones(DAY_S, dtype=bool)
    soaks = int(random.integers(_SOAKS[0], _SOAKS[1] + 1))
    room_s = (_SHUTS_S - _OPENS_S) / soaks
    for soak in range(soaks):
        at = int(_OPENS_S + room_s * (soak + random.uniform(0, 0.3)))
        put_in, soaked, taken_out = random.integers(15, 60), int(random.normal(13.5 * 60, 60)), random.integers(12, 50)
        closed[at : at + put_in] = False
        closed[at + put_in + soaked : at + put_in + soaked + taken_out] = False
    return closed


def _celsius(
    random: np.random.Generator, room_c: float, dip_c: float, lid: _Array, *, fresh: bool
) -> tuple[_Array, float]:
    """True temperature second by second, and what is left of its dip in the end."""
    second = np.arange(DAY_S)
    air = room_c + 0.9 * np.sin((second / DAY_S - 0.4) * 2 * np.pi)
    air += 0.06 * np.sin(second / random.uniform(1_200, 2_400) * 2 * np.pi)  # the heating switches on and off
    dip = dip_c * np.exp(-second / _SLOW_S)
    openings = np.flatnonzero(lid[:-1] & ~lid[1:]) + 1
    for at in openings:
        dip[at:] += random.uniform(0, 0.25) * np.exp(-(second[at:] - at) / 300)
    if fresh and len(openings):
        at = int(openings[0])
        dip[at:] += random.uniform(2, 5) * np.exp(-(second[at:] - at) / _SLOW_S)
    return air - dip, float(dip[-1])


def _indicated_mc(random: np.random.Generator, celsius: _Array, noise_steps: float) -> _Array:
    """What the sensor indicates: whole steps, cut to millidegrees towards zero as the kernel does."""
    steps = np.rint(celsius * 1_000 / STEP_MC + random.normal(0, noise_steps, len(celsius)))
    return np.trunc(steps * STEP_MC).astype(np.int64)


def _ticks(ms: _Array, lid: _Array, mc: _Array, sensor: str) -> list[Reading]:
    shared = {each: {sensor: each} for each in np.unique(mc).tolist()}
    words = [Lid.CLOSED if closed else Lid.OPEN for closed in lid.tolist()]
    return list(map(Reading, ms.tolist(), repeat(Why.TICK), words, map(shared.__getitem__, mc.tolist())))


def _trouble(random: np.random.Generator, readings: list[Reading], sensor: str) -> None:
    """A failed check sum a few times a day; a plug that comes loose for some minutes every few weeks."""
    for index in random.integers(0, len(readings), random.poisson(3)).tolist():
        _fail(readings, index, index + 1, sensor, Trouble.BAD_CRC)
    if random.uniform() < 1 / 20:
        begin = int(random.integers(_OPENS_S, _SHUTS_S))
        _fail(readings, begin, begin + int(random.integers(60, 1_200)), sensor, Trouble.EMPTY)


def _fail(readings: list[Reading], begin: int, end: int, sensor: str, trouble: Trouble) -> None:
    for index in range(begin, min(end, len(readings))):
        before = readings[index]
        sixteenths = round((before.mc[sensor] or 0) * 16 / 1_000)
        fault = judge(troubled_text(trouble, sixteenths).encode())
        if isinstance(fault, Fault):
            readings[index] = Reading(before.ms, before.why, before.lid, {sensor: None}, {sensor: fault})


def _edges(random: np.random.Generator, readings: list[Reading], lid: _Array, due_ms: _Array) -> None:
    """The lid's movements have readings of their own, with the newest temperature, some time before the tick."""
    for tick in (np.flatnonzero(lid[1:] != lid[:-1]) + 1).tolist()[::-1]:
        at_ms = int(due_ms[tick]) - int(random.integers(40, 940))
        before = readings[tick - 1]
        if before.ms < at_ms < readings[tick].ms:
            readings.insert(tick, Reading(at_ms, Why.LID, readings[tick].lid, before.mc, before.fault))


def _start(readings: list[Reading], sensor: str) -> None:
    """A boot begins without a temperature, and after some seconds the wall clock is set."""
    first, set_at = readings[0], readings[_UNSYNCED_S]
    readings[0] = Reading(first.ms, Why.START, first.lid, {sensor: None}, {sensor: STARTING})
    readings[_UNSYNCED_S] = Reading(set_at.ms, Why.CLOCK, set_at.lid, set_at.mc, set_at.fault)
