"""What the benches share: processes and their figures, tables, limits."""

from __future__ import annotations

import math
import os
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from tests.bench.load import Basin
from tests.collector.running import CollectorProcess
from tests.conftest import Broker

WIDTH = 13
ROOT = Path(__file__).parents[2]

_HEAD = """site = "Clinic at the Mill"

[broker]
port = {port}
"""
_BASIN = """
[[basin]]
node = "{node}"
name = "{name}"
label = "Basin {node} {name}"
[basin.sensors."{sensor}"]
u_c = 0.5
[basin.requirement]
min_temp_c = 20
contact = "12m"
since = 2026-03-01T00:00:00Z
"""


def settings_text(port: int, basins: Iterable[Basin]) -> str:
    """Settings of a collector that knows these basins."""
    return _HEAD.format(port=port) + "".join(_BASIN.format(**each._asdict()) for each in basins)


class OwnBroker(Broker):
    """A Mosquitto whose process can be looked at."""

    @property
    def pid(self) -> int:
        """Its process."""
        assert self._process
        return self._process.pid


@contextmanager
def broker(folder: Path) -> Iterator[OwnBroker]:
    """A broker that nobody else uses."""
    one = OwnBroker(folder)
    try:
        yield one
    finally:
        one.stop()


@contextmanager
def collector(folder: Path, port: int, basins: Iterable[Basin]) -> Iterator[CollectorProcess]:
    """A collector process that knows these basins; what it said is shown if it fails."""
    one = CollectorProcess(folder, port, settings=settings_text(port, basins))
    one.start()
    try:
        yield one
    except BaseException:
        sys.stderr.write(one.log())
        raise
    finally:
        one.close()


@contextmanager
def subscriber(kind: str, port: int, total: int, every: int, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """One of `tests.bench.subscribers`: takes so many messages, says every so many how far it is."""
    files = [str(folder / "script.sqlite")] if kind == "script" else []
    command = [sys.executable, "-m", "tests.bench.subscribers", kind, str(port), str(total), str(every), *files]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as process:
        try:
            yield process
        finally:
            process.kill()


class Usage(NamedTuple):
    """What a process and those that it started have used so far.

    Attributes:
        cpu_s: Processor time, user and system.
        rss_mb: Resident memory.
        written_bytes: What was handed to the disk.
    """

    cpu_s: float
    rss_mb: float
    written_bytes: int

    @classmethod
    def of(cls, pid: int) -> Usage:
        """From `/proc` (proc(5): stat fields 14 and 15, VmRSS, write_bytes)."""
        return cls(*map(sum, zip(*(_usage(Path(f"/proc/{each}")) for each in _family(pid)), strict=True)))


def _usage(process: Path) -> Usage:
    rss_kb = _field(process / "status", "VmRSS")
    return Usage(
        _seconds((process / "stat").read_text().rpartition(")")[2].split()[11:13]),
        rss_kb / 1_000,
        _field(process / "io", "write_bytes"),
    )


def _family(pid: int) -> Iterator[int]:
    yield pid
    for thread in Path(f"/proc/{pid}/task").iterdir():
        for child in (thread / "children").read_text().split():
            yield from _family(int(child))


class Spent(NamedTuple):
    """What happened since `Work` was begun.

    Attributes:
        seconds: Gone by.
        cpu_s: Processor time of the process that is measured.
        broker_s: Of the broker.
        others: What anybody else on this machine used, in processors: figures from a busy machine are worth less.
    """

    seconds: float
    cpu_s: float
    broker_s: float
    others: float


class Work:
    """Looks at the process that is measured, at the broker and at the whole machine, from now on.

    Args:
        pid: The process; None where there is none.
        broker_pid: The broker.
    """

    def __init__(self, pid: int | None, broker_pid: int) -> None:
        self._pid, self._broker_pid = pid, broker_pid
        self._began_s, self._before = time.perf_counter(), self._cpu_s()

    def usage(self) -> Usage:
        """Of the process that is measured, so far."""
        return Usage.of(self._pid) if self._pid else Usage(0.0, 0.0, 0)

    def spent(self) -> Spent:
        """Since the beginning."""
        seconds = time.perf_counter() - self._began_s
        cpu_s, broker_s, own_s, machine_s = (a - b for a, b in zip(self._cpu_s(), self._before, strict=True))
        return Spent(seconds, cpu_s, broker_s, max(0.0, machine_s - cpu_s - broker_s - own_s) / seconds)

    def _cpu_s(self) -> tuple[float, float, float, float]:
        # proc(5): all fields of the first line of /proc/stat up to "steal" but "idle" and "iowait" are work.
        fields = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]
        machine_s = _seconds([*fields[:3], *fields[5:]])
        return self.usage().cpu_s, Usage.of(self._broker_pid).cpu_s, time.process_time(), machine_s


def _seconds(ticks: Iterable[str]) -> float:
    return sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")


def _field(file: Path, name: str) -> int:
    for line in file.read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1])
    raise KeyError(name)


def row(cells: Sequence[str], first_width: int = 34) -> str:
    """One line of a table: what it is about, then figures."""
    return f"{cells[0]:{first_width}}" + "".join(f"{cell:>{WIDTH}}" for cell in cells[1:])


def share_of(rising: Sequence[float], share: float) -> float:
    """The figure that this share of all does not exceed."""
    return rising[max(0, math.ceil(len(rising) * share) - 1)]


class Limit(NamedTuple):
    """One limit and whether it holds."""

    text: str
    holds: bool

    def __str__(self) -> str:
        return f"{'holds' if self.holds else 'DOES NOT HOLD':14} {self.text}"
