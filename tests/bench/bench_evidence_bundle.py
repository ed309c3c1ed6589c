"""A year in one file, and how long it takes to check: `python -m tests.bench.bench_evidence_bundle [FOLDER]`.

The folder holds a store of `tests/bench/year.py`, made where it is missing (60 days of five basins without one); it is
only read. Three commands run in processes of their own, as people start them: `soakledger evidence` over all of it,
`python3 -I -S verify.py` in the unpacked bundle, `soakledger verify`. Memory is that of a command and all processes it
starts, pages that several share counted once (proportional set size, proc(5)), looked at twenty times a second.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path
from typing import NamedTuple

from collector.schema import FILE_NAME
from tests.bench import year
from tests.bench.measuring import ROOT, Limit
from tests.bench.measuring_size import print_table

DAYS = 60
VERIFY_PY_S, VERIFY_S, MEMORY_MB = 180.0, 60.0, 300.0
"""For a year of five basins on two cores; memory for any length."""

_LOOK_EVERY_S = 0.05


class Run(NamedTuple):
    """A command that has ended.

    Attributes:
        status: Its exit status.
        seconds: From start to end.
        cpu_s: Processor time of all its processes: on a busy machine the fairer figure.
        peak_mb: Memory of all its processes together, at most.
        said: What it printed.
    """

    status: int
    seconds: float
    cpu_s: float
    peak_mb: float
    said: str


def timed(command: list[str], cwd: Path) -> Run:
    """Run a command to its end."""
    with tempfile.TemporaryFile("w+") as said:
        began_s, cpu_before_s = time.perf_counter(), _children_cpu_s()
        process = subprocess.Popen(command, cwd=cwd, stdout=said, stderr=subprocess.STDOUT, text=True)
        peak_kb = 0
        while process.poll() is None:
            peak_kb = max(peak_kb, sum(map(_pss_kb, _family(process.pid))))
            time.sleep(_LOOK_EVERY_S)
        seconds = time.perf_counter() - began_s
        said.seek(0)
        return Run(process.returncode, seconds, _children_cpu_s() - cpu_before_s, peak_kb / 1_000, said.read())


def _children_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _family(pid: int) -> list[int]:
    found = [pid]
    try:
        for thread in Path(f"/proc/{pid}/task").iterdir():
            for child in (thread / "children").read_text().split():
                found += _family(int(child))
    except OSError:  # it has ended meanwhile
        pass
    return found


def _pss_kb(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("Pss:")), 0)


def run(folder: Path | None, days: int = DAYS) -> int:
    """Make what is missing, run the three, print.

    Returns:
        0 if every limit holds and everything agrees.
    """
    with tempfile.TemporaryDirectory() as kept:
        data = folder or Path(kept) / "days"
        if not (data / FILE_NAME).exists():
            year.make(data, days, year.YEAR_BASINS)
        return _measured(data, Path(kept))


def _measured(data: Path, kept: Path) -> int:
    bundle, unpacked = kept / "bundle.zip", kept / "bundle"
    span = ["--from", "1970-01-02", "--to", "2100-01-01"]
    evidence = ["evidence", "--data", str(data), *span, "--out", str(bundle), "--no-record"]
    runs = {"soakledger evidence": timed([sys.executable, "soakledger.py", *evidence], ROOT)}
    if runs["soakledger evidence"].status == 0:
        with zipfile.ZipFile(bundle) as archive:
            archive.extractall(unpacked)
        size = sum(path.stat().st_size for path in unpacked.rglob("*") if path.is_file())
        print(f"bundle: {bundle.stat().st_size / 1e6:,.1f} MB, unpacked {size / 1e6:,.0f} MB")
        runs["verify.py"] = timed([sys.executable, "-I", "-S", "verify.py"], unpacked)
    runs["soakledger verify"] = timed([sys.executable, "soakledger.py", "verify", "--data", str(data)], ROOT)
    print_table(
        ("", "exit status", "seconds", "CPU s", "peak MB"),
        [
            (name, str(each.status), f"{each.seconds:.1f}", f"{each.cpu_s:.1f}", f"{each.peak_mb:.0f}")
            for name, each in runs.items()
        ],
        12,
    )
    for name, each in runs.items():
        print(f"\n{name}:\n{each.said.rstrip()}" if each.status else "", end="")
    limits = [Limit(f"{name} under {MEMORY_MB:.0f} MB", each.peak_mb < MEMORY_MB) for name, each in runs.items()]
    limits += [
        Limit(f"{name} under {most_s:.0f} s (of a year)", name in runs and runs[name].seconds < most_s)
        for name, most_s in (("verify.py", VERIFY_PY_S), ("soakledger verify", VERIFY_S))
    ]
    print("\n".join(map(str, limits)))
    agree = len(runs) == 3 and not any(each.status for each in runs.values())
    return 0 if agree and all(limit.holds for limit in limits) else 1


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, help="A store of tests/bench/year.py.")
    parser.add_argument("--days", type=int, default=DAYS)
    chosen = parser.parse_args()
    sys.exit(run(chosen.folder, chosen.days))
