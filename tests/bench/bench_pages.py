"""The pages as people have them before them: how soon they stand, what they weigh, how soon they show what happens.

`./run bench pages [--part today lid trend clients]` prints tables and whether each limit holds.

- today: the page of today with fifty basins and a day behind them in Debian's Chromium, loaded anew again and again;
  its largest contentful paint and what came, by the browser's own performance API.
- lid: a real Mosquitto, collector and dashboard, fifty basins at a reading a second whose lids move; from the
  publishing of the reading to the change in Chromium's DOM, drawn.
- trend: of a simulated year of five basins (`tests/bench/year.py`), by `tests/bench/trend_year.py`.
- clients: as lid, with a hundred clients at the live stream instead of the browser: whether any has missed a move.
"""

from __future__ import annotations

import argparse
import importlib
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

import msgspec

from tests.bench.bench_basins import BASINS_OF_A_NODE
from tests.bench.browsing import OpenPage, Painted, Seen, load_often
from tests.bench.hearers import Heard, Report
from tests.bench.lids import Move, booted_now_ms, load, moving
from tests.bench.load import basins
from tests.bench.measuring import ROOT, Limit, Usage, broker, collector, row, share_of
from tests.bench.onlookers import dashboard
from tests.bench.publisher import wait_ready
from tests.bench.year import YEAR_BASINS, YEAR_DAYS, end_ms, make
from tests.chromium import launched

PARTS = ("today", "lid", "trend", "clients")
MOST_PAINT_MS, MOST_WEIGHT = 1_000, 150_000
MOST_LID_P99_MS = 500
MOST_TREND_MS, MOST_TREND_BYTES = 300, 200_000
_DAYS_BEHIND = 1
_WAIT_S = 30.0
_SETTLED_S = 2.0


class Chosen(NamedTuple):
    """How much is measured.

    Attributes:
        basins: On the page of today, and whose lids move.
        loads: How often the page is loaded.
        seconds: How long lids move.
        apart_s: Between two moves of one lid, on the average.
        clients: At the live stream.
        days: Of the trend.
        folder: Where the year is, or is made and stays; None: in a folder that goes.
    """

    basins: int = 50
    loads: int = 9
    seconds: int = 60
    apart_s: float = 8.0
    clients: int = 100
    days: int = YEAR_DAYS
    folder: Path | None = None


# The page of today


def today(chosen: Chosen, scratch: Path) -> list[Limit]:
    """Load it, print what it took."""
    folder = make((chosen.folder or scratch) / f"today-{chosen.basins}", _DAYS_BEHIND, chosen.basins)
    boottime_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    rehearsal = f"{boottime_ms}:{end_ms(_DAYS_BEHIND)}:1"
    with dashboard(folder, scratch, "--rehearsal", rehearsal) as (_, address), launched() as browser:
        found = load_often(browser, f"http://{address}/", chosen.loads)
    report_today(found, chosen.basins)
    return limits_of_today(found)


def report_today(found: Sequence[Painted], count: int) -> None:
    """The table."""
    print(f"Today with {count} basins, {len(found)} loads, each with an empty cache\n")
    print(row(["milliseconds", "median", "longest"]))
    for title, column in (
        ("  largest contentful paint", [each.largest_ms for each in found]),
        ("  load event", [each.loaded_ms for each in found]),
    ):
        print(row([title, f"{median(column):,.0f}", f"{max(column):,.0f}"]))
    last = found[-1]
    print(f"\nPainted then: {last.what}")
    print(f"Came: {last.weight:,} bytes in {last.parts} files, of these {last.body:,} bodies;", end=" ")
    print(f"plotly.js besides: {last.plotly:,}.\n")


def limits_of_today(found: Sequence[Painted]) -> list[Limit]:
    """What is asked of it."""
    paint_ms, weight = median(each.largest_ms for each in found), max(each.weight for each in found)
    return [
        Limit(
            f"largest contentful paint {paint_ms:,.0f} ms (median; less than {MOST_PAINT_MS:,})",
            paint_ms < MOST_PAINT_MS,
        ),
        Limit(
            f"page weight without plotly.js {weight / 1e3:,.0f} kB (less than {MOST_WEIGHT / 1e3:,.0f})",
            weight < MOST_WEIGHT,
        ),
    ]


# Lids that move


