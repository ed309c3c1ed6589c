"""Alarms on record beside what the simulator really did: whether each high alarm's cause happened, and none is missing.

`python -m tests.bench.alarm_truth [--days N] [--data DIR]` prints a table: of the demo's past days, declared here in
one process (`tests/bench/played.py`), or of the data folder of a `soakledger demo`.

The truth is the simulator's script: when a lid was moved, what went in, and the temperature of the solution where the
sensors are, without their errors, noise and faults. A soak was really enough when the solution was really at or above
the minimum without a break for the contact time. A high alarm is one of three:

- real: its cause happened;
- unproven: the lid was opened over a soak that was really enough but could not be proven: a sensor gave nothing, the
  power was cut, or the temperature lay within the sensor's uncertainty of the minimum. The rule asks for proof, so the
  alarm is meant, but against the truth it counts as a false one;
- false: nothing of the kind happened.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from collector.ledger import records
from collector.record import shelf
from collector.record.things import Alarm, Fill, Load
from collector.schema import FILE_NAME, connect
from firmware.simulator.basin import Basin
from firmware.simulator.clinic import CLINIC, ClinicBasin
from firmware.simulator.memory import Memory
from firmware.simulator.past import past_script
from firmware.simulator.script import DAY_MS, Act, Mistake, Script, cold_morning
from firmware.simulator.staff_past import Lived, end_ms, history_of, lived_of, memories, start_ms
from firmware.simulator.staff_stock import PROFILE_OF
from firmware.simulator.track import GRID_S, PER_MC, Track
from soak.alarms import Priority
from soak.quantity import duration_ms
from tests.bench.played import play

FIRST_SHIFT_MS, SHIFT_MS = 6 * 3_600_000, 8 * 3_600_000
"""Shifts begin at 06:00, 14:00 and 22:00 local time, as on the page of the alarm load."""

MOST_FALSE = 1
"""In a basin and shift there must be fewer false high alarms than this."""

REAL, UNPROVEN, FALSE = "real", "unproven", "false"
_SAME_MS = 1_500


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
    """

    basin: str
    closed_ms: int
    opened_ms: int
    contact_ms: int
    enough_ms: int
    announced: bool
    seen: str
    declared: bool

    @property
    def early(self) -> bool:
        """Really lifted before the soak was enough, and nobody meant to."""
        return not self.announced and self.enough_ms < self.contact_ms


class Judged(NamedTuple):
    """One high alarm, and what is really behind it."""

    alarm: Alarm
    kind: str
    why: str


class Compared(NamedTuple):
    """Alarms beside the truth.

    Attributes:
        high: Every high alarm of the past days.
        missed: Soaks really opened early, seen by their node and on record, without an alarm.
        early: How many soaks really opened early should have one.
        basin_shifts: How many basins in how many shifts were looked at.
        false_highs: By basin and shift, how many high alarms had no real cause.
        of_code: How many alarms of the past days, by code and priority.
    """

    high: list[Judged]
    missed: list[Soaked]
    early: int
    basin_shifts: int
    false_highs: Counter[tuple[str, int]]
    of_code: Counter[tuple[str, str]]

    @property
    def worst(self) -> int:
        """Most false high alarms in one basin and shift."""
        return max(self.false_highs.values(), default=0)

    @property
    def good(self) -> bool:
        """None missed, and in no basin and shift as many false ones as that."""
        return not self.missed and self.worst < MOST_FALSE

    def kinds(self) -> Counter[str]:
        """How many high alarms are of which kind."""
        return Counter(judged.kind for judged in self.high)


