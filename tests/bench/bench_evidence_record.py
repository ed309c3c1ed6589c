"""How long a disinfection record takes: `python -m tests.bench.bench_evidence_record [FOLDER]` prints a table.

The folder holds a store of `tests/bench/year.py`, made where it is missing (60 days of five basins without one);
people's declarations are laid over a copy of it (`tests/bench/audited.py`). Issuing is gathering, reading the pages,
digests and the record; making is reading them again, the drawing, the attachments and typesetting. Beside the clock on
the wall stands the processor's time: on a busy machine only that says what a paper costs.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

from collector.evidence.issue import Made, make
from collector.evidence.many import Parcel, Soak, Wanted, chosen, issue_one
from collector.record.desk import Desk
from collector.schema import FILE_NAME
from tests.bench import year
from tests.bench.audited import declare

SINGLES, MANY, DAYS = 100, 1_000, 60
LIMIT_MS = 100


class Took:
    """Times of one kind of work."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.wall_ms: list[float] = []
        self.processor_ms: list[float] = []

    def measured(self, work: Callable[[], Made]) -> Made:
        """Do it once."""
        wall, processor = time.perf_counter(), time.process_time()
        made = work()
        self.wall_ms.append(1_000 * (time.perf_counter() - wall))
        self.processor_ms.append(1_000 * (time.process_time() - processor))
        return made

    def row(self) -> str:
        """A row of the table."""
        ranked = sorted(self.wall_ms)
        p95 = ranked[len(ranked) * 95 // 100]
        median, processor = statistics.median(ranked), statistics.median(self.processor_ms)
        return f"{self.what:30} {median:10.0f} {p95:7.0f} {ranked[-1]:7.0f} {processor:17.0f}"


def run(folder: Path | None, days: int = DAYS) -> int:
    """Make what is missing, issue, print.

    Returns:
        0 if the processor's time of one paper (median) is within its limit.
    """
    with tempfile.TemporaryDirectory() as kept:
        source = folder or Path(kept) / "days"
        if not (source / FILE_NAME).exists():
            year.make(source, days, year.YEAR_BASINS)
        declared = Path(kept) / "declared"
        declared.mkdir()
        shutil.copy(source / FILE_NAME, declared / FILE_NAME)
        declare(declared)
        return _measured(declared)


def _measured(data: Path) -> int:
    with Desk(data, lambda: 0) as desk:
        ((newest_ms,),) = desk.connection.execute("SELECT max(at_ms) FROM ledger").fetchall()
    clock = [newest_ms]

    def now_ms() -> int:
        clock[0] += 1_000
        return int(clock[0])

    with Desk(data, now_ms) as desk:
        every = chosen(desk.connection, Wanted(0, newest_ms + 1), newest_ms)
        print(f"{len(every.soaks):,} soaks with a load, {every.without_load:,} closures without one")
        ordinary = _ordinary(desk, every.soaks)
        soaks = Random(1).sample(ordinary, min(SINGLES, len(ordinary)))
        issue_one(desk, "p1", soaks[0], "warming up", second_factor=False)
        issuing, making, sizes = Took("gathered, issued and made"), Took("made again, the same bytes"), []
        for soak in soaks:
            made = issuing.measured(lambda soak=soak: issue_one(desk, "p1", soak, "bench", second_factor=False))
            again = making.measured(lambda made=made: make(desk.connection, made.issued.id))
            sizes.append(len(made.content))
            assert again.content == made.content
        print(f"{'one paper':30} {'median ms':>10} {'p95':>7} {'worst':>7} {'processor median':>17}")
        print(issuing.row(), making.row(), sep="\n")
        print(f"{statistics.median(sizes) / 1_000:.0f} kB each (median)")
        _many(desk, ordinary[-MANY:])
    return int(statistics.median(issuing.processor_ms) > LIMIT_MS)


def _ordinary(desk: Desk, soaks: Sequence[Soak]) -> list[Soak]:
    """Soaks of up to an hour; the year's lids also stay on over nights and week-ends."""
    rows = desk.connection.execute(
        """SELECT s.stream || ':' || c.first FROM closure c JOIN stream s ON s.id = c.stream_id
           WHERE c.last_utc_ms - c.closing_utc_ms <= 3600000"""
    )
    short = {key for (key,) in rows}
    return [soak for soak in soaks if soak.key in short]


def _many(desk: Desk, soaks: Sequence[Soak]) -> None:
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1_024
    began, busy = time.perf_counter(), time.process_time()
    parcel = Parcel(Wanted(0, soaks[-1].closing_ms + 1), 0)
    size = sum(len(parcel.add(issue_one(desk, "p1", soak, "bench", second_factor=False))) for soak in soaks)
    size += len(parcel.close(desk.clock()))
    took_s, processor_s = time.perf_counter() - began, time.process_time() - busy
    papers = len(parcel.manifest.papers)
    each_ms, processor_ms = 1_000 * took_s / papers, 1_000 * processor_s / papers
    print(f"a ZIP of {papers:,}: {took_s:.0f} s, {each_ms:.0f} ms each (processor {processor_ms:.0f} ms),", end=" ")
    print(f"{size / 1e6:.0f} MB")
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1_024
    print(f"peak memory {peak_mb:.0f} MB (before it {before_mb:.0f} MB)")


def main() -> int:
    """From the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--days", type=int, default=DAYS)
    asked = parser.parse_args()
    return run(asked.folder, asked.days)


if __name__ == "__main__":
    sys.exit(main())
