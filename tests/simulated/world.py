"""One simulated clinic: nodes, broker, collector and clocks under a scheduler that lets everything go wrong.

Everything that happens follows from the seed. Time passes only where the scheduler says so, nothing waits or sleeps.
"""

from __future__ import annotations

import random
import secrets
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar
from unittest import mock

from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from firmware.conversation import STATE_EVERY_MS
from tests.simulated.broker import Broker
from tests.simulated.clinic import Clinic
from tests.simulated.clocks import Time
from tests.simulated.node import NodeMake, SimulatedNode
from tests.simulated.truth import Basin

FULL, LOCKED = "database or disk is full", "database is locked"
MOST_ROUNDS = 150
"""Rounds after the last fault within which everything must have arrived. Each is five seconds of true time."""

_ROUND_MS = 5_000
Result = TypeVar("Result")
_LONG_AGO, _OF_LATE = datetime(1970, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC)


class DoesNotDrainError(AssertionError):
    """Faults have stopped, and something still waits."""


@dataclass(frozen=True)
class Plan:
    """What kind of world a seed makes.

    Attributes:
        ticks: How often nodes tick before faults stop.
        faults: Chance of each fault at each step, by its name.
    """

    ticks: int
    faults: dict[str, float]


class World:
    """A clinic made from a seed.

    Args:
        seed: What everything follows from.
        folder: Where its nodes and its collector keep their data.
        trace: Called with a line for every step.
    """

    def __init__(self, seed: int, folder: Path, trace: Callable[[str], None] | None = None) -> None:
        self.seed, self.steps = seed, 0
        self.time = Time()
        self._rng = rng = random.Random(seed)
        self._trace = trace
        self.broker = Broker(rng, most_waiting=rng.choice((8, 60, 100_000)), reorders=rng.random() < 0.25)
        self.plan = self._planned()
        self.broker.repeats = rng.choice((0.0, 0.05))
        self.broker.loses = rng.choice((0.0, 0.0, 0.02, 0.2))
        self.nodes = [self._node(number, folder) for number in range(1, rng.choice((1, 1, 2)) + 1)]
        self.settings = self._site()
        most_waiting = rng.choice((10, 100_000))
        self.clinic = Clinic(
            folder / "collector", self.settings, time=self.time, broker=self.broker, most_waiting=most_waiting
        )
        self.happened: Counter[str] = Counter()

    def run(self, at_end: Callable[[World], Result]) -> Result:
        """Everything goes wrong; then nothing any more, until all has arrived.

        Args:
            at_end: Looks at what came of it.

        Returns:
            What that saw.

        Raises:
            AssertionError: Something that must never be.
        """
        with self._seeded_names(), self._small_sizes(), ExitStack() as cleaning:
            cleaning.callback(self._close)
            self.clinic.start()
            for node in self.nodes:
                node.start()
            ticks = 0
            while ticks < self.plan.ticks:
                ticks += self._step()
            self._drain()
            return at_end(self)

    # Making

    def _planned(self) -> Plan:
        rng = self._rng
        faults = {name: rng.choice((0.0, rate, rate * 3)) for name, rate in _FAULTS.items()}
        return Plan(rng.choice((25, 50, 50, 110)), faults)

    def _node(self, number: int, folder: Path) -> SimulatedNode:
        rng = self._rng
        basins = []
        for basin in range(1, rng.choice((1, 1, 2, 3)) + 1):
            sensors = tuple(f"28-{number:04x}{basin:04x}000{each}" for each in range(rng.choice((1, 1, 2))))
            basins.append(Basin(f"b{basin}", sensors, rng))
        make = NodeMake(
            most_bytes=rng.choice((None, None, 24_576)),
            most_under_way=rng.choice((30, 20_000)),
            resend_ms=rng.choice((3_000, 10_000)),
        )
        name = f"n{number}"
        return SimulatedNode(name, folder / name, basins, make, time=self.time, broker=self.broker, rng=rng)

    def _site(self) -> Settings:
        contact, max_gap = self._rng.choice(("6s", "6s", "10s", "62s")), self._rng.choice(("5s", "2s"))
        maximum = self._rng.choice((None, None, "21.6"))
        required = RequirementSettings("20", contact, maximum, max_gap, since=self._rng.choice((_LONG_AGO, _OF_LATE)))
        basins = [
            BasinSettings(
                node.name,
                basin.name,
                f"Basin {basin.name} of {node.name}",
                {sensor: SensorSettings(u_c="0.5") for sensor in basin.sensors},
                requirement=required,
            )
            for node in self.nodes
            for basin in node.basins
        ]
        return Settings("Clinic at the Weir", BrokerSettings(), basins)

    @contextmanager
    def _seeded_names(self) -> Iterator[None]:
        """Streams and the like get names from the seed."""
        names = random.Random(self.seed ^ 0x5EED)
        with mock.patch.object(secrets, "token_hex", lambda size: f"{names.getrandbits(8 * size):0{2 * size}x}"):
            yield

    @contextmanager
    def _small_sizes(self) -> Iterator[None]:
        """What takes hours or thousands of readings in a clinic happens here within a minute, in some worlds."""
        with ExitStack() as patches:
            patches.enter_context(mock.patch("firmware.outbox_file.LEAST_BYTES", 0))
            for names in _SIZES:
                if self._rng.random() < 0.5:
                    for name, size in names.items():
                        patches.enter_context(mock.patch(name, size))
            yield

    def _close(self) -> None:
        for node in self.nodes:
            if node.running:
                node.kill()
        self.clinic.close()

    # Going on

    def _step(self) -> int:
        """One thing happens; returns how many ticks."""
        fault = self._fault()
        if fault:
            self.happened[fault] += 1
            getattr(self, f"_{fault}")()
            return 0
        what = self._rng.choices(_STEPS, _STEP_WEIGHTS)[0]
        return 1 if getattr(self, f"_{what}")() else 0

    def _fault(self) -> str:
        """The fault that happens now; mostly none."""
        chance = self._rng.random()
        for name, rate in self.plan.faults.items():
            chance -= rate
            if chance < 0:
                return name
        return ""

    def say(self, what: str) -> None:
        """A line of the trace."""
        self.steps += 1
        if self._trace:
            self._trace(f"{self.steps:6} {self.time.now_ms / 1000:9.3f} s  {what}")

    def _running(self) -> SimulatedNode | None:
        running = [node for node in self.nodes if node.running]
        return self._rng.choice(running) if running else None

    def _tick(self) -> bool:
        """The next tick that is due, perhaps a little late; a node that is down may start again instead."""
        node = min(self.nodes, key=lambda each: each.next_tick_ms)
        self.time.pass_ms(max(0, node.next_tick_ms - self.time.now_ms) + self._rng.choice((0, 0, 1, 7)))
        if not node.running:
            node.start()
            self.say(f"{node.name} starts, streams {[each.stream[:8] for each in node.streams[-len(node.basins) :]]}")
            return True
        node.tick()
        if self._trace:
            taken = [(each.basin.name, len(each.sampled)) for each in node.streams[-len(node.basins) :]]
            self.say(f"{node.name} ticks, taken {taken}")
        return True

    def _write(self) -> None:
        if node := self._running():
            node.write()
            if self._trace:
                self.say(f"{node.name} writes, {node.held()} held")

    def _converse(self) -> None:
        if node := self._running():
            node.converse()
            self.say(f"{node.name} converses")

    def _move(self) -> None:
        if wires := self.broker.movable():
            self.say(self.broker.move(self._rng.choice(wires)))

    def _move_many(self) -> None:
        for _ in range(self._rng.randrange(2, 12)):
            self._move()

    def _connect(self) -> None:
        clients = [node.client for node in self.nodes if node.running]
        if self.clinic.running:
            clients.append(self.clinic.client)
        for client in clients:
            if client.connection is None and self._rng.random() < 0.5:
                client.connect()
                self.say(f"{client.name} connects")

    def _notice(self) -> None:
        """Somebody finds out that a connection is gone."""
        for connection in self.broker.unnoticed():
            if self._rng.random() < 0.3:
                self.broker.notice(connection)
                self.say(f"the broker misses {connection.client.name}")
        for client in [node.client for node in self.nodes if node.running] + [self.clinic.client]:
            if client.connection is not None and client.connection.cut and self._rng.random() < 0.5:
                client.notice()
                self.say(f"{client.name} misses the broker")

    def _take(self) -> None:
        if not self.clinic.running:
            self.clinic.start()
            self.say("the collector starts")
        elif self.clinic.waiting:
            self.clinic.take(self._rng.randrange(1, 20))
            self.say(f"the collector takes; {len(self.clinic.waiting)} wait, {len(self.clinic.unsent)} receipts unsent")

    def _send(self) -> None:
        while self.clinic.running and self.clinic.unsent:
            self.clinic.send()
            self.say("the collector sends a receipt")

    # Going wrong

    def _cut(self) -> None:
        if alive := self.broker.alive():
            connection = self._rng.choice(alive)
            connection.lose()
            self.say(f"FAULT the connection of {connection.client.name} is cut")

    def _kill_node(self) -> None:
        if node := self._running():
            node.kill()
            again = self._rng.random() < 0.7
            if again:
                node.start()
            else:
                node.next_tick_ms = self.time.now_ms + self._rng.randrange(500, 20_000)
            self.say(f"FAULT {node.name} is killed" + (", starts again" if again else ""))

    def _stop_node(self) -> None:
        if node := self._running():
            node.stop()
            node.next_tick_ms = self.time.now_ms + self._rng.randrange(100, 5_000)
            self.say(f"FAULT {node.name} is stopped in good order")

    def _reboot_node(self) -> None:
        if node := self._running():
            node.kill()
            self.time.pass_ms(self._rng.choice((1_000, 30_000)))
            node.reboot(in_1970=self._rng.random() < 0.5)
            node.next_tick_ms = self.time.now_ms
            self.say(f"FAULT {node.name} reboots, its wall clock {'in 1970' if node.clock.in_1970 else 'right'}")

    def _damage_card(self) -> None:
        """Power goes, and a part of the card turns to nonsense: what still reads is sent, the rest is lost."""
        if node := self._running():
            node.kill()
            gone = node.damage()
            node.reboot(in_1970=False)
            node.next_tick_ms = self.time.now_ms + self._rng.randrange(1_000, 5_000)
            self.say(f"FAULT {node.name} reboots, on its card {gone} are nonsense")

    def _card_fails(self) -> None:
        if node := self._running():
            times = self._rng.choice((1, 1, 2, 6))
            for _ in range(times):
                node.write(failing=FULL)
            self.say(f"FAULT the card of {node.name}: {FULL}, {times} times")

    def _renew_client(self) -> None:
        if node := self._running():
            node.renew_client()
            self.say(f"FAULT {node.name} builds its client anew")

    def _stall(self) -> None:
        self.time.pass_ms(self._rng.choice((500, 1_500, 4_500, 8_000)))
        self.say("FAULT everything stalls")

    def _step_clock(self) -> None:
        if node := self._running():
            self.say(f"FAULT the wall clock of {node.name} steps by {node.clock.step(self._rng)} ms")

    def _sync_clock(self) -> None:
        """A clock that began in 1970 hears the time."""
        node = self._running()
        if node and node.clock.in_1970:
            node.clock.set_right()
            self.say(f"FAULT the wall clock of {node.name} is set right")

    def _kill_collector(self) -> None:
        if self.clinic.running:
            self.say(f"FAULT the collector is killed, {len(self.clinic.unsent)} receipts unsent")
            self.clinic.kill()
            self.clinic.reopen_eyes()

    def _disk_fails(self) -> None:
        if self.clinic.running and self.clinic.waiting:
            problem = self._rng.choice((FULL, LOCKED))
            self.clinic.take(self._rng.randrange(1, 20), failing=problem)
            self.say(f"FAULT the collector's disk: {problem}")

    def _restart_broker(self) -> None:
        forgets = self._rng.random() < 0.6
        self.broker.restart(forgets=forgets)
        self.say(f"FAULT the broker restarts{' and has forgotten everything' if forgets else ''}")

    # The end

    def _drain(self) -> None:
        """No more faults: what is due happens in good order until nothing waits."""
        self.broker.loses = self.broker.repeats = 0.0
        for node in self.nodes:
            node.clock.set_right()
            if node.running:
                node.tick()
        for _ in range(MOST_ROUNDS):
            self.time.pass_ms(_ROUND_MS)
            self._round()
            if not (waits := self._waits()):
                break
        else:
            raise DoesNotDrainError(f"after {MOST_ROUNDS} rounds without a fault: {'; '.join(waits)}")
        self.time.pass_ms(STATE_EVERY_MS)  # what is lost of a stream that is being written, the next state tells
        self._round()

    def _round(self) -> None:
        if not self.clinic.running:
            self.clinic.start()
        for node in self.nodes:
            if not node.running:
                node.start()
            node.write()
        for connection in self.broker.unnoticed():
            self.broker.notice(connection)
        for client in [node.client for node in self.nodes] + [self.clinic.client]:
            client.notice()
            client.connect()
        for _ in range(3):
            self._all_arrives()
            for node in self.nodes:
                node.converse()
                node.write()
        self.say("a quiet round")

    def _all_arrives(self) -> None:
        while wires := self.broker.movable():
            self.broker.move(wires[0])
            if self.clinic.waiting:
                self.clinic.take(500)
            while self.clinic.unsent:
                self.clinic.send()

    def _waits(self) -> list[str]:
        """What has not come to its end."""
        waits = [f"{node.name} holds {node.held()} readings" for node in self.nodes if node.held()]
        listed: list[str] = []
        for node in self.nodes:
            told = [held.stream for held in node.outbox.streams()]
            listed += told
            old = [stream[:8] for stream in told if stream not in [each.stream for each in node.current()]]
            if old:
                waits.append(f"{node.name} still lists {', '.join(old)}")
        rows = self.clinic.look().execute("SELECT stream FROM stream WHERE over = 0").fetchall()
        current = {each.stream for node in self.nodes for each in node.current()}
        if still_open := [stream[:8] for (stream,) in rows if stream not in current]:
            waits.append(f"the collector still follows {', '.join(still_open)}")
        return waits


