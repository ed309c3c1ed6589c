"""A real node process for measuring, on mock pins and a simulated 1-Wire tree, and how punctual its ticks are."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from random import Random

import numpy as np

from firmware.clock import SystemClock
from firmware.outbox import Outbox
from firmware.simulator.wire1 import Tree
from soak.reading import Why
from tests.bench.load import Basin
from tests.bench.measuring import ROOT
from tests.bench.realistic import NOISE_STEPS, modelled_lateness_ms

_BROKER = """node = "{node}"
data_dir = "{folder}/data"
w1_devices = "{devices}"

[broker]
host = "127.0.0.1"
port = {port}
"""
_BASIN = """
[[basin]]
name = "{name}"
sensors = ["{sensor}"]
lid_pin = {pin}
"""
_FIRST_PIN = 5
_END_S = 20


@contextmanager
def running(folder: Path, basins: Sequence[Basin], port: int) -> Iterator[subprocess.Popen[bytes]]:
    """A node of these basins; every second each sensor has a new value. Reading one takes no time here, but 0.75 s and
    the kernel's work on a real bus.
    """
    folder.mkdir(parents=True, exist_ok=True)
    tree = Tree(folder / "sys", [basin.sensor for basin in basins])
    text = _BROKER.format(node=basins[0].node, folder=folder, devices=tree.devices, port=port)
    text += "".join(
        _BASIN.format(name=basin.name, sensor=basin.sensor, pin=pin) for pin, basin in enumerate(basins, _FIRST_PIN)
    )
    (folder / "node.toml").write_text(text)
    stop = threading.Event()
    sensors = threading.Thread(target=_convert, args=(tree, basins, stop))
    sensors.start()
    command = [sys.executable, "-m", "soakledger", "node", "--settings", str(folder / "node.toml")]
    pins = {"GPIOZERO_PIN_FACTORY": "mock", "GPIOZERO_MOCK_PIN_CLASS": "mockpwmpin"}
    try:
        with (folder / "log").open("ab") as log:
            process = subprocess.Popen(command, stderr=log, stdout=log, env=os.environ | pins, cwd=ROOT)
        try:
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(_END_S)
    except BaseException:
        sys.stderr.write((folder / "log").read_text())
        raise
    finally:
        stop.set()
        sensors.join()


def _convert(tree: Tree, basins: Sequence[Basin], stop: threading.Event) -> None:
    random = Random(1)
    while True:
        for basin in basins:
            tree.indicate(basin.sensor, round(340 + random.gauss(0, NOISE_STEPS)))
        if stop.wait(1):
            return


def tick_times_ms(folder: Path) -> list[int]:
    """Times of the ticks that an ended node still holds, one basin's."""
    outbox = Outbox(folder / "data", SystemClock())
    held = outbox.streams()[0]
    times = []
    for first, last in outbox.held(held.stream):
        number = first
        while number <= last:
            batch = outbox.batch(held.stream, number, last - number + 1)
            times += [each.ms for each in batch.readings if each.why is Why.TICK]
            number = batch.last + 1
    outbox.close()
    return times


def lateness_ms(times_ms: Sequence[int]) -> list[int]:
    """By how much ticks were late, against the earliest of them: the schedule itself is not on record."""
    off = [(ms - times_ms[0] + 500) % 1_000 - 500 for ms in times_ms]
    return [each - min(off) for each in off]


def shares(late_ms: Sequence[int]) -> list[str]:
    """How many of hundred ticks were late by 0, 1, 2, 3, 4 to 9, and 10 or more milliseconds."""
    counts = Counter(min(each, 10) if each >= 10 else min(each, 4) for each in late_ms)
    return [f"{100 * counts[each] / max(1, len(late_ms)):.1f}" for each in (0, 1, 2, 3, 4, 10)]


def model(count: int = 100_000) -> list[int]:
    """The same of the readings that `tests.bench.realistic` makes."""
    late: list[int] = modelled_lateness_ms(np.random.default_rng(1), count).tolist()
    return late


MODEL_NAME = "the model"
SHARES_HEAD = ("ticks late by, of 100", "0 ms", "1 ms", "2 ms", "3 ms", "4-9 ms", "10+ ms")
