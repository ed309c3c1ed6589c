"""One node: ticks once a second, takes readings, keeps them until a receipt covers them, signals at its basins.

Wires everything together.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import shutil
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from firmware.board import Board, Edge, Switch
from firmware.clock import STEP_MS, Clock, read_together
from firmware.commissioned import filed
from firmware.edges import EdgeWatch
from firmware.errors import FirmwareError, StuckError
from firmware.kept_orders import KeptOrders
from firmware.misnamed import MisnamedWatch
from firmware.orders import OrdersInHand
from firmware.outbox import Outbox
from firmware.sampler import VALID_MS, Sampler, current
from firmware.sensors import Sensors
from firmware.settings import Settings
from firmware.sides import Sides
from firmware.signalling import Signalling
from firmware.source import Source
from firmware.uplink import Uplink
from firmware.version import software_version
from firmware.watch import Pulse, Watch
from host.disk import DiskCount
from host.notify import Notifier
from soak import wire
from soak.reading import Reading, Why

log = logging.getLogger(__name__)

TICK_MS = 1_000

MOST_STILL_S = 30.0
"""The loop never stands still for long: nothing in it waits for a disk, a sensor or a network."""

MOST_UNKEPT_S = 30.0
"""A commit takes a fraction of a second, on a card that stalls some seconds; beyond that people should know."""

WRITER_STILL_S = 600.0
"""A writer whose disk fails still moves; one that does not hangs with its card. That may yet come back, and meanwhile
another start of the node could not even open the outbox: so it is given long."""

MOST_SILENT_MS = 60_000
"""Real time without a word from the collector that is nothing to tell anybody: a restart of it, or of the broker, takes
less. Our own choice."""

URGENT_EVERY_MS = 1_000
"""A movement's reading goes to the disk, and from there to the collector, at once; more of them than this wait for the
tick, so that a switch that flickers wears no card out."""

_GRACE_S = 10.0  # for an orderly end, when a part of the node is stuck
_LOOK_S = 0.2  # how often it looks whether to stop
_LEAST_VALID_S = 0.25  # real time: at a rehearsal's speed a busy machine's pause is not the sensor's


class Node:
    """The whole node, wired together.

    Args:
        settings: Checked settings.
        clock: The machine's own, or a rehearsal's.
        sources: Further readings to send beside its own, such as the simulator's past days; older than its own.
        on_ready: Called once from `run`, when the pins exist and before anything is read from them: setting up a pin
            as an input resets a mock pin's level to its pull-up, so a simulator sets its levels here.
        notifier: Tells systemd how the node is.
        abort: Ends the process when the loop itself is stuck, so that nothing else can; it does not come back.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        sources: Sequence[Source] = (),
        *,
        on_ready: Callable[[], None] | None = None,
        notifier: Notifier | None = None,
        abort: Callable[[FirmwareError], None] = lambda _: None,
    ) -> None:
        self._settings, self._clock, self._sources, self._on_ready = settings, clock, tuple(sources), on_ready
        self._valid_ms = max(VALID_MS, round(_LEAST_VALID_S / clock.real_s(1)))
        # No SimpleQueue: up to Python 3.12 its `get` waits for ever if a signal, or another process, takes the rest of
        # its time between two of its steps. The loop took no reading then until a lid moved, nor ended when asked to.
        self._edges: queue.Queue[Edge] = queue.Queue()
        self._samplers: dict[str, Sampler] = {}
        self._sides = Sides([basin.name for basin in settings.basins], self._wake)
        self._urgent_ms: dict[str, int] = {}
        self._taken: list[tuple[str, Reading]] = []
        self._uplink: Uplink | None = None
        self._notifier, self._abort = notifier or Notifier({}), abort
        self._pulse, self._kept = Pulse("the node's loop", MOST_STILL_S), Pulse("the outbox's writer", WRITER_STILL_S)
        self._watch = Watch(self._notifier.feed, self._give_up)
        self._stuck: StuckError | None = None
        self._left = threading.Event()  # the loop has been left
        self._edge_watch, self._reopened, self._polling = EdgeWatch(), False, False
        self._lid_levels: dict[str, bool] = {}  # replaced whole at each tick, but while lids are polled

    @property
    def orders(self) -> OrdersInHand | None:
        """What the node goes by; None before any orders came."""
        return self._uplink.orders if self._uplink else None

    @property
    def sides(self) -> list[wire.BasinSide]:
        """What is said and shown at each basin."""
        return self._sides.said

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set; then say goodbye and close everything.

        Raises:
            OutboxError: Readings cannot be kept.
            BoardError: The pins cannot be used.
            LinkError: A file named for the broker cannot be used.
            StuckError: A part of the node stands still and cannot be set going again.
        """
        settings = self._settings
        self._outbox = Outbox(Path(settings.data_dir), self._clock, most_bytes=most_bytes(settings))
        self._filed, self._misnamed = filed(Path(settings.data_dir)), MisnamedWatch(settings)
        try:
            self._board = Board(settings, self._clock, self._edges)
            try:
                all_sensors = [sensor for basin in settings.basins for sensor in basin.sensors]
                self._sensors = Sensors(all_sensors, Path(settings.w1_devices), self._clock)
                self._signalling = Signalling(self._board, [basin.name for basin in settings.basins])
                self._uplink = uplink = self._new_uplink()
                if self._on_ready:
                    self._on_ready()
                self._work(uplink, stop)
            finally:
                self._board.close()
        finally:
            self._outbox.close()

    def _new_uplink(self) -> Uplink:
        settings, clock = self._settings, self._clock
        sensors = {basin.name: frozenset(basin.sensors) for basin in settings.basins}
        return Uplink(
            settings,
            clock,
            [*self._sources, self._outbox],
            self._sensors_seen,
            version=software_version(),
            troubles=self._troubles,
            basins=lambda: self._sides.said,
            disk=DiskCount(Path(settings.data_dir), settings.card_rated_tb).now,
            commissioned=self._filed.commissioned,
            lids=lambda: dict(self._lid_levels),
            kept=KeptOrders(Path(settings.data_dir), settings.node, sensors, clock),
        )

    def _work(self, uplink: Uplink, stop: threading.Event) -> None:
        basins = [basin.name for basin in self._settings.basins]
        log.info("node started node=%s boot=%s basins=%s", self._settings.node, self._clock.boot_id, ",".join(basins))
        self._sensors.start()
        self._signalling.start()
        self._begin()
        self._outbox.start(self._on_commit)
        uplink.start()
        self._start_watch(uplink)
        try:
            self._tick_on(stop)
            self._notifier.say("STOPPING=1")
            for basin, sampler in self._samplers.items():
                self._take(basin, sampler.end())
            self._hand_over()
            self._outbox.flush()
        finally:
            self._left.set()
            self._watch.close()
            uplink.close()
            self._sensors.close()
            self._signalling.close()
            log.info("node stopped node=%s", self._settings.node)

    def _start_watch(self, uplink: Uplink) -> None:
        self._pulse.of(threading.current_thread())
        self._kept.moved()
        self._watch.add(self._pulse)
        self._watch.add(self._kept)
        self._sensors.watch(self._watch)
        self._signalling.watch(self._watch)
        uplink.watch(self._watch)
        self._watch.start()
        basins = ", ".join(basin.name for basin in self._settings.basins)
        self._notifier.say("READY=1", f"STATUS=Watching {basins}")

    def _on_commit(self) -> None:
        self._kept.moved()
        self._wake()

    def _wake(self) -> None:
        if self._uplink:
            self._uplink.wake()

    def _give_up(self, error: StuckError) -> None:
        """Asked from the watch's thread: end in order if the loop still can."""
        self._stuck = error
        self._notifier.say(f"STATUS={error}")
        if not self._left.wait(_GRACE_S):
            self._abort(error)

    def _check(self) -> None:
        """Raise what keeps the node from doing its work."""
        self._outbox.check()
        if not self._outbox.alive:
            raise StuckError("the outbox's writer", "has ended")
        if self._stuck:
            raise self._stuck

    def _troubles(self) -> list[str]:
        """What is wrong with the node itself now; asked from the uplink's thread."""
        troubles = [f"the lid of basin {basin} reports no edges; it is polled" for basin in self._edge_watch.dead()]
        if problem := self._outbox.trouble:
            troubles.append(f"the disk takes no readings: {problem}")
        elif self._kept.ailment(MOST_UNKEPT_S):
            troubles.append("the disk takes no readings: it does not answer")
        ailment = self._signalling.ailment()
        troubles += [*self._misnamed.troubles(), *([self._filed.trouble] if self._filed.trouble else [])]
        return [*troubles, *self._sides.troubles(), *([ailment] if ailment else [])]

    def _begin(self) -> None:
        """The first reading of every basin."""
        news, ms = self._sensors.newest(), self._clock.boot_ms()
        for basin in self._settings.basins:
            self._outbox.begin(basin.name, basin.sensors)
            sampler = Sampler(
                basin.sensors, ms, closed=self._board.closed(basin.name), news=news, valid_ms=self._valid_ms
            )
            self._samplers[basin.name] = sampler
            self._take(basin.name, sampler.start())

    def _tick_on(self, stop: threading.Event) -> None:
        """Tick on an absolute schedule, so that nothing adds up; a tick that is late is taken once, not made up for."""
        boot_ms, utc_ms = read_together(self._clock)
        offset_ms, next_ms = utc_ms - boot_ms, boot_ms + TICK_MS
        while not stop.is_set():
            self._wait(next_ms)
            self._pulse.moved()
            if self._clock.boot_ms() < next_ms:
                continue
            boot_ms, utc_ms = read_together(self._clock)
            stepped = abs(utc_ms - boot_ms - offset_ms) > STEP_MS
            if stepped:
                log.warning("node wall clock stepped by_ms=%s", utc_ms - boot_ms - offset_ms)
            offset_ms = utc_ms - boot_ms
            self._tick(Why.CLOCK if stepped else Why.TICK)
            self._hand_over()
            self._check()
            next_ms = next_tick_ms(next_ms, self._clock.boot_ms())

    def _wait(self, next_ms: int) -> None:
        """Take in edges until the tick is due, or it is time to look around."""
        now_ms = self._clock.boot_ms()
        due_ms = min([next_ms] + [ms for sampler in self._samplers.values() if (ms := sampler.settles_ms) is not None])
        wait_s = min(_LOOK_S, self._clock.real_s(max(0, due_ms - now_ms)))
        with contextlib.suppress(queue.Empty):
            self._take_edge(self._edges.get(timeout=max(wait_s, 0.0005)))
        self._take_edges()
        if self._polling:
            self._poll_lids()
        self._follow()

    def _poll_lids(self) -> None:
        """Where edges are not reported, a change of level is one, seen a little late: that only shrinks a soak."""
        for basin, sampler in self._samplers.items():
            ms, closed = self._clock.boot_ms(), self._board.closed(basin)
            if closed is not self._lid_levels.get(basin):
                self._take(basin, sampler.lid_edge(ms, closed=closed, news=self._sensors.newest()))
                self._lid_levels[basin] = closed

    def _mind_edges(self, levels: dict[str, bool]) -> None:
        """Edges that do not come any more: open the pins anew, once; if that does not help, look more often."""
        self._lid_levels = levels
        for basin, closed in levels.items():
            self._edge_watch.polled(basin, closed=closed)
        dead = self._edge_watch.dead()
        if not dead and self._board.edges_live():
            self._polling = False
            return
        if self._polling:
            return
        if self._reopened:
            log.error("node edges dead basins=%s; their lids are polled", ",".join(dead))
            self._polling = True
            return
        log.error("node edges dead basins=%s; the pins are opened anew", ",".join(dead))
        self._reopened = True
        self._board.reopen()
        self._edge_watch.renewed()

    def _take_edges(self) -> None:
        """All edges so far; then what has settled by the time before the last of them was asked for."""
        now_ms = self._clock.boot_ms()
        while not self._edges.empty():
            self._take_edge(self._edges.get())
        for basin, sampler in self._samplers.items():
            if sampler.settles_ms is not None:
                self._take(basin, sampler.settle(now_ms))

    def _take_edge(self, edge: Edge) -> None:
        sampler, news = self._samplers[edge.basin], self._sensors.newest()
        if edge.switch is Switch.LID:
            self._edge_watch.edge(edge.basin, closed=edge.active)
            self._reopened = False
            self._take(edge.basin, sampler.lid_edge(edge.ms, closed=edge.active, news=news))
        else:
            self._take(edge.basin, sampler.button_edge(edge.ms, pressed=edge.active, news=news))

    def _tick(self, why: Why) -> None:
        """Poll every lid and take a reading of every basin."""
        for _ in range(3):
            self._take_edges()
            levels = {basin: self._board.closed(basin) for basin in self._samplers}
            if self._edges.empty():  # else an edge came between: a level older than it would contradict it
                break
        news, ms = self._sensors.newest(), self._clock.boot_ms()
        for basin, sampler in self._samplers.items():
            self._take(basin, sampler.tick(ms, closed=levels[basin], news=news, why=why))
        self._mind_edges(levels)

    def _take(self, basin: str, readings: Sequence[Reading]) -> None:
        """Readings are certain now: the first who hears of them are the people at the basin."""
        if not readings:
            return
        self._taken += [(basin, reading) for reading in readings]
        self._follow(basin, readings)
        if any(reading.why in (Why.LID, Why.BUTTON) for reading in readings):
            now_ms = readings[-1].ms
            if now_ms - self._urgent_ms.get(basin, -URGENT_EVERY_MS) >= URGENT_EVERY_MS:
                self._urgent_ms[basin] = now_ms
                self._hand_over(urgent=True)

    def _follow(self, basin: str = "", readings: Sequence[Reading] = ()) -> None:
        """Lights and buzzer follow what stands now."""
        silent = self._uplink is not None and self._uplink.silent_ms >= MOST_SILENT_MS
        self._sides.follow(
            self._clock.boot_ms(),
            self._signalling,
            self.orders,
            collector_silent=silent,
            basin=basin,
            readings=readings,
        )

    def _hand_over(self, *, urgent: bool = False) -> None:
        if self._taken:
            self._outbox.append(self._taken, urgent=urgent)
            self._taken = []

    def _sensors_seen(self) -> list[wire.SensorSeen]:
        """How the sensors are now; asked from the uplink's thread."""
        news, now_ms = self._sensors.newest(), self._clock.boot_ms()
        seen = []
        for basin in self._settings.basins:
            for sensor in basin.sensors:
                result = current(news, sensor, now_ms, self._valid_ms)
                seen.append(wire.SensorSeen(sensor, basin.name, "" if isinstance(result, int) else result.code))
        return seen


def next_tick_ms(due_ms: int, now_ms: int) -> int:
    """The tick after the one that was due at `due_ms`, on the same schedule: those missed meanwhile are left out."""
    return due_ms + max(1, (now_ms - due_ms) // TICK_MS + 1) * TICK_MS


def most_bytes(settings: Settings) -> int | None:
    """What the outbox may take: its share of the disk that its folder is on, or will be; None where nobody can tell."""
    folder = Path(settings.data_dir)
    for place in (folder, *folder.parents):
        with contextlib.suppress(OSError):  # it does not exist yet
            return int(shutil.disk_usage(place).total * settings.outbox_share)
    return None
