"""What the benches share: processes and their figures, tables, limits."""

from __future__ import annotations

import os
import subprocess
import sys
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
    settings = _HEAD.format(port=port) + "".join(_BASIN.format(**each._asdict()) for each in basins)
    one = CollectorProcess(folder, port, settings=settings)
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
    """What a process has used so far."""

    cpu_s: float
    rss_mb: float
    written_bytes: int

    @classmethod
    def of(cls, pid: int) -> Usage:
        """From `/proc` (proc(5): stat fields 14 and 15, VmRSS, write_bytes); written is what reached the disk layer."""
        process = Path(f"/proc/{pid}")
        fields = (process / "stat").read_text().rpartition(")")[2].split()
        cpu_s = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        rss_kb = _field(process / "status", "VmRSS")
        return cls(cpu_s, rss_kb / 1_000, _field(process / "io", "write_bytes"))


def _field(file: Path, name: str) -> int:
    for line in file.read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1])
    raise KeyError(name)


def row(cells: Sequence[str], first_width: int = 34) -> str:
    """One line of a table: what it is about, then figures."""
    return f"{cells[0]:{first_width}}" + "".join(f"{cell:>{WIDTH}}" for cell in cells[1:])


class Limit(NamedTuple):
    """One limit and whether it holds."""

    text: str
    holds: bool

    def __str__(self) -> str:
        return f"{'holds' if self.holds else 'DOES NOT HOLD':14} {self.text}"
