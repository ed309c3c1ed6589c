"""A look-back over a simulated year of five basins: how soon it says what is concerned, and whether it is right.

`./run bench evidence_lookback [--year FOLDER]`; FOLDER is what `python -m tests.bench.year FOLDER` makes, else it is
made. It is copied first, and loads with one or two devices are laid over each closure of 8 to 60 minutes, straight into
the projection, for the year has none (`tests/bench/statistics_year.py`).

- Asked, each in a process of its own, for its peak memory: a sensor found off (closures, then devices, under a step and
  under even drift); a reference thermometer with which every sensor was checked; a fill; everything of the year.
- Held to the readings: closures drawn at random are judged again from their pages, by the rule with the sensor's
  correction lowered; their number that agrees, and how many times as long all of them would take.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import NamedTuple

import msgspec

from collector.lookback import scope
from collector.lookback.anew import judged_anew
from collector.lookback.concerned import Concerned, rounds_of
from collector.lookback.moved import Shift, Supposition, sensor_moved
from collector.lookback.reread import Rereading
from collector.lookback.worth import word_of
from collector.read import Reader
from collector.record.things import Fill, Profile
from collector.schema import FILE_NAME, connect
from tests.bench.measuring import ROOT, Limit, row
from tests.bench.statistics_year import lay_loads
from tests.bench.year import DAY_MS, YEAR_BASINS, YEAR_DAYS, end_ms, make, node_of, sensor_of

MOST_S, MOST_MB = 1.0, 300
OFF_MC = 400
"""As in the issue's first paragraph: a sensor turns out to read 0.4 °C high."""

DRAWN = 150
TIMES = 3
_SEED = 7


class Asked(NamedTuple):
    """One question.

    Attributes:
        words: What is asked.
        closures: How many it concerns.
        flips: Of these, how many would no longer be met.
        rounds: Rounds of devices in them.
        round_flips: Of these, how many would no longer have met.
        wall_s: Median time of the answer.
        cpu_s: Median processor time of it.
        peak_mb: The process's peak memory.
    """

    words: str
    closures: int
    flips: int
    rounds: int
    round_flips: int
    wall_s: float
    cpu_s: float
    peak_mb: float


def questions(folder: Path, days: int) -> dict[str, Callable[[], list[Concerned]]]:
    """What is asked, by its words. The year's first day is the last good check, its end the finding."""
    reader = Reader(folder)
    connection, until_ms = reader.connection, end_ms(days)
    from_ms = until_ms - days * DAY_MS
    sensors = [sensor_of(basin) for basin in range(1, len(reader.basins()) + 1)]
    moved = [sensor_moved(sensor, OFF_MC, from_ms, until_ms) for sensor in sensors]
    return {
        "a sensor 0.4 °C high": lambda: scope.of_moved(connection, moved[:1]),
        "a sensor 0.4 °C low": lambda: scope.of_sensor(connection, sensors[0], -OFF_MC, from_ms, until_ms),
        "every sensor 0.4 °C high": lambda: scope.of_moved(connection, moved),
        "a fill": lambda: scope.of_fills(connection, ["F1"]),
        "a day of a basin": lambda: scope.of_time(connection, "/".join(node_of(1)), until_ms - 2 * DAY_MS, until_ms),
        "the whole year": lambda: scope.of_time(connection, None, from_ms, until_ms),
    }


def ask(folder: Path, days: int, words: str) -> Asked:
    """One question, with the devices that it concerns; in a process of its own."""
    question, reader = questions(folder, days)[words], Reader(folder)
    wall_s, cpu_s = [], []
    for _ in range(TIMES):
        began_s, began_cpu_s = time.perf_counter(), time.process_time()
        found = question()
        rounds = rounds_of(scope.with_whole_loads(reader.connection, found))
        wall_s.append(time.perf_counter() - began_s)
        cpu_s.append(time.process_time() - began_cpu_s)
        flips, round_flips = sum(each.flips() for each in found), sum(each.flips for each in rounds)
        counts = len(found), flips, len(rounds), round_flips
        del found, rounds
    return Asked(words, *counts, median(wall_s), median(cpu_s), _peak_mb())


