"""Alarms on record beside what the simulator really did: whether each high alarm's cause happened, and none is missing.

`python -m tests.bench.alarm_truth [--days N] [--data DIR]` prints a table: of the demo's past days, declared here in
one process (`tests/bench/played.py`), or of the data folder of a `soakledger demo`.

A high alarm is one of three:

- real: its cause happened;
- unproven: the lid was opened over a soak that was really enough but could not be proven: a sensor gave nothing, the
  power was cut, or the temperature lay within the sensor's uncertainty of the minimum. The rule asks for proof, so the
  alarm is meant, but against the truth it counts as a false one;
- false: nothing of the kind happened.
"""

from __future__ import annotations

import argparse
import logging
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from collector.ledger import records
from collector.record import shelf
from collector.record.things import Alarm, Fill, Load
from collector.schema import FILE_NAME, connect
from firmware.simulator.clinic import CLINIC
from firmware.simulator.memory import Memory
from firmware.simulator.script import Act
from firmware.simulator.staff_past import end_ms, memories, start_ms
from firmware.simulator.staff_stock import PROFILE_OF
from soak.alarms import Priority
from tests.bench.played import play
from tests.bench.truth import Soaked, Truth

FIRST_SHIFT_MS, SHIFT_MS = 6 * 3_600_000, 8 * 3_600_000
"""Shifts begin at 06:00, 14:00 and 22:00 local time, as on the page of the alarm load."""

MOST_FALSE = 1
"""For each basin and shift there must be fewer high alarms without a real cause than this."""

REAL, UNPROVEN, FALSE = "real", "unproven", "false"


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
    def for_each(self) -> float:
        """High alarms without a real cause, for each basin and shift."""
        return self.false_highs.total() / self.basin_shifts

    @property
    def good(self) -> bool:
        """None missed, none false through and through, and of those that are only unproven fewer than that."""
        return not self.missed and not self.kinds()[FALSE] and self.for_each < MOST_FALSE

    def kinds(self) -> Counter[str]:
        """How many high alarms are of which kind."""
        return Counter(judged.kind for judged in self.high)


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
    if soak.doubt:
        return Judged(alarm, UNPROVEN, f"really enough; {soak.doubt}")
    return Judged(alarm, FALSE, "really enough, and nothing in doubt")


def print_table(found: Compared) -> None:
    """For people."""
    print("alarms of the past days, by code and priority")
    for (code, priority), count in sorted(found.of_code.items()):
        print(f"  {code:<22} {priority:<8} {count:>6,}")
    print("high alarms beside what really happened")
    reasons = Counter((each.kind, each.alarm.code, each.why) for each in found.high)
    for (kind, code, why), count in sorted(reasons.items()):
        print(f"  {kind:<10} {code:<18} {why:<42} {count:>6,}")
    print(f"basins x shifts                                  {found.basin_shifts:>10,}")
    print(f"high alarms without a real cause                 {found.false_highs.total():>10,}")
    print(f"  of them false, not merely unproven             {found.kinds()[FALSE]:>10,}")
    print(f"  for each basin and shift                       {found.for_each:>10.3f}")
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
    logging.getLogger("collector.alarms").setLevel(logging.ERROR)  # the table says what was raised
    return int(not main(asked.days, asked.data, asked.seed).good)


if __name__ == "__main__":
    sys.exit(command())