class Watching(NamedTuple):
    """A clinic whose lids have moved.

    Attributes:
        moves: What was published.
        cpu: Of the dashboard, in processors.
    """

    moves: list[Move]
    cpu: float


@contextmanager
def clinic(chosen: Chosen, scratch: Path) -> Iterator[tuple[str, Any]]:
    """A collector and a dashboard over basins whose lids move once the second thing given is called."""
    taking = basins(chosen.basins, BASINS_OF_A_NODE)
    with ExitStack() as stack:
        one = stack.enter_context(broker(scratch / "broker"))
        process = stack.enter_context(collector(scratch / "collector", one.port, taking))
        wait_ready(one.port)
        pid, address = stack.enter_context(dashboard(process.data_dir, scratch))

        def go() -> Watching:
            booted_utc_ms = booted_now_ms()
            stations = moving(taking, chosen.seconds, chosen.apart_s, booted_utc_ms)
            sending = load(one.port, stations, chosen.seconds, booted_utc_ms)
            before_s, began_s = Usage.of(pid).cpu_s, time.perf_counter()
            try:
                for _ in sending.run():
                    pass
            finally:
                sending.close()
            time.sleep(_SETTLED_S)
            cpu = (Usage.of(pid).cpu_s - before_s) / (time.perf_counter() - began_s)
            return Watching([move for each in stations for move in each.moves(sending.began_s)], cpu)

        yield address, go


def waits_ms(moves: Iterable[Move], seen: Iterable[Seen | Heard]) -> tuple[list[float], int]:
    """From each move to when it was seen; and how many never were.

    What is seen of a basin comes in the order of its moves: the first sight after a move, and before the next, is its.
    """
    by_key: defaultdict[str, list[float]] = defaultdict(list)
    for each in seen:
        by_key[each.key].append(each.at_s)
    moved: defaultdict[str, list[float]] = defaultdict(list)
    for move in moves:
        moved[move.key].append(move.at_s)
    found, missed = [], 0
    for key, moments in moved.items():
        moments.sort()
        for at_s, next_s in zip(moments, [*moments[1:], float("inf")], strict=True):
            sight = min((each for each in by_key[key] if at_s <= each < next_s), default=None)
            if sight is None:
                missed += 1
            else:
                found.append(1_000 * (sight - at_s))
    return sorted(found), missed


def lid(chosen: Chosen, scratch: Path) -> list[Limit]:
    """Lids move before one browser."""
    with clinic(chosen, scratch) as (address, go), launched() as browser:
        page = OpenPage(browser, f"http://{address}/")
        watching = go()
        seen = page.seen()
        page.close()
    rising, missed = waits_ms(watching.moves, seen)
    print(f"{chosen.basins} basins, {len(watching.moves)} moves of a lid in {chosen.seconds} s, one page in Chromium\n")
    _report("reading published to drawn in the page", rising, watching.cpu)
    return limits_of_lids(rising, missed)


def limits_of_lids(rising: Sequence[float], missed: int) -> list[Limit]:
    """What is asked of it."""
    p99_ms = share_of(rising, 0.99) if rising else float("inf")
    return [
        Limit(f"{missed} moves of a lid never shown (none)", missed == 0 and bool(rising)),
        Limit(
            f"a move of a lid is visible: 99 of 100 within {p99_ms:,.0f} ms (less than {MOST_LID_P99_MS})",
            p99_ms < MOST_LID_P99_MS,
        ),
    ]


def clients(chosen: Chosen, scratch: Path) -> list[Limit]:
    """Lids move before many clients."""
    with clinic(chosen, scratch) as (address, go), hearing(address, chosen.clients) as hearers:
        watching = go()
        said, _ = hearers.communicate(b"\n", _WAIT_S)
    report = msgspec.json.decode(said, type=Report)
    return judged(chosen, watching, report)


@contextmanager
def hearing(address: str, count: int) -> Iterator[subprocess.Popen[bytes]]:
    """So many clients that have heard a first state."""
    command = [sys.executable, "-m", "tests.bench.hearers", address, str(count)]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0) as process:
        assert process.stdout
        if process.stdout.readline() != b"ready\n":
            raise SystemExit("The clients at the live stream did not all hear a first state.")
        try:
            yield process
        finally:
            process.kill()


