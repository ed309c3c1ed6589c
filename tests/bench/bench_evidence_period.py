"""How long a period report takes: put together and issued, and typeset, for a month and for the whole year.

`python -m tests.bench.bench_evidence_period FOLDER` prints it; FOLDER is a data folder with closures, such as the year
that `python -m tests.bench.year` makes. It is copied first, and loads are laid over it, for the year has none.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from collector.ledger import Ledger
from collector.period.issue import Enclosed, issued, make
from collector.record import shelf
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.papers.period import IssuePeriodReport
from collector.record.things import Person, Role
from tests.bench.statistics_year import lay_loads

LIMIT_S = 2.0
"""For a month of five basins, issued and typeset."""


def run(year: Path | None) -> bool:
    """Print the figures of a month and of a year; whether the month keeps its limit.

    Args:
        year: A data folder with closures; None: nothing is measured.
    """
    if year is None:
        print("period report: no year to measure on")
        return True
    with TemporaryDirectory() as work:
        data_dir = Path(work) / "data"
        shutil.copytree(year, data_dir, ignore=shutil.ignore_patterns("*-wal", "*-shm", "year-*", "today-*"))
        lay_loads(data_dir)
        with _desk(data_dir) as desk:
            month_s = _measure(desk, "30 days", 30)
            _measure(desk, "1 year", 365)
    print(f"{'holds' if month_s < LIMIT_S else 'DOES NOT HOLD'}: a month {month_s:.2f} s, limit {LIMIT_S:.0f} s")
    return month_s < LIMIT_S


@contextmanager
def _desk(data_dir: Path) -> Iterator[Desk]:
    """A desk just after the last closure, and somebody who may issue."""
    with Desk(data_dir, lambda: 0) as looked:
        (now_ms,) = looked.connection.execute("SELECT max(last_utc_ms) FROM closure").fetchone()
    with Desk(data_dir, lambda: int(now_ms) + 1_000) as desk:
        with desk.transaction():
            person = Person(id="olga", name="Olga Test", roles=(Role.AUDITOR,))
            changes = {person.KIND: {person.id: msgspec.to_builtins(person)}}
            record = Ledger(desk.connection, desk.clock).append("given-by-a-bench", {"changes": changes}, who="bench")
            shelf.write(desk.connection, record.number, changes)
        yield desk


def _measure(desk: Desk, words: str, days: int) -> float:
    book = Book.looking(desk.connection, desk.clock())
    last = book.local_date(book.at_ms)
    said = IssuePeriodReport(first=(last - timedelta(days=days - 1)).isoformat(), last=last.isoformat())
    worked, began = time.process_time(), time.perf_counter()
    done = desk.do(said, "olga")
    issued_s = time.perf_counter() - began
    began = time.perf_counter()
    made = make(desk.connection, done.id)
    made_s = time.perf_counter() - began
    worked = time.process_time() - worked
    enclosed: Enclosed = issued(desk.connection, done.id)[2]
    paper_kb, record_kb = len(made.content) // 1000, len(made.record.body) // 1000
    print(
        f"period report of {words}: {enclosed.sheet.figures[0].figure} soaks, issued in {issued_s:.2f} s, typeset in "
        f"{made_s:.2f} s, processor {worked:.2f} s, {paper_kb} kB, its record {record_kb} kB"
    )
    return issued_s + made_s


def main(arguments: list[str] | None = None) -> int:
    """Print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    return int(not run(parser.parse_args(arguments).folder))


if __name__ == "__main__":
    sys.exit(main())
