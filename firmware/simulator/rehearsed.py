"""One simulated node: the real firmware, with a world moving behind its pins and sensors."""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
import time
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

from firmware.clock import RehearsalClock
from firmware.settings import Settings
from firmware.simulator.commissioned import commission_once
from firmware.simulator.history import History, make_history
from firmware.simulator.live import SCENES
from firmware.simulator.memory import Memory, keep, recall
from firmware.simulator.pins import Hand
from firmware.simulator.scenario import Scenario, ScenarioError
from firmware.simulator.script import DAY_MS
from firmware.simulator.wire1 import Tree
from firmware.simulator.world import PlayedOut, World
from soak.rehearsal import Rehearsal
from soak.wire import BasinSide

log = logging.getLogger(__name__)

POWER_CUT = "power cut"
"""The line before a simulated power cut kills the process; `soakledger demo` reads it."""

_BOOTED_BEFORE_MS = 60_000  # a first boot is this old when it begins to read
_PAST_ENDS_BEFORE_MS = 20_000 - min(offset_ms for offset_ms, _ in SCENES.values())
"""The last past load is out before the first lid of a scene is lifted: a basin holds one load at a time."""

_BOOTING_MS = 500

_COMMISSIONED_BEFORE_MS = 3 * 3_600_000
"""So long before the first past day; in the demonstration's settings the requirements hold from the day before it."""


def tree_root(settings: Settings) -> Path:
    """The folder of the simulated 1-Wire tree: below the node's data, nowhere else.

    Raises:
        ScenarioError: The settings look for sensors elsewhere, such as on a real bus.
    """
    root = Path(settings.data_dir) / "1-wire"
    expected = root / "bus" / "w1" / "devices"
    if Path(settings.w1_devices) != expected:
        raise ScenarioError(
            f"The settings read sensors from {settings.w1_devices}. A rehearsal must not be mixed up with real "
            f"sensors and real readings: use settings of its own, with w1_devices = {str(expected)!r}."
        )
    return root


def _say(line: str) -> None:
    """One line to whoever watches; nobody watching is no reason to stop."""
    try:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - for the rest of the process


class Rehearsed:
    """One simulated node with everything behind it.

    Args:
        settings: The node's.
        scenario: What is behind it.
        rehearsal: The shared clock.
        seed: The clinic's.
        history_days: How many past days a first run sends.
        memory_file: Where it remembers.
    """

    def __init__(
        self,
        settings: Settings,
        scenario: Scenario,
        rehearsal: Rehearsal,
        *,
        seed: int,
        history_days: int,
        memory_file: Path,
    ) -> None:
        self._settings, self._scenario, self._rehearsal, self._seed = settings, scenario, rehearsal, seed
        self._root, self._memory_file = tree_root(settings), memory_file
        for basin in settings.basins:
            scenario.basin(basin.name)
        before = recall(memory_file)
        self._first = before is None or before.rehearsal != rehearsal.text()
        self._entered_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
        now_ms = rehearsal.utc_ms(self._entered_ms)
        offset_ms = time.localtime(now_ms / 1000).tm_gmtoff * 1000
        self._memory = before or Memory(
            rehearsal.text(), now_ms, history_days, now_ms - _PAST_ENDS_BEFORE_MS, offset_ms
        )
        self._history = self._make_history()
        self._stop = threading.Event()
        self._failed: BaseException | None = None

    def _make_history(self) -> History:
        memory = self._memory
        basins = {basin.name: (self._scenario.basin(basin.name), basin.sensors) for basin in self._settings.basins}
        return make_history(
            self._settings.node,
            basins,
            seed=self._seed,
            days=memory.history_days,
            end_ms=memory.history_end_ms,
            utc_offset_ms=memory.utc_offset_ms,
            finished=memory.finished,
            on_finished=self._finished,
        )

    def _finished(self, stream: str) -> None:
        self._memory.finished.append(stream)
        keep(self._memory_file, self._memory)

    def run(self) -> None:
        """Work until SIGTERM or SIGINT, or until a simulated power cut ends the process.

        Raises:
            FirmwareError: The node cannot work.
        """
        from firmware.node import Node  # noqa: PLC0415 - hardware libraries only now, with mock pins

        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._stop.set())
        since_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000 - self._entered_ms
        booted_ago_ms = _BOOTED_BEFORE_MS if self._first else since_ms * self._rehearsal.speed + _BOOTING_MS
        clock = RehearsalClock(self._rehearsal, str(uuid.uuid4()), booted_ago_ms)
        threads: list[threading.Thread] = []

        def ready() -> None:
            world = self._world(clock, lambda: node.sides)
            world.set_up()
            threads.append(self._thread("world", world.run))

        memory = self._memory
        commission_once(self._settings, memory.history_end_ms - memory.history_days * DAY_MS - _COMMISSIONED_BEFORE_MS)
        node = Node(self._settings, clock, (self._history,), on_ready=ready)
        try:
            node.run(self._stop)
        finally:
            self._stop.set()
            for thread in threads:
                thread.join()
        if self._failed:
            raise self._failed

    def _world(self, clock: RehearsalClock, sides: Callable[[], Sequence[BasinSide]]) -> World:
        from gpiozero import Device  # noqa: PLC0415

        memory, settings = self._memory, self._settings
        if self._first:
            memory.rehearsal, memory.began_ms = self._rehearsal.text(), clock.utc_ms()
            keep(self._memory_file, memory)
        basins = [
            PlayedOut(
                basin,
                self._scenario.basin(basin.name),
                f"{settings.node}/{basin.name}",
                seed=self._seed,
                began_ms=memory.began_ms,
                utc_offset_ms=memory.utc_offset_ms,
            )
            for basin in settings.basins
        ]
        tree = Tree(self._root, [sensor for basin in settings.basins for sensor in basin.sensors])
        hand = Hand(Device.pin_factory.pin, clock.real_s, Random(f"{self._seed}/{settings.node}/hand"))  # noqa: S311
        return World(basins, tree=tree, hand=hand, clock=clock, tell=self._tell, cut_power=_cut_power, sides=sides)

    def _tell(self, utc_ms: int, words: str) -> None:
        at = time.strftime("%H:%M:%S", time.gmtime((utc_ms + self._memory.utc_offset_ms) / 1000))
        _say(f"{at}  {words}")

    def _thread(self, name: str, target: Callable[[threading.Event], None]) -> threading.Thread:
        """A thread whose failure stops the node instead of leaving it with a world that stands still."""

        def work() -> None:
            try:
                target(self._stop)
            except BaseException as error:
                log.exception("%s stopped", name)
                self._failed = error
                self._stop.set()

        thread = threading.Thread(target=work, name=name)
        thread.start()
        return thread


def _cut_power() -> None:
    """End at once, as a power cut does: nothing is flushed, nobody says goodbye."""
    _say(POWER_CUT)
    os.kill(os.getpid(), signal.SIGKILL)