def _peak_mb() -> float:
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def _asked_apart(folder: Path, days: int, words: str) -> Asked:
    command = [sys.executable, "-m", "tests.bench.bench_evidence_lookback", "--folder", str(folder)]
    ran = subprocess.run(
        [*command, "--days", str(days), "--ask", words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if ran.returncode:
        raise SystemExit(ran.stderr)
    return msgspec.json.decode(ran.stdout, type=Asked)


class Held(NamedTuple):
    """Closures judged again from their pages.

    Attributes:
        drawn: How many.
        agree: Of these, how many give what the allowance answered, and the stored verdict where nothing is supposed.
        seconds_each: Processor time of one.
    """

    drawn: int
    agree: int
    seconds_each: float


def held_to_readings(folder: Path, days: int, count: int, seed: int = _SEED) -> Held:
    """Draw closures of every basin, judge each again with its sensor lowered, compare."""
    chance = random.Random(seed)
    with Reader(folder) as reader:
        connection = reader.connection
        rereading, agree, spent_s, drawn = Rereading(connection), 0, 0.0, 0
        for basin in range(1, len(reader.basins()) + 1):
            sensor, d_mc = sensor_of(basin), chance.choice((OFF_MC, -OFF_MC, 150, 1_500))
            found = scope.of_sensor(connection, sensor, d_mc, end_ms(days) - days * DAY_MS, end_ms(days))
            some = chance.sample(found, min(count // YEAR_BASINS, len(found)))
            began_s = time.process_time()
            for each in some:
                again = word_of(rereading, each.judged, {sensor: Shift(d_mc, d_mc)})
                known = each.worth[Supposition.STEP]
                same_word = known.verdict in (None, again.verdict)
                agree += again.meets is known.meets and same_word and not again.trouble
            spent_s += time.process_time() - began_s
            drawn += len(some)
            present = list(judged_anew(connection, [each.judged for each in some[:10]]))
            agree -= sum(each.differs for each in present)
    return Held(drawn, agree, spent_s / max(1, drawn))


def _lay(folder: Path) -> None:
    """Loads and rounds over the closures, and the fill that all of them are in, of the first basin."""
    loads, rounds, _ = lay_loads(folder)
    fill = Fill(
        id="F1",
        basin="/".join(node_of(1)),
        profile="P1",
        poured=(),
        poured_ms=0,
        poured_by="sam",
        use_by_ms=end_ms(),
        use_by_why="invented",
        tested_after_ms=0,
    )
    profile = Profile(id="P1", name="Invented", min_mc=20_000, contact_ms=720_000)  # as the year's settings
    db = connect(folder / FILE_NAME)
    for thing in (profile, fill):
        body = msgspec.json.encode(thing).decode()
        db.execute(
            "INSERT INTO thing (kind, id, grp, at_ms, open, number, body) VALUES (?, ?, ?, 0, 1, 0, ?)",
            [thing.KIND, thing.id, thing.group(), body],
        )
    db.conn.commit()
    db.close()
    print(f"{loads:,} loads and {rounds:,} rounds laid over the closures\n")


def run(year: Path | None = None, days: int = YEAR_DAYS, basins: int = YEAR_BASINS, drawn: int = DRAWN) -> list[Limit]:
    """Print what was measured, and say which limits hold.

    Args:
        year: The data folder of a simulated year; it is left as it is. None: one is made.
        days: How long it is.
        basins: How many it has, if it is made.
        drawn: How many closures are judged again from their pages.
    """
    with TemporaryDirectory() as scratch:
        folder = Path(scratch) / "data"
        if year is None:
            make(folder, days, basins)
        else:
            shutil.copytree(year, folder, ignore=shutil.ignore_patterns("*-shm", "*-wal"))
        _lay(folder)
        found = [_asked_apart(folder, days, words) for words in questions(folder, days)]
        held = held_to_readings(folder, days, drawn)
    print(row(["asked", "closures", "flip", "rounds", "flip", "seconds", "processor", "peak MB"], 28))
    for each in found:
        figures = [f"{count:,}" for count in each[1:5]]
        print(row([each.words, *figures, f"{each.wall_s:.3f}", f"{each.cpu_s:.3f}", f"{each.peak_mb:.0f}"], 28))
    sensor = found[0]
    all_s = held.seconds_each * sensor.closures
    print(
        f"\nOf {held.drawn} closures judged again from their pages {held.agree} agree. That takes "
        f"{held.seconds_each * 1_000:.1f} ms of processor each, {all_s:.0f} s for the sensor's {sensor.closures:,}: "
        f"{all_s / sensor.cpu_s:,.0f} times as long.\n"
    )
    peak_mb = max(each.peak_mb for each in found)
    return [
        Limit(
            f"a sensor found off, with its devices: {sensor.cpu_s:.2f} s of processor (less than {MOST_S:g})",
            sensor.cpu_s < MOST_S,
        ),
        Limit(f"peak memory {peak_mb:.0f} MB (less than {MOST_MB})", peak_mb < MOST_MB),
        Limit(f"{held.agree} of {held.drawn} agree with their readings", held.agree == held.drawn),
    ]


def main(arguments: list[str] | None = None) -> int:
    """Print what was measured, and whether each limit holds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--year", type=Path, help="data folder of a simulated year; it is copied")
    parser.add_argument("--days", type=int, default=YEAR_DAYS)
    parser.add_argument("--basins", type=int, default=YEAR_BASINS)
    parser.add_argument("--drawn", type=int, default=DRAWN, help="closures to be judged again from their pages")
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--ask", help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.ask:
        print(msgspec.json.encode(ask(chosen.folder, chosen.days, chosen.ask)).decode())
        return 0
    limits = run(chosen.year, chosen.days, chosen.basins, chosen.drawn)
    print(*limits, sep="\n")
    return int(not all(limit.holds for limit in limits))


if __name__ == "__main__":
    sys.exit(main())
