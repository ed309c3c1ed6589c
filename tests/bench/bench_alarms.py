"""How soon an alarm is where people are.

`python -m tests.bench.bench_alarms [--part NAME] [--openings N]` prints tables and which limits hold.

Part `pin`: a lid is opened before the soak is met; from its switch's edge to the red of its light, and to the buzzer
where that was silent. A real node at real speed, five basins, in this process, because gpiozero's mock pins live in
their node's; no broker at all, orders from the node's disk. Once as it is, for which the limit stands, and once to see
what becomes of it while two other processes take all they can get.

Part `page`: on to the record and to an open page, over Mosquitto, a thousand basins: `tests/bench/alarm_latency.py`.
Part `truth`: thirty days of the demo's alarms beside what its simulator did: `tests/bench/alarm_truth.py`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from random import Random

os.environ.setdefault("W1THERMSENSOR_NO_KERNEL_MODULE", "1")

from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from firmware.basinside import FIRM_MS
from firmware.clock import SystemClock
from firmware.kept_orders import KeptOrders
from firmware.node import Node
from firmware.orders import taken
from firmware.settings import Basin, Broker, Light, Settings
from firmware.simulator.wire1 import Tree
from soak.requirement import Requirement, SensorTerms
from soak.wire import BasinOrders, LoadOrders, Orders
from tests.bench import alarm_latency, alarm_truth
from tests.bench.measuring import Limit, share_of
from tests.bench.measuring_size import print_table

MOST_PIN_MS = 100.0
OPENINGS = 150
DAYS = 30
BUSY = 2
_BASINS = 5
_FIRST_PIN = 5
_BUZZER = 27
_CLOSED_S = (FIRM_MS / 1_000 + 0.2, FIRM_MS / 1_000 + 0.8)  # the lid is on, and has stayed so
_PATIENCE_S = 20.0
_PAUSE_S = 0.0005


class TimedPin(MockPWMPin):
    """A mock pin that remembers when it was last turned on."""

    on_s = 0.0

    def _set_state(self, value: float) -> None:
        if value and not self._state:
            self.on_s = time.perf_counter()
        super()._set_state(value)


def _settings(folder: Path, devices: Path) -> Settings:
    """A lid and a light each; the node's broker is nobody: a port that is never listened on."""
    basins = tuple(
        Basin(
            name=f"b{n + 1}",
            sensors=(f"28-{n:012x}",),
            lid_pin=_FIRST_PIN + 4 * n,
            light=Light(red=_FIRST_PIN + 4 * n + 1, green=_FIRST_PIN + 4 * n + 2, blue=_FIRST_PIN + 4 * n + 3),
        )
        for n in range(_BASINS)
    )
    broker = Broker(host="127.0.0.1", port=1)
    return Settings(
        node="n1",
        broker=broker,
        basins=basins,
        data_dir=str(folder),
        w1_devices=str(devices),
        buzzer_pin=_BUZZER,
    )


def _keep_orders(settings: Settings, clock: SystemClock) -> None:
    """As if a collector had said so once: a load is in each basin, and a soak takes a day."""
    sensors = {basin.name: frozenset(basin.sensors) for basin in settings.basins}
    basins = {
        name: BasinOrders(
            Requirement(10_000, 86_400_000),
            dict.fromkeys(of_basin, SensorTerms(500)),
            86_400,
            load=LoadOrders("load", 1),
        )
        for name, of_basin in sensors.items()
    }
    hand, _ = taken(None, Orders(1, "e1", basins), clock.boot_ms(), sensors)
    KeptOrders(Path(settings.data_dir), settings.node, sensors, clock).mind(hand)


@contextmanager
def _running(folder: Path) -> Iterator[Settings]:
    """A node on timed pins."""
    tree = Tree(folder / "sys", [f"28-{n:012x}" for n in range(_BASINS)])
    for n in range(_BASINS):
        tree.indicate(f"28-{n:012x}", 340)
    settings, clock = _settings(folder, tree.devices), SystemClock()
    _keep_orders(settings, clock)
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=TimedPin)
    stop, ready = threading.Event(), threading.Event()
    node = Node(settings, clock, on_ready=ready.set)
    failed: list[BaseException] = []

    def run() -> None:
        try:
            node.run(stop)
        except BaseException as error:
            failed.append(error)
            ready.set()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        ready.wait()
        if failed:
            raise failed[0]
        yield settings
    finally:
        stop.set()
        thread.join()
        Device.pin_factory.reset()
        Device.pin_factory = before


def _burn() -> None:
    while True:
        pass


