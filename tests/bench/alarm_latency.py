"""From the edge of a lid to its alarm on record and on an open page, a thousand basins reporting once a second.

A real Mosquitto, collector, dashboard and disk. Some basins have a load on record; their lids come up too early at
random moments, far more often than in any clinic, so that a minute gives figures. Another connection to the database
waits for the alarm's record, and an HTTP client for its coming in the dashboard's live stream.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from tests.bench.bench_basins import BASINS_OF_A_NODE, Load, Station
from tests.bench.load import Basin, basins, batches, readings
from tests.bench.loaded import LoadedStation, Opening, openings, put_on_record
from tests.bench.measuring import Limit, Spent, Usage, Work, broker, collector, row, share_of
from tests.bench.onlookers import Clerk, Page, Records, Screen, dashboard
from tests.bench.publisher import wait_ready

MOST_P99_MS = 500
MOST_CPU = 0.5
OPENINGS_A_SECOND = 3.0
_SETTLED_S = 2.0


class Wait(NamedTuple):
    """One lid that came up too early: seconds from the edge in its reading, None for what never came.

    Attributes:
        sent_s: To the publishing of that reading.
        recorded_s: To the alarm's record, readable by another connection.
        shown_s: To the open page.
    """

    sent_s: float
    recorded_s: float | None
    shown_s: float | None


class Figures(NamedTuple):
    """What was measured.

    Attributes:
        waits: Of every opening.
        raised: How many alarms of an early opening are on record.
        by_alarm: The live stream tells of alarms; otherwise it was the opened lid that was waited for there.
        collector: What the collector used.
        page_cpu: What the dashboard used, in processors.
        states: How many states the page heard.
        longest: Bytes of the longest.
        receipts_s: From publish to receipt, of every reading.
        recording_s: How long somebody at a screen waited each time they recorded something.
        looks: What the collector says of its looks at the alarms.
        others: Records of other alarms, by code.
        late_s: How late the load sent, of every message.
        backlog: Readings sent that no receipt covered, about once a second.
        mb: Memory at the end, by part.
        load_cpu: What the load generator used, in processors.
    """

    waits: list[Wait]
    raised: int
    by_alarm: bool
    collector: Spent
    page_cpu: float
    states: int
    longest: int
    receipts_s: list[float]
    recording_s: list[float]
    looks: str
    others: dict[str, int]
    late_s: list[float]
    backlog: list[int]
    mb: dict[str, float]
    load_cpu: float


def measure(count: int, loaded: int, seconds: int, a_second: float, *, pages: bool = True, screens: int = 0) -> Figures:
    """The whole run.

    Args:
        count: Basins.
        loaded: How many of them have a load.
        seconds: How long.
        a_second: Lids that come up too early, in all.
        pages: With a dashboard and an open page.
        screens: Open pages besides.
    """
    taking = basins(count, BASINS_OF_A_NODE)
    chosen = taking[:: max(1, count // loaded)][:loaded]
    opening = openings(chosen, seconds, a_second)
    with tempfile.TemporaryDirectory() as name, broker(Path(name) / "broker") as one:
        folder = Path(name) / "collector"
        put_on_record(folder / "data", chosen, int(time.time() * 1_000))
        with collector(folder, one.port, taking) as process:
            wait_ready(one.port)
            assert process.process
            with dashboard(process.data_dir, Path(name)) if pages else nullcontext((0, "")) as (page_pid, address):
                records, page, clerk = Records(process.data_dir), Page(address), Clerk(process.data_dir)
                booted_utc_ms = int(time.time() * 1_000) - 1_000
                sending = _stations(taking, opening, set(chosen), seconds, booted_utc_ms)
                edges = sorted(due for of in sending if isinstance(of, LoadedStation) for due in of.edges())
                load = Load(one.port, sending, seconds, booted_utc_ms, edges)
                listening = [page, *(Screen(address) for _ in range(screens))] if pages else []
                backlog: list[int] = []
                work, before_s = Work(process.process.pid, one.pid), _cpu_s(page_pid)
                records.start()
                clerk.start()
                for each in listening:
                    each.start()
                own_s = time.process_time()
                try:
                    for gone_s in load.run():
                        if len(backlog) < gone_s < seconds:
                            backlog.append(load.waiting)
                    spent, page_cpu_s = work.spent(), _cpu_s(page_pid) - before_s
                    own_s = time.process_time() - own_s
                    mb = {"collector": work.usage().rss_mb, "broker": Usage.of(one.pid).rss_mb}
                    if pages:
                        mb["dashboard"] = Usage.of(page_pid).rss_mb
                    time.sleep(_SETTLED_S)
                finally:
                    load.close()
                    records.stop()
                    clerk.stop()
                    for each in listening:
                        each.stop()
            process.end()
            looks = re.findall(r"alarms were looked at .*", process.log())
    return Figures(
        waits=list(_waits(load.began_s, sending, records, page)),
        raised=sum(map(len, records.raised.values())),
        by_alarm=bool(page.alarms),
        collector=spent,
        page_cpu=page_cpu_s / spent.seconds,
        states=len(page.came),
        longest=page.longest,
        receipts_s=load.waits_s,
        recording_s=clerk.waits_s,
        looks=looks[-1] if looks else "",
        others=dict(records.others),
        late_s=load.late_s,
        backlog=backlog,
        mb=mb,
        load_cpu=own_s / spent.seconds,
    )


def _cpu_s(pid: int) -> float:
    return Usage.of(pid).cpu_s if pid else 0.0


def _stations(
    taking: Sequence[Basin], opening: Sequence[Opening], chosen: set[Basin], seconds: int, booted_utc_ms: int
) -> list[Station]:
    found: list[Station] = []
    for seed, basin in enumerate(taking, 1):
        if basin in chosen:
            found.append(LoadedStation(basin, [each.at_s for each in opening if each.basin == basin], booted_utc_ms))
        else:
            found.append(Station(basin, batches(basin, readings(seconds, basin.sensor, seed), 1, booted_utc_ms)))
    return found


def _waits(began_s: float, sending: Sequence[Station], records: Records, page: Page) -> Iterator[Wait]:
    for station in sending:
        if isinstance(station, LoadedStation):
            where = f"{station.basin.node}/{station.basin.name}"
            moments = sorted(station.sent_s.items())
            for (edge_s, sent_s), (next_s, _) in pairwise([*moments, (float("inf"), 0.0)]):
                at_s = began_s + edge_s
                record = next((each for each in records.raised[where] if at_s < each[0] < began_s + next_s), None)
                shown_s: float | None
                if page.alarms:
                    shown_s = page.alarms.get(record[1]) if record else None
                else:
                    shown_s = next((each for each in page.opened[where] if at_s < each < began_s + next_s), None)
                yield Wait(sent_s - edge_s, record[0] - at_s if record else None, shown_s - at_s if shown_s else None)


def report(found: Figures) -> None:
    """The table."""
    recorded = [each for each in found.waits if each.recorded_s is not None]
    shown = [each for each in found.waits if each.shown_s is not None]
    what = "" if found.by_alarm else " (lid)"
    print(row(["milliseconds", "count", "p50", "p99", "longest"], 48))
    for title, waits_s in (
        ("edge in the reading to published", [each.sent_s for each in found.waits]),
        ("edge in the reading to record", [each.recorded_s or 0 for each in recorded]),
        ("published to record", [(each.recorded_s or 0) - each.sent_s for each in recorded]),
        (f"edge in the reading to page{what}", [each.shown_s or 0 for each in shown]),
        (f"published to page{what}", [(each.shown_s or 0) - each.sent_s for each in shown]),
        ("publish to receipt, every reading", found.receipts_s),
        ("a deed by somebody else", found.recording_s),
    ):
        rising = sorted(1_000 * each for each in waits_s)
        figures = [f"{share_of(rising, share):,.1f}" for share in (0.5, 0.99, 1.0)] if rising else ["-"] * 3
        print(row([f"  {title}", str(len(rising)), *figures], 48))
    spent = found.collector
    cpu, others = 100 * spent.cpu_s / spent.seconds, spent.others - found.page_cpu
    print(f"\nCollector: {cpu:.0f} % of one processor; broker {100 * spent.broker_s / spent.seconds:.0f} %;", end=" ")
    print(f"dashboard {100 * found.page_cpu:.0f} %. Others on this machine used {others:.2f} processors meanwhile.")
    states = f"{found.states} states, {found.states / spent.seconds:.1f} a second"
    print(f"The page heard {states}, up to {found.longest / 1e3:,.0f} kB.")
    print(f"The collector says: {found.looks or 'nothing of its looks'}")
    if found.others:
        print("Other alarms: " + ", ".join(f"{code} {count}" for code, count in sorted(found.others.items())))


def limits(found: Figures, *, pages: bool = True) -> list[Limit]:
    """What is asked for."""
    recorded = sorted(1_000 * each.recorded_s for each in found.waits if each.recorded_s is not None)
    shown = sorted(1_000 * each.shown_s for each in found.waits if each.shown_s is not None)
    asked = [
        Limit(
            f"{found.raised} alarms for {len(found.waits)} lids (each once)",
            found.raised == len(recorded) == len(found.waits),
        ),
        _limit("record", recorded),
    ]
    return [*asked, _limit("page", shown)] if pages else asked


def _limit(where: str, rising: Sequence[float]) -> Limit:
    p99_ms = share_of(rising, 0.99) if rising else float("inf")
    return Limit(f"edge to {where}: 99 of 100 within {p99_ms:,.0f} ms (less than {MOST_P99_MS})", p99_ms < MOST_P99_MS)


def main(arguments: Sequence[str] = ()) -> int:
    """Measure, and print; 0 if every limit holds.

    Args:
        arguments: As on the command line; see `--help`.
    """
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.alarm_latency", description=(__doc__ or "").partition("\n")[0]
    )
    parser.add_argument("--basins", type=int, default=1_000, help="how many [default: 1000]")
    parser.add_argument(
        "--loaded",
        type=int,
        nargs="*",
        default=[5, 100],
        help="per cent of them with a load, a run each [default: 5 100]",
    )
    parser.add_argument("--seconds", type=int, default=90, help="how long each run is [default: 90]")
    parser.add_argument(
        "--openings", type=float, default=OPENINGS_A_SECOND, help=f"in all, a second [default: {OPENINGS_A_SECOND}]"
    )
    parser.add_argument("--no-page", action="store_true", help="without a dashboard")
    chosen = parser.parse_args(arguments)
    held = True
    for percent in chosen.loaded:
        loaded = max(1, chosen.basins * percent // 100)
        print(f"{chosen.basins:,} basins, one reading a second each for {chosen.seconds} s,", end=" ")
        print(f"{loaded:,} of them with a load; somebody records something twice a second\n", flush=True)
        found = measure(chosen.basins, loaded, chosen.seconds, chosen.openings, pages=not chosen.no_page)
        report(found)
        asked = limits(found, pages=not chosen.no_page)
        print("", *asked, "", sep="\n", flush=True)
        held = held and all(limit.holds for limit in asked)
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