class Truth:
    """What the simulator really did in the past days.

    Args:
        nodes: What each node remembers.
        seed: The clinic's.
    """

    def __init__(self, nodes: Mapping[str, Memory], seed: int) -> None:
        self._nodes, self._seed = nodes, seed
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
        span = {"start_ms": start_ms({"": memory}), "end_ms": memory.history_end_ms}
        script = past_script(played, seed, key, **span, utc_offset_ms=memory.utc_offset_ms)

        def room_mc(utc_ms: int) -> float:
            day, ms_of_day = divmod(utc_ms + memory.utc_offset_ms, DAY_MS)
            cold_before, cold_after = cold_morning(seed, day), cold_morning(seed, day + 1)
            return played.room.at_mc(ms_of_day, cold_before=cold_before, cold_after=cold_after)

        self._scripts[key] = script
        self._tracks[key] = Track(Basin(played.shape, played.solution_mc), script.steps, span["start_ms"], room_mc)

    def temperatures(self, basin: str, from_ms: int, until_ms: int) -> list[tuple[int, float]]:
        """The solution's real temperature every ten seconds, the least of where the basin's sensors are."""
        track, begin_ms = self._tracks[basin], start_ms(self._nodes)
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
                )

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


def compare(data: Path, nodes: Mapping[str, Memory], seed: int = 1) -> Compared:
    """The alarms on record beside the truth.

    Args:
        data: A collector's data folder.
        nodes: What each node remembers of the past days.
        seed: The clinic's.
    """
    with closing(connect(data / FILE_NAME).conn) as connection:
        record = Record(connection)
    truth = Truth(nodes, seed)
    soaks = list(truth.soaks(record.minimum_mc, record.loads))
    alarms = [each for each in record.alarms if each.raised_ms < end_ms(nodes)]
    high = [_judged(each, truth, soaks, record) for each in alarms if each.priority is Priority.HIGH]
    told = {alarm.about for alarm in alarms if alarm.code == "opened-early"}
    early = [soak for soak in soaks if soak.early and soak.declared and soak.seen]
    offset_ms = next(iter(nodes.values())).utc_offset_ms
    shifts = shift_of(end_ms(nodes), offset_ms) - shift_of(start_ms(nodes), offset_ms) + 1
    return Compared(
        high,
        [soak for soak in early if soak.seen not in told],
        len(early),
        shifts * len(CLINIC),
        Counter((each.alarm.basin, shift_of(each.alarm.raised_ms, offset_ms)) for each in high if each.kind != REAL),
        Counter((alarm.code, alarm.priority.value) for alarm in alarms),
    )


def shift_of(at_ms: int, utc_offset_ms: int) -> int:
    """Which shift a moment lies in, counted from 1970."""
    return (at_ms + utc_offset_ms - FIRST_SHIFT_MS) // SHIFT_MS


