"""Evidence over a simulated year: what a paper, a look-back, a bundle, its check and a backup take.

`./run bench evidence [--part record period lookback bundle backup] [--year FOLDER] [--days N]` runs each part in a
process of its own over one store of `tests/bench/year.py`, made where FOLDER holds none, and ends with whether each
limit holds. The store is only read; parts that write take a copy.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from collector.backup.restoring import restore
from collector.backup.taking import take
from collector.clock import wall_clock
from collector.schema import FILE_NAME
from tests.bench import year
from tests.bench.measuring import ROOT
from tests.bench.measuring_size import print_table

PARTS = ("record", "period", "lookback", "bundle", "backup")


def backup(store: Path) -> int:
    """Taken and verified, restored and verified again; no limit is set for either, so none is judged."""
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        data.mkdir()
        shutil.copy(store / FILE_NAME, data / FILE_NAME)
        began_s = time.perf_counter()
        taken = take(data, Path(folder) / "backups", wall_clock(), processes=2)
        taken_s = time.perf_counter() - began_s
        began_s = time.perf_counter()
        restore(taken.path, Path(folder) / "new", processes=2)
        restored_s = time.perf_counter() - began_s
        began_s = time.perf_counter()
        shutil.copy(store / FILE_NAME, Path(folder) / "plain")
        copied_s = time.perf_counter() - began_s
    size = sum(each.bytes for each in taken.manifest.files.values())
    print_table(
        ("a backup of the year", ""),
        [
            ("bytes", f"{size:,}"),
            ("taken and verified", f"{taken_s:.1f} s"),
            ("restored and verified", f"{restored_s:.1f} s"),
            ("a plain copy of the same file", f"{copied_s:.2f} s"),
        ],
    )
    return 0


def command(part: str, store: Path, days: int) -> list[str]:
    """How a part is started."""
    if part == "backup":
        return [sys.executable, "-m", "tests.bench.bench_evidence", "--backup-of", str(store)]
    module = [sys.executable, "-m", f"tests.bench.bench_evidence_{part}"]
    if part == "period":
        return [*module, str(store)]
    if part == "lookback":
        return [*module, "--year", str(store), "--days", str(days)]
    return [*module, str(store), "--days", str(days)]


def main() -> int:
    """Exit status 0: every limit of the parts holds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--year", type=Path, help="a store of tests/bench/year.py; made there if there is none")
    parser.add_argument("--days", type=int, default=year.YEAR_DAYS)
    parser.add_argument("--backup-of", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.backup_of:
        return backup(asked.backup_of)
    with tempfile.TemporaryDirectory() as folder:
        store = asked.year or Path(folder) / "year"
        if not (store / FILE_NAME).is_file():
            print(f"making {asked.days} days of five basins in {store}", flush=True)
            year.make(store, asked.days)
        failed = []
        for part in asked.part:
            print(f"\n== {part}", flush=True)
            if subprocess.run(command(part, store, asked.days), cwd=ROOT, check=False).returncode:
                failed.append(part)
    print(
        f"\n{len(asked.part) - len(failed)} of {len(asked.part)} parts hold"
        + "".join(f"; not {each}" for each in failed)
    )
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