_SIZES: tuple[dict[str, int], ...] = (
    {"firmware.outbox.MERGE_AT": 8, "firmware.outbox.MERGE": 4, "firmware.outbox_step.MERGE": 4},
    {"firmware.outbox.TIDY_EVERY": 3, "firmware.outbox.FREE_SLOTS": 2},
    {"firmware.outbox.FULL_EVERY": 3},
    {"firmware.outbox.MOST_RECENT": 20},
    {"collector.tracker.MOST_READINGS": 7},
    {"collector.tracker._PAGE_AFTER_CLOSED_MS": 3_000},
)

_FAULTS = {
    "cut": 0.004,
    "kill_node": 0.003,
    "stop_node": 0.001,
    "reboot_node": 0.002,
    "damage_card": 0.001,
    "card_fails": 0.003,
    "renew_client": 0.001,
    "stall": 0.003,
    "step_clock": 0.004,
    "sync_clock": 0.004,
    "kill_collector": 0.003,
    "disk_fails": 0.003,
    "restart_broker": 0.002,
}
"""How often each fault happens at a step, where a seed has it at all; some have it three times as often."""

_STEP_RATES = {
    "tick": 10,
    "write": 10,
    "converse": 8,
    "move": 10,
    "move_many": 8,
    "connect": 3,
    "notice": 2,
    "take": 8,
    "send": 5,
}
_STEPS, _STEP_WEIGHTS = list(_STEP_RATES), list(_STEP_RATES.values())
