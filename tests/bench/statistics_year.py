"""How long the page of statistics takes: the server's time and the bytes of its answer, for all ranges.

`python -m tests.bench.statistics_year FOLDER` prints a table; FOLDER is a data folder with closures, such as the year
that `python -m tests.bench.year` makes. It is copied first. A load with one or two devices is laid over each closure of
8 to 60 minutes, straight into the projection, for the year has none: each closure that failed gets an alarm that was
seen. The application is asked in this process; "processor" is the time that it worked, whatever else the machine did.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sqlite3
import statistics
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import msgspec
from litestar import Litestar
from litestar.testing import TestClient

from collector.record.things import Alarm, Attested, Load, Rinsed, Seen, Stage, Step, Thing, Turn, Used
from collector.schema import FILE_NAME
from dashboard.app import build_app
from dashboard.when import SiteTime
from soak.alarms import Priority
from soak.rehearsal import Rehearsal
from tests.bench.measuring_size import print_table

LIMIT_MS = 1_000.0
"""For a year of five basins, on two cores."""

TIMES = 7
MINUTE_MS = 60_000
QUERIES = {
    "30 days": "last=30d",
    "90 days": "last=90d",
    "1 year": "last=365d",
    "1 year, by day": "last=365d&step=day",
    "1 year, every closure": "last=365d&counted=closures",
}


class Measured(NamedTuple):
    """One range: how long in words, soaks counted, median answer of API and page, processor time of it, and sizes."""

    range: str
    soaks: int
    api_ms: float
    api_cpu_ms: float
    api_bytes: int
    page_ms: float
    page_cpu_ms: float
    page_bytes: int


def lay_loads(data_dir: Path) -> tuple[int, int, int]:
    """Lay loads, rounds and alarms over the closures of a store.

    Returns:
        How many of each.
    """
    chance = random.Random(3)
    connection = sqlite3.connect(data_dir / FILE_NAME)
    rows = connection.execute(
        """SELECT b.node || '/' || b.name, c.closing_utc_ms, c.last_utc_ms, c.verdict, s.stream || ':' || c.first
           FROM closure c JOIN basin b ON b.id = c.basin_id JOIN stream s ON s.id = c.stream_id
           WHERE c.superseded_by IS NULL AND c.last_utc_ms - c.closing_utc_ms BETWEEN ? AND ?
           ORDER BY c.closing_utc_ms""",
        (8 * MINUTE_MS, 60 * MINUTE_MS),
    ).fetchall()
    loads = rounds = alarms = 0
    for basin, closing_ms, last_ms, verdict, key in rows:
        loads += 1
        ids = [f"T{rounds + each}" for each in range(1, chance.choice((1, 1, 2)) + 1)]
        rounds += len(ids)
        began_ms, ended_ms = closing_ms - 5_000, last_ms + 5_000
        load = Load(
            id=f"L{loads}", basin=basin, fill="F1", began_ms=began_ms, by="tina", turns=tuple(ids), ended_ms=ended_ms
        )
        turns = [_turn(each, load, key if verdict == "met" else "", chance) for each in ids]
        seen: list[Thing] = []
        if verdict != "met":
            alarms += 1
            seen = [_alarm(alarms, basin, key, ended_ms, chance)]
        _put(connection, [load, *turns, *seen])
    connection.commit()
    connection.close()
    return loads, rounds, alarms


def _turn(turn_id: str, load: Load, met: str, chance: random.Random) -> Turn:
    out_ms = load.ended_ms or 0
    turn = Turn(
        id=turn_id,
        device=f"GS-{int(turn_id[1:]) % 80:02d}",
        began_ms=load.began_ms - 30 * MINUTE_MS,
        came_from=f"E-{turn_id}",
        steps={each.value: Attested("tina", load.began_ms - MINUTE_MS) for each in list(Step)[:4]},
        stage=Stage.USED if met else Stage.ENDED,
        load=load.id,
        basin=load.basin,
        fill=load.fill,
        in_ms=load.began_ms,
        out_ms=out_ms,
        closure=met,
        by="tina",
    )
    if not met:
        return turn
    rinses = tuple(Rinsed("tom", out_ms + each, out_ms + each + MINUTE_MS, fresh=True) for each in (0, 1, 2))
    released_ms = out_ms + chance.randint(5 * MINUTE_MS, 150 * MINUTE_MS)
    return msgspec.structs.replace(
        turn,
        rinses=rinses,
        dried=Attested("tom", out_ms + 4 * MINUTE_MS),
        released=Attested("sam", released_ms),
        used=Used("tom", released_ms + 60 * MINUTE_MS, f"U-{turn_id}"),
    )


def _alarm(number: int, basin: str, key: str, at_ms: int, chance: random.Random) -> Alarm:
    seen = Seen("tina", at_ms + chance.randint(5_000, 15 * MINUTE_MS), "Soaked again from the beginning.")
    return Alarm(
        id=f"A{number}",
        code="opened-early",
        priority=Priority.HIGH,
        about=key,
        basin=basin,
        text="The lid was opened early.",
        evidence={"closure": key},
        cause_ms=at_ms,
        raised_ms=at_ms,
        seen=seen,
        cleared_ms=at_ms,
        ended_ms=seen.at_ms,
    )


def _put(connection: sqlite3.Connection, things: Iterable[Thing]) -> None:
    for each in things:
        row = (each.KIND, each.id, each.group(), each.when_ms(), int(each.open()), msgspec.json.encode(each).decode())
        connection.execute(
            "INSERT INTO thing (kind, id, grp, at_ms, open, number, body) VALUES (?, ?, ?, ?, ?, 0, ?)", row
        )


def measure(data_dir: Path, times: int = TIMES) -> list[Measured]:
    """Ask for every range, as of the last closure."""
    connection = sqlite3.connect(data_dir / FILE_NAME)
    now_ms = int(connection.execute("SELECT max(last_utc_ms) FROM closure").fetchone()[0])
    connection.close()
    played = Rehearsal(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000, now_ms, 1)
    with TestClient(build_app(data_dir, rehearsal=played, when=SiteTime()), base_url="http://127.0.0.1:8080") as client:
        _asked(client, "/statistics", 1)
        found = []
        for words, query in QUERIES.items():
            api_ms, api_cpu_ms, api = _asked(client, f"/api/statistics?{query}", times)
            page_ms, page_cpu_ms, page = _asked(client, f"/statistics?{query}", times)
            soaks = msgspec.json.decode(api)["soaks"]
            found.append(
                Measured(
                    words,
                    soaks,
                    api_ms,
                    api_cpu_ms,
                    len(api),
                    page_ms,
                    page_cpu_ms,
                    len(page),
                )
            )
    return found


def _asked(client: TestClient[Litestar], address: str, times: int) -> tuple[float, float, bytes]:
    """Median time and processor time of an answer, in milliseconds, and the answer."""
    took, worked = [], []
    for _ in range(times):
        began, began_work = time.perf_counter(), time.process_time()
        answer = client.get(address)
        took.append((time.perf_counter() - began) * 1_000)
        worked.append((time.process_time() - began_work) * 1_000)
        assert answer.status_code == 200, answer.text
    return statistics.median(took), statistics.median(worked), answer.content


def main(arguments: list[str] | None = None) -> int:
    """Print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--times", type=int, default=TIMES)
    options = parser.parse_args(arguments)
    with TemporaryDirectory() as work:
        data_dir = Path(work) / "data"
        shutil.copytree(options.folder, data_dir)
        loads, rounds, alarms = lay_loads(data_dir)
        print(f"{loads} loads, {rounds} rounds and {alarms} alarms laid over the closures of {options.folder.name}")
        found = measure(data_dir, options.times)
    titles = ["range", "soaks", "API ms", "processor", "kB", "page ms", "processor", "kB"]
    rows = [
        [
            each.range,
            f"{each.soaks}",
            f"{each.api_ms:.0f}",
            f"{each.api_cpu_ms:.0f}",
            f"{each.api_bytes / 1_000:.0f}",
            f"{each.page_ms:.0f}",
            f"{each.page_cpu_ms:.0f}",
            f"{each.page_bytes / 1_000:.0f}",
        ]
        for each in found
    ]
    print_table(titles, rows, 11, 24)
    worst_ms = max(each.page_ms for each in found)
    word = "holds" if worst_ms < LIMIT_MS else "DOES NOT HOLD"
    print(f"{word}: the slowest page {worst_ms:.0f} ms, limit {LIMIT_MS:.0f} ms")
    return int(worst_ms >= LIMIT_MS)


if __name__ == "__main__":
    sys.exit(main())