@contextmanager
def _busy(processes: int) -> Iterator[None]:
    """Other processes that never rest."""
    burners = [multiprocessing.get_context("spawn").Process(target=_burn, daemon=True) for _ in range(processes)]
    for each in burners:
        each.start()
    try:
        yield
    finally:
        for each in burners:
            each.kill()
            each.join()


def _after(moment_s: float, pin: TimedPin) -> float:
    """Milliseconds from a moment until a pin was turned on."""
    deadline_s = time.perf_counter() + _PATIENCE_S
    while pin.on_s < moment_s:
        if time.perf_counter() > deadline_s:
            raise SystemExit(f"{pin!r} was not turned on within {_PATIENCE_S:.0f} s")
        time.sleep(_PAUSE_S)
    return 1_000 * (pin.on_s - moment_s)


def edge_to_pin(openings: int, busy: int = 0) -> tuple[list[float], list[float]]:
    """Open lids too early, one after the other; every lid is put on again once its light was red.

    Args:
        openings: How often.
        busy: How many other processes take all the processor they can get.

    Returns:
        Milliseconds from an edge to the red light, and to the buzzer for edges at which it was silent; rising.
    """
    dice, lights_ms, buzzer_ms = Random(1), list[float](), list[float]()
    with tempfile.TemporaryDirectory() as folder, _running(Path(folder)) as settings, _busy(busy):
        pin = Device.pin_factory.pin
        lids = [pin(basin.lid_pin) for basin in settings.basins]
        reds = [pin(basin.light.red) for basin in settings.basins if basin.light]
        buzzer = pin(_BUZZER)
        opens_s = [time.perf_counter() + 3.0 + dice.uniform(*_CLOSED_S) for _ in lids]
        for lid in lids:
            lid.drive_low()
        for _ in range(openings):
            n = min(range(len(lids)), key=opens_s.__getitem__)
            time.sleep(max(0.0, opens_s[n] - time.perf_counter()))
            silent = not buzzer.state
            edge_s = time.perf_counter()
            lids[n].drive_high()
            lights_ms.append(_after(edge_s, reds[n]))
            if silent:
                buzzer_ms.append(_after(edge_s, buzzer))
            lids[n].drive_low()
            opens_s[n] = time.perf_counter() + dice.uniform(*_CLOSED_S)
    return sorted(lights_ms), sorted(buzzer_ms)


def report_pin(openings: int) -> list[Limit]:
    """Lid edge to local output pin."""
    print(f"Lid edge to local output pin: {openings} openings before met, {_BASINS} basins, real time, ms")
    waiting = os.getloadavg()[0]
    print(f"{waiting:.1f} processes ran or waited on {os.cpu_count()} processors before: more than those disturb this")
    rows, limits = [], []
    for busy in (0, BUSY):
        lights_ms, buzzer_ms = edge_to_pin(openings, busy)
        beside = f"{busy} busy processes beside" if busy else "nothing beside"
        for name, each in ((f"red light, {beside}", lights_ms), (f"buzzer, {beside}", buzzer_ms)):
            rows.append((name, f"{len(each)}", *(f"{share_of(each, share):.1f}" for share in (0.5, 0.99, 1))))
            p99_ms = share_of(each, 0.99)
            if not busy:
                limits.append(Limit(f"{name}: p99 {p99_ms:.1f} ms (less than {MOST_PIN_MS:.0f})", p99_ms < MOST_PIN_MS))
    print_table(("", "edges", "p50", "p99", "longest"), rows, width=10, first=40)
    return limits


def report_page(_openings: int) -> list[Limit]:
    """From the lid's edge to the record and to an open page, at a thousand basins: see `alarm_latency.py`."""
    holds = alarm_latency.main() == 0
    return [Limit("lid edge to record and page at 1,000 basins: see its table above", holds)]


def report_truth(_openings: int) -> list[Limit]:
    """Thirty days of the demo beside what its simulator did: see `alarm_truth.py`."""
    found = alarm_truth.main(DAYS)
    return [
        Limit(f"false high alarms for each basin and shift: {found.for_each:.3f} (less than 1)", found.for_each < 1),
        Limit(f"soaks opened early without an alarm: {len(found.missed)} of {found.early} (none)", not found.missed),
    ]


PARTS: dict[str, Callable[[int], list[Limit]]] = {"pin": report_pin, "page": report_page, "truth": report_truth}
"""Each prints its table and says which limits hold."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the parts; 1 where a limit does not hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", choices=PARTS, action="append", help="only this one")
    parser.add_argument("--openings", type=int, default=OPENINGS)
    options = parser.parse_args(arguments)
    limits = [limit for part in options.part or PARTS for limit in PARTS[part](options.openings)]
    print()
    for limit in limits:
        print(limit)
    return 0 if all(limit.holds for limit in limits) else 1


if __name__ == "__main__":
    sys.exit(main())