def judged(chosen: Chosen, watching: Watching, report: Report) -> list[Limit]:
    """Print what they heard."""
    rising, missed, short = [], 0, 0
    for heard in report.heard:
        waited, without = waits_ms(watching.moves, heard)
        rising += waited
        missed += without
        short += bool(without)
    rising.sort()
    print(f"{chosen.basins} basins, {len(watching.moves)} moves of a lid in {chosen.seconds} s,", end=" ")
    print(f"{len(report.heard)} clients at the live stream\n")
    _report("reading published to heard, every client", rising, watching.cpu)
    count = len(report.heard)
    print(
        f"First state {report.first / 1e3:,.1f} kB; then {sum(report.states) / count / chosen.seconds:.1f} a second,",
        end=" ",
    )
    print(f"{sum(report.bytes) / count / chosen.seconds / 1e3:,.1f} kB a second to each.\n")
    return [
        Limit(f"{count - report.ended} of {count} connections stayed (all)", report.ended == 0),
        Limit(
            f"{short} of {count} clients missed a move of a lid, {missed} in all (none)", missed == 0 and bool(rising)
        ),
    ]


def _report(title: str, rising: Sequence[float], cpu: float) -> None:
    print(row(["milliseconds", "count", "p50", "p99", "longest"], 44))
    figures = [f"{share_of(rising, share):,.0f}" for share in (0.5, 0.99, 1.0)] if rising else ["-"] * 3
    print(row([f"  {title}", f"{len(rising):,}", *figures], 44))
    print(f"\nThe dashboard used {100 * cpu:.0f} % of one processor.")


# The trend


def trend(chosen: Chosen, scratch: Path) -> list[Limit]:
    """What the trend's own bench measures of a year."""
    measured = importlib.import_module("tests.bench.trend_year")
    folder = make((chosen.folder or scratch) / f"year-{chosen.days}", chosen.days, YEAR_BASINS)
    found = measured.measure(folder, chosen.days)
    print(f"Trend of one of {YEAR_BASINS} basins, {chosen.days} days behind it\n")
    print(row(["", "server ms", "slowest", "JSON bytes", "points"], 12))
    for each in found:
        figures = [f"{each.trend_ms:.0f}", f"{each.worst_ms:.0f}", f"{each.bytes:,}", f"{each.points:,}"]
        print(row([f"  {each.range}", *figures], 12))
    print()
    longest = found[-1]
    title, kilobytes, most = f"trend over {longest.range}:", longest.bytes / 1e3, MOST_TREND_BYTES / 1e3
    return [
        Limit(
            f"{title} {longest.trend_ms:.0f} ms of the server's (less than {MOST_TREND_MS})",
            longest.trend_ms < MOST_TREND_MS,
        ),
        Limit(f"{title} {kilobytes:,.0f} kB of JSON (less than {most:,.0f})", longest.bytes < MOST_TREND_BYTES),
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, and print; 0 if every limit holds."""
    parser = argparse.ArgumentParser(prog="./run bench pages", description=(__doc__ or "").partition("\n")[0])
    usual = Chosen()
    parser.add_argument("--part", nargs="+", choices=PARTS, default=PARTS, help="only these [default: all]")
    parser.add_argument("--basins", type=int, default=usual.basins, help=f"[default: {usual.basins}]")
    parser.add_argument("--loads", type=int, default=usual.loads, help=f"of the page of today [default: {usual.loads}]")
    parser.add_argument("--seconds", type=int, default=usual.seconds, help=f"lids move [default: {usual.seconds}]")
    parser.add_argument("--apart", type=float, default=usual.apart_s, help="seconds between two moves of a lid")
    parser.add_argument("--clients", type=int, default=usual.clients, help=f"[default: {usual.clients}]")
    parser.add_argument("--days", type=int, default=usual.days, help=f"of the trend [default: {usual.days}]")
    parser.add_argument("--folder", type=Path, help="where the simulated year is kept for the next time")
    given = parser.parse_args(arguments)
    chosen = Chosen(given.basins, given.loads, given.seconds, given.apart, given.clients, given.days, given.folder)
    if chosen.folder:
        chosen.folder.mkdir(parents=True, exist_ok=True)
    measures = {"today": today, "lid": lid, "trend": trend, "clients": clients}
    held = True
    for part in given.part:
        with tempfile.TemporaryDirectory() as name:
            asked = measures[part](chosen, Path(name))
        print(*asked, "", sep="\n", flush=True)
        held = held and all(limit.holds for limit in asked)
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
