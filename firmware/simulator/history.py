"""Past days of a simulated node, as earlier boots of it whose readings still wait for a receipt.

A batch is worked out when it is asked for, from the plan alone: the same numbers always give the same readings, so
nothing needs to be kept for sending again. Noise and jitter come from tables made once, and temperatures pass through
the same judgement as a live sensor's text, once for each value that occurs.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from itertools import repeat
from operator import add
from random import Random

from firmware.sampler import STARTING
from firmware.simulator.basin import Basin
from firmware.simulator.past import PastStream, past_script, place, plan_boots, plan_stream
from firmware.simulator.past_basin import TABLE, PastBasin
from firmware.simulator.scenario import PlayedBasin
from firmware.simulator.script import DAY_MS, cold_morning
from firmware.simulator.track import Track
from soak.quantity import utc_text
from soak.ranges import Range, Ranges
from soak.reading import Lid, Reading, Why
from soak.wire import MOST_READINGS, Batch, Clock, HeldStream

_JITTER_MS = (0, 1, 1, 1, 2, 2, 3, 4, 6)


class History:
    """A `firmware.source.Source` over past streams.

    Args:
        streams: Oldest first.
        basins: The basins by name.
        finished: Ids of streams that need not be sent again.
        on_finished: Told the id of a stream once a receipt covers all of it.

    Attributes:
        past: Every stream by id, sent or not: what truly happened, for those who compare.
    """

    def __init__(
        self,
        streams: Iterable[PastStream],
        basins: Mapping[str, PastBasin],
        *,
        finished: Iterable[str] = (),
        on_finished: Callable[[str], None] = lambda _stream: None,
    ) -> None:
        gone = set(finished)
        self.past = {each.stream: each for each in streams}
        self._released = {stream: Ranges() for stream in self.past if stream not in gone}
        self._basins, self._on_finished = basins, on_finished
        self._lock = threading.Lock()
        dice = Random(TABLE)  # noqa: S311 - every stream may share it
        jitter = [dice.choice(_JITTER_MS) for _ in range(TABLE)]
        self._jitter = jitter + jitter[:MOST_READINGS]

    def streams(self) -> list[HeldStream]:
        """Streams that no receipt covers entirely, oldest first, each in its full extent."""
        with self._lock:
            return [
                HeldStream(stream, self.past[stream].basin, _oldest(released), self.past[stream].newest)
                for stream, released in self._released.items()
            ]

    def held(self, stream: str) -> Ranges:
        """Numbers of one stream that no receipt covers yet; none of a stream that is not held."""
        with self._lock:
            released = self._released.get(stream)
            return Ranges(released.missing(1, self.past[stream].newest)) if released is not None else Ranges()

    def release(self, stream: str, ranges: Iterable[Range]) -> None:
        """A receipt covers these numbers; of a stream that is not held, nothing happens."""
        with self._lock:
            released = self._released.get(stream)
            if released is None:
                return
            newest = self.past[stream].newest
            for first, last in ranges:
                if first <= newest:
                    released.add(first, min(last, newest))
            if released.missing(1, newest):
                return
            del self._released[stream]
        self._on_finished(stream)

    def lost(self, stream: str, ranges: Iterable[Range]) -> None:
        """Nothing is ever lost here."""

    def batch(self, stream: str, first: int, most: int) -> Batch:
        """Consecutive readings from `first` on: the same numbers always give the same readings.

        Args:
            stream: Its id.
            first: Number of the first reading.
            most: How many at most, 1 or more; never more than one message takes.

        Raises:
            ValueError: There is no such stream or reading.
        """
        past = self.past.get(stream)
        if past is None or not 1 <= first <= past.newest:
            raise ValueError(f"Past stream {stream} has no reading {first}.")
        with self._lock:
            readings = self._readings(past, first, min(first + min(most, MOST_READINGS) - 1, past.newest))
        ms = readings[-1].ms
        clock = Clock(ms, utc_text(past.boot.booted_ms + ms), synced=True)
        return Batch(stream, past.basin, past.boot.boot_id, first, clock, readings)

    def _readings(self, past: PastStream, first: int, last: int) -> list[Reading]:
        readings: list[Reading] = []
        moves, tick = place(past, first)
        number = first
        while number <= last:
            move = past.moves[moves] if moves < len(past.moves) else None
            if move and move.number == number:
                readings.append(self._between(past, move.ms, move.why, move.lid))
                moves, number = moves + 1, number + 1
                continue
            count = min(last, move.number - 1 if move else last) - number + 1
            readings += self._ticks(past, tick, count, past.moves[moves - 1].lid if moves else past.lid)
            tick, number = tick + count, number + count
        for spell in past.spells:
            self._basins[past.basin].in_trouble(readings, spell, past.boot.booted_ms)
        return readings

    def _between(self, past: PastStream, ms: int, why: Why, lid: Lid) -> Reading:
        """A reading at a time of its own carries the newest temperatures, like every other."""
        [mc] = self._basins[past.basin].mc(past.boot.booted_ms + ms, 1)
        return Reading(ms, why, lid, mc)

    def _ticks(self, past: PastStream, tick: int, count: int, lid: Lid) -> list[Reading]:
        """Readings at ticks; tick 0 is the reading that the node takes as it starts."""
        from_ms = past.first_ms + 1000 * tick
        at = (tick + past.first_ms) % TABLE
        times = map(add, range(from_ms, from_ms + 1000 * count, 1000), self._jitter[at : at + count])
        temperatures = self._basins[past.basin].mc(past.boot.booted_ms + from_ms, count)
        readings = list(map(Reading, times, repeat(Why.TICK), repeat(lid), temperatures))
        if tick == 0:
            sensors = readings[0].mc  # whose first conversion has not ended yet
            readings[0] = Reading(from_ms, Why.START, lid, dict.fromkeys(sensors), dict.fromkeys(sensors, STARTING))
        return readings


def _oldest(released: Ranges) -> int:
    """Number of the oldest reading that is not released."""
    end = released.run_end(1)
    return 1 if end is None else end + 1


def make_history(
    node: str,
    basins: Mapping[str, tuple[PlayedBasin, tuple[str, ...]]],
    *,
    seed: int,
    days: int,
    end_ms: int,
    utc_offset_ms: int,
    finished: Iterable[str] = (),
    on_finished: Callable[[str], None] = lambda _stream: None,
) -> History:
    """The past days of one node.

    Args:
        node: Its name.
        basins: By name: as the simulator plays it, and the ids of its sensors.
        seed: The clinic's.
        days: How many, up to `end_ms`; 0 for none.
        end_ms: On the wall clock, milliseconds.
        utc_offset_ms: Local time less UTC.
        finished: Ids of streams that need not be sent again.
        on_finished: Told the id of a stream once a receipt covers all of it.
    """
    if days < 1:
        return History((), {})
    start_ms = end_ms - days * DAY_MS
    scripts = {
        name: past_script(played, seed, f"{node}/{name}", start_ms=start_ms, end_ms=end_ms, utc_offset_ms=utc_offset_ms)
        for name, (played, _) in basins.items()
    }
    dice = Random(f"{seed}/{node}/past")  # noqa: S311 - a play, not a secret
    loads = sorted((load for script in scripts.values() for load in script.loads), key=lambda load: load.closed_ms)
    boots = plan_boots(dice, node, loads, start_ms=start_ms, end_ms=end_ms, utc_offset_ms=utc_offset_ms)
    streams = [plan_stream(node, name, boot, script, dice) for boot in boots for name, script in scripts.items()]
    past_basins = {}
    for name, (played, sensors) in basins.items():
        room_mc = _room(played, seed, utc_offset_ms)
        track = Track(Basin(played.shape, played.solution_mc), scripts[name].steps, start_ms, room_mc)
        past_basins[name] = PastBasin(sensors, played.offsets_mc, track, start_ms, dice)
    return History(streams, past_basins, finished=finished, on_finished=on_finished)


def _room(played: PlayedBasin, seed: int, utc_offset_ms: int) -> Callable[[int], float]:
    """The room's temperature by the wall clock."""

    def at_mc(utc_ms: int) -> float:
        day, ms_of_day = divmod(utc_ms + utc_offset_ms, DAY_MS)
        cold_before, cold_after = cold_morning(seed, day), cold_morning(seed, day + 1)
        return played.room.at_mc(ms_of_day, cold_before=cold_before, cold_after=cold_after)

    return at_mc