class Record:
    """What is on record of the past days.

    Args:
        connection: To a collector's database.

    Attributes:
        alarms: All of them.
        loads: All of them.
        fills: By id.
        minimum_mc: By basin, from when on which minimum was in force, the latest last.
        unreleased: Rounds of which somebody recorded a use, and nobody a release before it.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.alarms = shelf.find_all(connection, Alarm)
        self.loads = shelf.find_all(connection, Load)
        self.fills = {fill.id: fill for fill in shelf.find_all(connection, Fill)}
        self.minimum_mc = {f"{basin.node}/{basin.name}": [(0, int(float(basin.min_temp_c) * 1000))] for basin in CLINIC}
        self.unreleased: set[str] = set()
        released: set[str] = set()
        for said in records(connection, kinds=("correct-profile", "release", "record-use")):
            body = said.content()
            if said.kind == "correct-profile":
                for basin in (basin for basin, profile in PROFILE_OF.items() if profile == body["said"]["profile"]):
                    self.minimum_mc[basin].append((said.at_ms, body["said"]["min_mc"]))
            elif said.kind == "release":
                released |= set(body["changes"]["turn"])
            else:
                self.unreleased |= set(body["changes"]["turn"]) - released


def _judged(alarm: Alarm, truth: Truth, soaks: list[Soaked], record: Record) -> Judged:
    """What is really behind a high alarm."""
    match alarm.code:
        case "opened-early":
            return _opened(alarm, truth, soaks)
        case "below-minimum":
            until_ms = alarm.cleared_ms or alarm.raised_ms
            real = truth.temperatures(alarm.basin, alarm.cause_ms, until_ms)
            cold = any(mc < record.minimum_mc[alarm.basin][0][1] for _, mc in real)
            return Judged(alarm, REAL if cold else FALSE, "really cold" if cold else "never really cold")
        case "used-unreleased":
            real_use = alarm.about in record.unreleased
            return Judged(alarm, REAL if real_use else FALSE, "used" if real_use else "not used, or released before")
        case "bad-fill":
            fill = record.fills[alarm.evidence["fill"]]
            bad = fill.use_by_ms <= alarm.raised_ms or (fill.failed_ms or alarm.raised_ms + 1) <= alarm.raised_ms
            return Judged(alarm, REAL if bad else FALSE, "past its date or failed" if bad else "in date, not failed")
    return Judged(alarm, FALSE, "nothing of the kind is in the script")


def _opened(alarm: Alarm, truth: Truth, soaks: list[Soaked]) -> Judged:
    if alarm.about not in truth.closures:
        return Judged(alarm, FALSE, "no such closure")
    basin, lived = truth.closures[alarm.about]
    soak = next((each for each in soaks if each.seen == alarm.about), None)
    if basin != alarm.basin or not truth.moved(basin, Act.OPEN, lived.opened_ms):
        return Judged(alarm, FALSE, "nobody lifted the lid")
    if soak is None:
        return Judged(alarm, FALSE, "no load was in it")
    if soak.announced:
        return Judged(alarm, FALSE, "lifted to add a device, as was said before")
    if soak.early:
        return Judged(alarm, REAL, "lifted before it was enough")
    return Judged(alarm, UNPROVEN, "really enough, but not proven")


def print_table(found: Compared) -> None:
    """For people."""
    print("alarms of the past days, by code and priority")
    for (code, priority), count in sorted(found.of_code.items()):
        print(f"  {code:<22} {priority:<8} {count:>6,}")
    print("high alarms beside what really happened")
    reasons = Counter((each.kind, each.alarm.code, each.why) for each in found.high)
    for (kind, code, why), count in sorted(reasons.items()):
        print(f"  {kind:<10} {code:<18} {why:<42} {count:>6,}")
    wrong = sum(found.false_highs.values())
    print(f"basins x shifts                                  {found.basin_shifts:>10,}")
    print(f"high alarms without a real cause                 {wrong:>10,}")
    print(f"  of them false, not merely unproven             {found.kinds()[FALSE]:>10,}")
    print(f"  for each basin and shift                       {wrong / found.basin_shifts:>10.3f}")
    print(f"  in the worst basin and shift                   {found.worst:>10,}")
    print(f"soaks really opened early, on record             {found.early:>10,}")
    print(f"  of them without an alarm                       {len(found.missed):>10,}")


def main(days: int, data: Path | None = None, seed: int = 1) -> Compared:
    """Compare and print.

    Args:
        days: How many past days to declare; not asked where there are data.
        data: The data folder of a `soakledger demo`; None makes the days here.
        seed: The clinic's.

    Raises:
        SystemExit: The folder is none of a demo.
    """
    if data is not None:
        nodes = memories(data)
        if nodes is None:
            raise SystemExit(f"{data} is no data folder of a `soakledger demo`: its nodes remember nothing there.")
        found = compare(data / "collector", nodes, seed)
    else:
        with tempfile.TemporaryDirectory(prefix="soakledger-truth-") as folder:
            played = play(Path(folder), days, seed)
            found = compare(played.data, played.nodes, seed)
    print_table(found)
    return found


def command() -> int:
    """With the options of a command line; 1 when a limit is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    return int(not main(asked.days, asked.data, asked.seed).good)


if __name__ == "__main__":
    sys.exit(command())
