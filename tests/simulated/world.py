"""One simulated clinic: nodes, broker, collector and clocks under a scheduler that lets everything go wrong.

Everything that happens follows from the seed. Time passes only where the scheduler says so, nothing waits or sleeps.
"""

from __future__ import annotations

import random
import secrets
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from tests.simulated.broker import Broker
from tests.simulated.clinic import Clinic
from tests.simulated.clocks import Time
from tests.simulated.node import NodeMake, SimulatedNode
from tests.simulated.truth import Basin

_LONG_AGO, _OF_LATE = datetime(1970, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC)


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
        rates: Chance of each fault at a step, by its name, where a world has it at all.
        folder: Where its nodes and its collector keep their data.
        trace: Called with a line for every step.
    """

    def __init__(
        self, seed: int, rates: Mapping[str, float], folder: Path, trace: Callable[[str], None] | None = None
    ) -> None:
        self.seed, self.steps = seed, 0
        self.time = Time()
        self.rng = rng = random.Random(seed)
        self._trace = trace
        self.broker = Broker(rng, most_waiting=rng.choice((8, 60, 100_000)), reorders=rng.random() < 0.25)
        self.plan = self._planned(rates)
        self.broker.repeats = rng.choice((0.0, 0.05))
        self.broker.loses = rng.choice((0.0, 0.0, 0.02, 0.2))
        self.nodes = [self._node(number, folder) for number in range(1, rng.choice((1, 1, 2)) + 1)]
        self.settings = self._site()
        most_waiting = rng.choice((10, 100_000))
        self.clinic = Clinic(
            folder / "collector", self.settings, time=self.time, broker=self.broker, most_waiting=most_waiting
        )
        self.happened: Counter[str] = Counter()

    # Making

    def _planned(self, rates: Mapping[str, float]) -> Plan:
        rng = self.rng
        faults = {name: rng.choice((0.0, rate, rate * 3)) for name, rate in rates.items()}
        return Plan(rng.choice((25, 50, 50, 110)), faults)

    def _node(self, number: int, folder: Path) -> SimulatedNode:
        rng = self.rng
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
        contact, max_gap = self.rng.choice(("6s", "6s", "10s", "62s")), self.rng.choice(("5s", "2s"))
        maximum = self.rng.choice((None, None, "21.6"))
        required = RequirementSettings("20", contact, maximum, max_gap, since=self.rng.choice((_LONG_AGO, _OF_LATE)))
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
    def seeded_names(self) -> Iterator[None]:
        """Streams and the like get names from the seed."""
        names = random.Random(self.seed ^ 0x5EED)
        with mock.patch.object(secrets, "token_hex", lambda size: f"{names.getrandbits(8 * size):0{2 * size}x}"):
            yield

    @contextmanager
    def small_sizes(self) -> Iterator[None]:
        """What takes hours or thousands of readings in a clinic happens here within a minute, in some worlds."""
        with ExitStack() as patches:
            patches.enter_context(mock.patch("firmware.outbox_file.LEAST_BYTES", 0))
            for names in _SIZES:
                if self.rng.random() < 0.5:
                    for name, size in names.items():
                        patches.enter_context(mock.patch(name, size))
            yield

    def close(self) -> None:
        """Every process ends."""
        for node in self.nodes:
            if node.running:
                node.kill()
        self.clinic.close()

    @property
    def tracing(self) -> bool:
        """Somebody reads the trace."""
        return self._trace is not None

    def say(self, what: str) -> None:
        """A line of the trace."""
        self.steps += 1
        if self._trace:
            self._trace(f"{self.steps:6} {self.time.now_ms / 1000:9.3f} s  {what}")

    def running(self) -> SimulatedNode | None:
        """Some node whose process runs; None if none does."""
        running = [node for node in self.nodes if node.running]
        return self.rng.choice(running) if running else None


_SIZES: tuple[dict[str, int], ...] = (
    {"firmware.outbox.MERGE_AT": 8, "firmware.outbox.MERGE": 4, "firmware.outbox_step.MERGE": 4},
    {"firmware.outbox.TIDY_EVERY": 3, "firmware.outbox.FREE_SLOTS": 2},
    {"firmware.outbox.FULL_EVERY": 3},
    {"firmware.outbox.MOST_RECENT": 20},
    {"collector.tracker.MOST_READINGS": 7},
    {"collector.tracker._PAGE_AFTER_CLOSED_MS": 3_000},
)
