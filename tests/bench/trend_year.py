"""How long the trend of a simulated year takes: the server's time and the bytes of its answer, for all ranges.

`python -m tests.bench.trend_year FOLDER` prints a table; FOLDER is what `python -m tests.bench.year FOLDER` made, or is
made first. The application is asked in this process, without a network, as the page asks it: with as many points as
a chart of 1,200 pixels. Each range ends with the store; the first answer of all is not counted.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from pathlib import Path
from typing import NamedTuple

import msgspec
from litestar.testing import TestClient

from dashboard.app import build_app
from dashboard.when import DAY_MS, HOUR_MS, SiteTime
from soak.rehearsal import Rehearsal
from tests.bench.measuring_size import print_table
from tests.bench.year import YEAR_BASINS, YEAR_DAYS, end_ms, make

LIMIT_MS, LIMIT_BYTES = 300.0, 200_000
"""For a year, on two cores."""

POINTS = 2_400
TIMES = 7
RANGES = {
    "1 min": 60_000,
    "1 h": HOUR_MS,
    "1 day": DAY_MS,
    "7 days": 7 * DAY_MS,
    "30 days": 30 * DAY_MS,
    "1 year": 365 * DAY_MS,
}


class Measured(NamedTuple):
    """One range.

    Attributes:
        range: How long it is, in words.
        trend_ms: Median time of the trend's answer.
        worst_ms: The slowest of them.
        cpu_ms: Median of the processor's time, which a busy machine changes less; asking is in it.
        bytes: Of its JSON, not compressed.
        source: What it is drawn from.
        points: Of all sensors together.
        table_ms: Median time of the tables beside it.
        table_bytes: Their size.
    """

    range: str
    trend_ms: float
    worst_ms: float
    cpu_ms: float
    bytes: int
    source: str
    points: int
    table_ms: float
    table_bytes: int


def measure(folder: Path, day_count: int = YEAR_DAYS, times: int = TIMES) -> list[Measured]:
    """Ask for every range.

    Args:
        folder: The year's data folder.
        day_count: How many days it holds.
        times: How often each is asked for.
    """
    ends_ms = end_ms(day_count)
    played = Rehearsal(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000, ends_ms, 1)
    found: list[Measured] = []
    with TestClient(build_app(folder, rehearsal=played, when=SiteTime()), base_url="http://127.0.0.1:8080") as client:
        client.get("/api/basins/n1/b1/trend?last=1h")
        for name, length_ms in RANGES.items():
            since = f"since={ends_ms - length_ms}&until={ends_ms}"
            trend_ms, cpu_ms, content = _asked(client, f"/api/basins/n1/b1/trend?{since}&points={POINTS}", times)
            table_ms, _, table = _asked(client, f"/basins/n1/b1/trend/tables?{since}", times)
            body = msgspec.json.decode(content)
            found.append(
                Measured(
                    name,
                    statistics.median(trend_ms),
                    max(trend_ms),
                    statistics.median(cpu_ms),
                    len(content),
                    body["source"],
                    sum(len(sensor["after_ms"]) for sensor in body["sensors"]),
                    statistics.median(table_ms),
                    len(table),
                )
            )
    return found


def _asked(client: TestClient, address: str, times: int) -> tuple[list[float], list[float], bytes]:  # type: ignore[type-arg]
    spent_ms: list[float] = []
    cpu_ms: list[float] = []
    for _ in range(times):
        began_s, began_cpu_s = time.perf_counter(), time.process_time()
        answer = client.get(address)
        spent_ms.append(1_000 * (time.perf_counter() - began_s))
        cpu_ms.append(1_000 * (time.process_time() - began_cpu_s))
        if answer.status_code != 200:
            raise SystemExit(f"{address} answered {answer.status_code}: {answer.text[:300]}")
    return spent_ms, cpu_ms, answer.content


def main(folder: Path, day_count: int = YEAR_DAYS, basins: int = YEAR_BASINS, times: int = TIMES) -> int:
    """Measure, and print; 1 when the limit is broken."""
    rows = measure(make(folder, day_count, basins), day_count, times)
    print_table(
        ("trend", "server ms", "slowest", "its CPU ms", "JSON bytes", "points", "drawn from", "table ms", "its bytes"),
        [
            (
                each.range,
                f"{each.trend_ms:.0f}",
                f"{each.worst_ms:.0f}",
                f"{each.cpu_ms:.0f}",
                f"{each.bytes:,}",
                f"{each.points:,}",
                each.source,
                f"{each.table_ms:.0f}",
                f"{each.table_bytes:,}",
            )
            for each in rows
        ],
        width=12,
        first=10,
    )
    year = rows[-1]
    holds = year.trend_ms <= LIMIT_MS and year.bytes <= LIMIT_BYTES
    limits = f"{LIMIT_MS:.0f} ms and {LIMIT_BYTES:,} bytes"
    print(f"\nlimit for a year: {limits}: {'holds' if holds else 'DOES NOT HOLD'}")
    return 0 if holds else 1


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=YEAR_DAYS)
    parser.add_argument("--basins", type=int, default=YEAR_BASINS)
    chosen = parser.parse_args()
    sys.exit(main(chosen.folder, chosen.days, chosen.basins))
