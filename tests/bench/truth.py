"""What the simulator really did in the past days of a demo, for those who compare: lids, loads, true temperatures.

The truth is the script: when a lid was moved, what went in, and the temperature of the solution where the sensors are,
without their errors, noise and faults. A soak was really enough when the solution was really at or above the minimum
without a break for the contact time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from collector.record.things import Load
from firmware.simulator.basin import Basin
from firmware.simulator.clinic import CLINIC, ClinicBasin
from firmware.simulator.memory import Memory
from firmware.simulator.past import past_script
from firmware.simulator.script import DAY_MS, Act, Mistake, Script, cold_morning
from firmware.simulator.staff_past import Lived, history_of, lived_of, start_ms
from firmware.simulator.track import GRID_S, PER_MC, Track
from soak.quantity import duration_ms

_SAME_MS = 1_500
_LONG_TROUBLE_MS = 2_400
"""A sensor that gives nothing for less leaves no gap that a soak is broken by: 5 s, less a tick and the
conversions around it."""

_NEAR_MC = 900
"""So near the minimum a soak may be unprovable: U of a sensor that was not checked (580), its own error (up to 100),
noise and a step of its scale."""


class Soaked(NamedTuple):
    """One closure that really held a load.

    Attributes:
        basin: "node/name".
        closed_ms: The lid was closed.
        opened_ms: It was lifted.
        contact_ms: What the label asks for.
        enough_ms: The longest time without a break that the solution was really at or above the minimum.
        announced: It was lifted to add a device.
        seen: The closure as its node saw it end; empty where the node was off when the lid was lifted.
        declared: The load was on record when the lid was lifted.
        doubt: Why it may be unprovable though it was enough; empty where nothing speaks against a proof.
    """

    basin: str
    closed_ms: int
    opened_ms: int
    contact_ms: int
    enough_ms: int
    announced: bool
    seen: str
    declared: bool
    doubt: str

    @property
    def early(self) -> bool:
        """Really lifted before the soak was enough, and nobody meant to."""
        return not self.announced and self.enough_ms < self.contact_ms


class Truth:
    """What the simulator really did in the past days.

    Args:
        nodes: What each node remembers.
        seed: The clinic's.

    Attributes:
        closures: By "stream:first", the basin and the closure as its node saw it.
    """

    def __init__(self, nodes: Mapping[str, Memory], seed: int) -> None:
        self._seed = seed
        self._begins_ms: dict[str, int] = {}
        self._lived: dict[str, list[Lived]] = {}
        self._scripts: dict[str, Script] = {}
        self._tracks: dict[str, Track] = {}
        self._clinic = {f"{basin.node}/{basin.name}": basin for basin in CLINIC}
        for node, memory in nodes.items():
            history = history_of(node, memory, seed)
            for basin in (each for each in CLINIC if each.node == node):
                self._begin(f"{node}/{basin.name}", basin, memory)
                self._lived[f"{node}/{basin.name}"] = list(lived_of(history, basin.name))
        self.closures = {each.key: (basin, each) for basin, all_ in self._lived.items() for each in all_}

    def _begin(self, key: str, basin: ClinicBasin, memory: Memory) -> None:
        played, seed = basin.played(), self._seed
        begins_ms = self._begins_ms[key] = start_ms({"": memory})
        offset_ms, until_ms = memory.utc_offset_ms, memory.history_end_ms
        script = past_script(played, seed, key, start_ms=begins_ms, end_ms=until_ms, utc_offset_ms=offset_ms)

        def room_mc(utc_ms: int) -> float:
            day, ms_of_day = divmod(utc_ms + offset_ms, DAY_MS)
            cold_before, cold_after = cold_morning(seed, day), cold_morning(seed, day + 1)
            return played.room.at_mc(ms_of_day, cold_before=cold_before, cold_after=cold_after)

        self._scripts[key] = script
        self._tracks[key] = Track(Basin(played.shape, played.solution_mc), script.steps, begins_ms, room_mc)

    def temperatures(self, basin: str, from_ms: int, until_ms: int) -> list[tuple[int, float]]:
        """The solution's real temperature every ten seconds, the least of where the basin's sensors are."""
        track, begin_ms = self._tracks[basin], self._begins_ms[basin]
        first = max(0, (from_ms - begin_ms) // (GRID_S * 1000))
        last = max(first, -(-(until_ms - begin_ms) // (GRID_S * 1000)))
        track.upto(last)
        layers = track.layers[: len(self._clinic[basin].sensors)]
        return [
            (begin_ms + point * GRID_S * 1000, min(layer[point] for layer in layers) / PER_MC)
            for point in range(first, last + 1)
        ]

    def soaks(self, minimum_mc: Mapping[str, list[tuple[int, int]]], loads: list[Load]) -> Iterator[Soaked]:
        """Every closure that really held a load.

        Args:
            minimum_mc: By basin, from when on which minimum was in force, the latest last.
            loads: On record.
        """
        for basin, script in self._scripts.items():
            mine = [load for load in loads if load.basin == basin]
            for planned in script.loads:
                closed_ms, opened_ms = planned.closed_ms, planned.opened_ms
                least_mc = [mc for since_ms, mc in minimum_mc[basin] if since_ms <= closed_ms][-1]
                yield Soaked(
                    basin,
                    closed_ms,
                    opened_ms,
                    duration_ms(self._clinic[basin].contact),
                    self._enough_ms(basin, closed_ms, opened_ms, least_mc),
                    Mistake.DEVICE_ADDED in planned.mistakes,
                    self._seen(basin, opened_ms),
                    any(each.began_ms <= closed_ms < (each.ended_ms or opened_ms) for each in mine),
                    self._doubt(basin, closed_ms, opened_ms, least_mc),
                )

    def _doubt(self, basin: str, closed_ms: int, opened_ms: int, least_mc: int) -> str:
        whole = self.closures.get(self._seen(basin, opened_ms))
        if whole is None or abs(whole[1].closed_ms - closed_ms) > _SAME_MS:
            return "the power was cut"
        for step in self._scripts[basin].steps:
            during = step.at_ms < opened_ms and step.at_ms + step.for_ms > closed_ms
            if step.act is Act.TROUBLE and during and step.for_ms >= _LONG_TROUBLE_MS:
                return "a sensor gave nothing"
        coldest_mc = min(mc for _, mc in self.temperatures(basin, closed_ms, opened_ms))
        return "too near the minimum" if coldest_mc < least_mc + _NEAR_MC else ""

    def _enough_ms(self, basin: str, closed_ms: int, opened_ms: int, least_mc: int) -> int:
        longest_ms = began_ms = 0
        for at_ms, mc in self.temperatures(basin, closed_ms, opened_ms):
            if mc < least_mc:
                began_ms = 0
                continue
            began_ms = began_ms or max(at_ms, closed_ms)
            longest_ms = max(longest_ms, min(at_ms, opened_ms) - began_ms)
        return longest_ms

    def _seen(self, basin: str, opened_ms: int) -> str:
        near = (each.key for each in self._lived[basin] if abs(each.opened_ms - opened_ms) < _SAME_MS)
        return next(near, "")

    def moved(self, basin: str, act: Act, at_ms: int) -> bool:
        """Somebody really did that then."""
        steps = self._scripts[basin].steps
        return any(step.act is act and abs(step.at_ms - at_ms) < _SAME_MS for step in steps)
