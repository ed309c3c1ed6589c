"""The messages that the benches publish: what nodes would send, made before the clock starts."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import NamedTuple

from soak.reading import Lid, Reading, Why
from soak.wire import Batch
from tests.collector.kit import BOOT, BOOTED_UTC_MS, clock_at, stream_id

BASINS_OF_A_NODE = 4


class Basin(NamedTuple):
    """One basin with its one sensor and its one stream."""

    node: str
    name: str
    sensor: str
    stream: str


def basins(count: int, of_a_node: int = BASINS_OF_A_NODE) -> list[Basin]:
    """So many basins, spread over nodes."""
    return [
        Basin(f"n{i // of_a_node + 1}", f"b{i % of_a_node + 1}", f"28-{i + 1:012x}", stream_id(i + 1))
        for i in range(count)
    ]


def readings(count: int, sensor: str, seed: int = 1) -> Iterator[Reading]:
    """Readings once a second: twelve minutes and a bit closed, half a minute open, a step of noise now and then."""
    chance, mc = random.Random(seed), 21_250
    start = chance.randrange(780)  # basins are not opened all at the same moment
    for number in range(count):
        if chance.random() < 0.05:
            mc = min(max(mc + chance.choice([-62, 63, -63, 62]), 18_000), 26_000)
        lid = Lid.OPEN if (start + number) % 780 < 30 else Lid.CLOSED
        yield Reading(1_000 * (number + 1) + chance.randint(0, 3), Why.TICK, lid, {sensor: mc})


def batches(basin: Basin, taken: Iterable[Reading], size: int, booted_utc_ms: int = BOOTED_UTC_MS) -> Iterator[Batch]:
    """A basin's readings in messages of so many; each is stamped when its newest was taken."""
    rest, first = iter(taken), 1
    while part := list(islice(rest, size)):
        clock = clock_at(part[-1].ms, booted_utc_ms=booted_utc_ms)
        yield Batch(basin.stream, basin.name, BOOT, first, clock, part)
        first += len(part)
