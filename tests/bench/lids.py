"""Basins whose lids go up and down far more often than in any clinic, each move noted when it is published."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from soak.reading import Lid, Reading, Why
from soak.wire import Batch, Topic
from tests.bench.bench_basins import Due, Load, Station
from tests.bench.load import Basin
from tests.collector.kit import BOOT, clock_at

FIRST_CLOSED_S = 2.0
LEAST_APART_S = 3.0
"""Between two moves of one lid: each has been seen before the next, also by somebody who looks once a second."""


class Move(NamedTuple):
    """A lid goes up or down.

    Attributes:
        at_s: When its reading was published, on `time.perf_counter`.
        key: The basin, "node/name".
        lid: "open" or "closed".
    """

    at_s: float
    key: str
    lid: str


class MovingStation(Station):
    """A basin whose lid moves at these moments, open at first.

    Attributes:
        sent_s: When the reading of each move was published, seconds from the beginning, by when it was due.
    """

    def __init__(self, basin: Basin, moves_s: Sequence[float], booted_utc_ms: int) -> None:
        super().__init__(basin, iter(()))
        self.sent_s: dict[float, float] = {}
        self._moves_s, self._booted_utc_ms = moves_s, booted_utc_ms

    def message(self, now_s: float, due_s: float) -> bytes:
        """The next reading; of a move its moment is noted."""
        if due_s in self._moves_s:
            self.sent_s[due_s] = now_s
        return super().message(now_s, due_s)

    def batch(self, due_s: float) -> Batch:
        """A reading of this moment, as its node would take it."""
        ms = 1_000 + round(due_s * 1_000)
        why = Why.LID if due_s in self._moves_s else Why.TICK
        reading = Reading(ms, why, Lid(self.lid(due_s)), {self.basin.sensor: 21_250})
        clock = clock_at(ms, booted_utc_ms=self._booted_utc_ms)
        return Batch(self.basin.stream, self.basin.name, BOOT, self.sent, clock, [reading])

    def lid(self, due_s: float) -> str:
        """How the lid is at a moment."""
        return "closed" if sum(each <= due_s for each in self._moves_s) % 2 else "open"

    def edges(self) -> Iterator[Due]:
        """Readings besides those of every second."""
        return (Due(each_s, Topic.READINGS, self.basin.stream) for each_s in self._moves_s)

    def moves(self, began_s: float) -> Iterator[Move]:
        """What was published."""
        key = f"{self.basin.node}/{self.basin.name}"
        return (Move(began_s + sent_s, key, self.lid(due_s)) for due_s, sent_s in self.sent_s.items())


def moving(taking: Sequence[Basin], seconds: int, apart_s: float, booted_utc_ms: int) -> list[MovingStation]:
    """Every lid moves at random moments, so many seconds apart on the average."""
    chance, found = random.Random(1), []
    for basin in taking:
        moves_s, at_s = [], FIRST_CLOSED_S + chance.uniform(0, apart_s)
        while at_s < seconds - 1:
            moves_s.append(at_s)
            at_s += LEAST_APART_S + chance.expovariate(1 / max(0.1, apart_s - LEAST_APART_S))
        found.append(MovingStation(basin, moves_s, booted_utc_ms))
    return found


def load(port: int, stations: Sequence[MovingStation], seconds: int, booted_utc_ms: int) -> Load:
    """All nodes, as `tests.bench.bench_basins` lets them send."""
    edges = sorted(due for each in stations for due in each.edges())
    return Load(port, stations, seconds, booted_utc_ms, edges)


def booted_now_ms() -> int:
    """The boot of nodes that begin to send now."""
    return int(time.time() * 1_000) - 1_000
