"""How long `soakledger verify` takes on a simulated year of five basins.

`python -m tests.bench.bench_verify [--days N] [--basins N]` prints a table. Pages are sealed by the product's own code
from realistic readings (`tests/bench/realistic.py`): one an hour and one for each soak, each with its record; beside
them records as people and collector write them, so many a day as a clinic of that size makes. Making the year takes
longer than verifying it: it is made in two processes and not counted.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import zlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path
from typing import NamedTuple

from collector.ledger import Ledger
from collector.machine import PageSealed
from collector.page import seal
from collector.schema import FILE_NAME, connect, migrate
from collector.verify import Outcome, verify
from soak.reading import Lid
from tests.bench.bench_size import START_UTC_MS
from tests.bench.measuring_size import print_table
from tests.bench.realistic import Chunk, days

LIMIT_S = 60.0
"""For a year of five basins on two cores."""

YEAR_DAYS, YEAR_BASINS = 365, 5
_HOUR = 3_600
_DECLARED_A_DAY = 120
"""Records of a day of one basin besides its pages: eight loads with some fifteen declarations and verdicts each."""

_DECLARED = {
    "said": {"turn": "T1234", "steps": ["clean", "rinse", "dried"]},
    "changes": {"turn": {"T1234": {"steps": {"clean": {"at_ms": START_UTC_MS, "by": "someone"}}}}},
    "about": "turn/T1234",
}


class SealedPage(NamedTuple):
    """A page before it is written."""

    stream: str
    first: int
    last: int
    sha256: str
    body: bytes


def sealed(basin: int, day_count: int) -> list[SealedPage]:
    """All pages of one basin."""
    chunks = days(day_count, basin, start_utc_ms=START_UTC_MS, name=f"n{basin}")
    return [page for chunk in chunks for page in _pages(chunk)]


def _pages(chunk: Chunk) -> Iterator[SealedPage]:
    """A page at the end of a soak and every 3,600 readings."""
    readings, begin = chunk.readings, 0
    clock = next(chunk.batches(1)).clock
    for index in range(1, len(readings) + 1):
        opened = index < len(readings) and readings[index].lid is Lid.OPEN and readings[index - 1].lid is Lid.CLOSED
        if index == len(readings) or index - begin >= _HOUR or (opened and index - begin > 60):
            first = chunk.first + begin
            sha256, body = seal(chunk.stream, first, readings[begin:index], [(0, clock)])
            yield SealedPage(chunk.stream, first, chunk.first + index - 1, sha256, body)
            begin = index


def make(data_dir: Path, basins: int, day_count: int) -> None:
    """Write a database of so many basins and days."""
    data_dir.mkdir(parents=True, exist_ok=True)
    db = connect(data_dir / FILE_NAME)
    migrate(db)
    connection = db.conn
    connection.execute("PRAGMA synchronous = OFF")
    ledger = Ledger(connection, lambda: START_UTC_MS)
    with ProcessPoolExecutor(2) as pool:
        for basin, pages in enumerate(pool.map(sealed, range(1, basins + 1), repeat(day_count)), 1):
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("INSERT INTO basin VALUES (?, ?, 'b1', ?, '')", (basin, f"n{basin}", f"Basin {basin}"))
            streams: dict[str, int] = {}
            declared = 0
            for number, page in enumerate(pages):
                if page.stream not in streams:
                    sql = "INSERT INTO stream (stream, basin_id, boot, first_heard_ms) VALUES (?, ?, '', 0)"
                    streams[page.stream] = int(connection.execute(sql, (page.stream, basin)).lastrowid or 0)
                _write(ledger, connection, basin, streams[page.stream], page)
                due = _DECLARED_A_DAY * day_count * (number + 1) // len(pages)
                while declared < due:
                    ledger.append("pre-soak-steps", _DECLARED, who="someone")
                    declared += 1
            connection.commit()
            if sys.stderr.isatty():
                print(f"\rbasin {basin} of {basins}", end="", file=sys.stderr, flush=True)
    db.close()


def _write(ledger: Ledger, connection: object, basin: int, stream_id: int, page: SealedPage) -> None:
    body = PageSealed(page.stream, page.first, page.last, page.sha256, zlib.crc32(page.body))
    ledger.append(body.KIND, body)
    sql = "INSERT INTO page (stream_id, first, last, sha256, body) VALUES (?, ?, ?, ?, ?)"
    connection.execute(sql, (stream_id, page.first, page.last, page.sha256, page.body))  # type: ignore[attr-defined]


def timed(data_dir: Path, processes: int) -> tuple[Outcome, float]:
    """Verify, and how many seconds it took."""
    began_s = time.perf_counter()
    outcome = verify(data_dir, processes=processes)
    return outcome, time.perf_counter() - began_s


def main(day_count: int = YEAR_DAYS, basins: int = YEAR_BASINS) -> int:
    """Measure, and print; 1 when the limit is broken."""
    with tempfile.TemporaryDirectory() as folder:
        data_dir = Path(folder)
        make(data_dir, basins, day_count)
        size = (data_dir / FILE_NAME).stat().st_size
        results = {processes: timed(data_dir, processes) for processes in (1, 2)}
    outcome, _ = results[1]
    print(f"{day_count} days of {basins} basins: {outcome.readings:,} readings on {outcome.pages:,} pages, ", end="")
    print(f"{outcome.head.records:,} records, {size / 1e6:,.0f} MB\n")
    rows = [
        (f"{processes} process{'es' if processes > 1 else ''}", f"{seconds:.1f}", f"{outcome.readings / seconds:,.0f}")
        for processes, (outcome, seconds) in results.items()
    ]
    print_table(("verify", "seconds", "readings/s"), rows, 14)
    wrong = [outcome.wrong for outcome, _ in results.values() if outcome.wrong]
    if wrong:
        print(f"\ndoes not hold: {wrong[0]}")
        return 1
    share = day_count * basins / (YEAR_DAYS * YEAR_BASINS)
    holds = results[2][1] <= LIMIT_S * share
    print(f"\nlimit for this much: {LIMIT_S * share:.1f} s with two processes: {'holds' if holds else 'DOES NOT HOLD'}")
    return 0 if holds else 1


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=YEAR_DAYS)
    parser.add_argument("--basins", type=int, default=YEAR_BASINS)
    chosen = parser.parse_args()
    sys.exit(main(chosen.days, chosen.basins))
