"""How fast `soakledger assess` is, beside what `csv.reader` and pandas need for the same file, in one run.

`python -m tests.bench.bench_assess [--rows N]` prints a table. Nothing here is a test: a figure depends on the machine.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

# Nothing large is imported here: a new process begins its peak memory with that of the one that started it.

YEAR_ROWS = 31_536_000
MOST_TIMES_CSV_READER = 10
MOST_MEGABYTES = 100
DAY_S = 86_400

CSV_READER = "import csv\nfor _ in csv.reader(open({!r}, newline='')): pass"
PANDAS = "import pandas; pandas.read_csv({!r})"


class Run(NamedTuple):
    """One process: how long it took, how long it computed, and its largest resident memory."""

    seconds: float
    cpu_seconds: float
    megabytes: float


def days(rows: int, seed: int = 1) -> Iterator[str]:
    """A simulated year at 1 Hz, a day at a time: ten soaks a day in a basin that stands closed in between and at night.

    Temperatures in steps of a DS18B20 at 12 bits (62.5 m°C, as the kernel prints them) with the room's daily swing, a
    dip where a cold load goes in, and noise of a step; up to 40 ms of jitter on each time.
    """
    import numpy as np  # noqa: PLC0415

    random = np.random.default_rng(seed)
    texts = [
        f",{lid},{sixteenths * 1000 // 16 / 1000:.3f}\n" for lid in ("open", "closed") for sixteenths in range(512)
    ]
    second = np.arange(DAY_S)
    for day in range(-(-rows // DAY_S)):
        closed = np.ones(DAY_S, dtype=bool)
        cold = np.zeros(DAY_S)
        for start in np.sort(random.integers(8 * 3600, 18 * 3600, 10)):
            closed[start - random.integers(20, 120) : start] = False
            length = int(random.normal(14 * 60, 90))
            closed[start + length : start + length + 40] = False
            cold[start:] += random.uniform(0, 0.4) * np.exp(-(second[start:] - start) / 300)
        celsius = 21.2 + random.normal(0, 0.3) + 0.7 * np.sin((second / DAY_S - 0.4) * 2 * np.pi) - cold
        sixteenths = np.rint(celsius * 16 + random.normal(0, 0.4, DAY_S)).astype(int)
        ms = (day * DAY_S + second) * 1000 + random.integers(0, 40, DAY_S)
        tails = (closed * 512 + sixteenths).tolist()
        count = min(DAY_S, rows - day * DAY_S)
        yield "".join(
            [f"{at // 1000}.{at % 1000:03d}{texts[tail]}" for at, tail in zip(ms[:count].tolist(), tails, strict=False)]
        )


def write(path: Path, rows: int) -> None:
    """Write the simulated file."""
    with path.open("w") as file:
        file.write("time_s,lid,temp_c\n")
        file.writelines(days(rows))


def run(arguments: list[str], statuses: tuple[int, ...] = (0,)) -> Run:
    """Run one process to its end and measure it."""
    started_s = time.perf_counter()
    with subprocess.Popen(arguments, stdout=subprocess.DEVNULL) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in statuses:
        raise SystemExit(f"{arguments} ended with {process.returncode}")
    return Run(time.perf_counter() - started_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def live_microseconds(readings: int = 200_000) -> float:
    """CPU microseconds of the live meter for one reading as it comes from the wire: closed, warm, one a second."""
    from soak.exposure import Meter  # noqa: PLC0415
    from soak.reading import Lid, Reading, Why  # noqa: PLC0415
    from soak.requirement import Requirement, SensorTerms  # noqa: PLC0415

    sensor = "28-0000072c1a5f"
    meter = Meter(Requirement(min_mc=20_000, contact_ms=720_000), {sensor: SensorTerms(u_mc=580)})
    batch = [
        Reading(ms=1000 * n, why=Why.TICK, lid=Lid.CLOSED, mc={sensor: 21_000 + n % 9 * 62}) for n in range(1, readings)
    ]
    started_s = time.process_time()
    for number, reading in enumerate(batch, 1):
        meter.feed(number, reading)
    return (time.process_time() - started_s) / len(batch) * 1e6


def main(rows: int = YEAR_ROWS) -> None:
    """Generate the file, measure, print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.csv"
        written = run([sys.executable, "-m", "tests.bench.bench_assess", "--rows", str(rows), "--write", str(path)])
        size_mb = path.stat().st_size / 1e6
        print(f"{rows:,} readings, {size_mb:,.0f} MB, generated in {written.seconds:.0f} s", flush=True)
        options = ["--min-temp", "20", "--contact", "12m", "--uncertainty", "0.58", "--json"]
        command = [sys.executable, "-m", "soakledger", "assess", str(path), *options]
        table = {
            "csv.reader alone": run([sys.executable, "-c", CSV_READER.format(str(path))]),
            "pandas.read_csv": run([sys.executable, "-c", PANDAS.format(str(path))]),
            "soakledger assess": run(command, (0, 1)),
        }
    alone = table["csv.reader alone"]
    print(f"{'':20}{'seconds':>9}{'CPU s':>9}{'rows/s':>13}{'CPU x csv.reader':>18}{'peak MB':>9}")
    for name, each in table.items():
        speed = f"{each.seconds:9.1f}{each.cpu_seconds:9.1f}{rows / each.seconds:13,.0f}"
        print(f"{name:20}{speed}{each.cpu_seconds / alone.cpu_seconds:18.2f}{each.megabytes:9.0f}")
    print(f"{'limit for assess':51}{MOST_TIMES_CSV_READER:18.2f}{MOST_MEGABYTES:9}")
    print(f"live meter (Meter.feed): {live_microseconds():.2f} CPU µs a reading")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=YEAR_ROWS)
    parser.add_argument("--write", type=Path, help="only write the simulated file there")
    arguments = parser.parse_args()
    if arguments.write:
        write(arguments.write, arguments.rows)
    else:
        main(arguments.rows)
