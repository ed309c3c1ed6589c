"""What honest nodes send, seeded: readings one by one and many at once, faults, states, last wills, out of order."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from random import Random

from kit import BOOT, BOOT_2, SECOND, SENSOR, clock_at, stream_id
from mutations import Message

from soak.ranges import Ranges
from soak.reading import Fault, Lid, Reading, Why
from soak.wire import Batch, HeldStream, SensorSeen, State, Topic, encode

THIRD = "28-00000000000c"
FAULTS = ("crc", "no-answer", "stale", "power-on")


@dataclass
class Source:
    """One stream of one node, as sampled, and how far it has been sent."""

    node: str
    basin: str
    boot: str
    stream: str
    sensors: tuple[str, ...]
    readings: list[Reading]
    sent_to: int = 0
    delivered: Ranges = field(default_factory=Ranges)
    waiting: deque[tuple[int, int]] = field(default_factory=deque)

    def message(self, first: int, last: int) -> Message:
        """These readings as one message."""
        readings = self.readings[first - 1 : last]
        content = Batch(self.stream, self.basin, self.boot, first, clock_at(readings[-1].ms), readings)
        return Message(Topic.READINGS.of(self.node), encode(content))

    def held(self) -> HeldStream:
        """As an honest state message lists it."""
        missing = self.delivered.missing(1, self.sent_to) if self.sent_to else []
        oldest = missing[0][0] if missing else self.sent_to + 1
        return HeldStream(self.stream, self.basin, oldest, self.sent_to, self.boot)


def sampled(rng: Random, sensors: Sequence[str], count: int) -> list[Reading]:
    """Lid open and closed in turn, temperatures about the limit now and then, faults, pauses, clock steps."""
    readings, ms, lid, left, mc = [], 500, Lid.OPEN, 5, 21_000
    for _ in range(count):
        why = Why.TICK
        if left == 0:
            lid = Lid.CLOSED if lid is Lid.OPEN else Lid.OPEN
            left = rng.randrange(30, 90) if lid is Lid.CLOSED else rng.randrange(1, 6)
            why, mc = Why.LID, rng.choice((21_000, 21_000, 20_520, 20_400))
        left -= 1
        ms += 5_001 if rng.random() < 0.002 else rng.choice((1_000,) * 30 + (1_001, 999, 400, 5_000))
        step = {sensor: mc + rng.randrange(-1, 2) * 62 for sensor in sensors}
        fault = {sensor: Fault(rng.choice(FAULTS), "4b017f") for sensor in sensors if rng.random() < 0.02}
        values = {sensor: None if sensor in fault else step[sensor] for sensor in sensors}
        readings.append(Reading(ms, why if rng.random() < 0.99 else Why.BUTTON, lid, values, fault))
    return readings


class Traffic:
    """Messages of honest nodes without end, until their readings are sent.

    Args:
        seed: Of everything random.
        count: Readings of each stream.
        node: Prefix of the nodes' names.
        first_stream: Number from which the streams' ids are made.
    """

    def __init__(self, seed: int, count: int, node: str, first_stream: int) -> None:
        self._rng = Random(seed)
        one, two = f"{node}1", f"{node}2"
        plan = [(one, "b1", (SENSOR,)), (one, "b2", (SENSOR, SECOND)), (two, "b1", (SENSOR, SECOND, THIRD))]
        self.sources = [
            Source(where, basin, BOOT if where == one else BOOT_2, stream_id(number), sensors, [])
            for number, (where, basin, sensors) in enumerate(plan, first_stream)
        ]
        for source in self.sources:
            source.readings = sampled(self._rng, source.sensors, count)

    def messages(self) -> Iterator[Message]:
        """Everything they send, in the order of arrival: some of it late, some of it twice, all of it in the end."""
        rng = self._rng
        while open_sources := [each for each in self.sources if each.sent_to < len(each.readings) or each.waiting]:
            source = rng.choice(open_sources)
            chance = rng.random()
            if chance < 0.04:
                yield self._state(source.node)
            elif chance < 0.05:
                yield Message(Topic.STATE.of(source.node), encode(State(up=False)))
            else:
                yield from self._readings(source)
        for node in sorted({source.node for source in self.sources}):
            yield self._state(node)

    def _readings(self, source: Source) -> Iterator[Message]:
        rng, chance = self._rng, self._rng.random()
        if chance < 0.05 and source.sent_to:  # sent again
            first = rng.randrange(1, source.sent_to + 1)
            yield self._delivered(source, first, min(source.sent_to, first + rng.randrange(10)))
            return
        if source.sent_to < len(source.readings):
            count = rng.choice((1,) * 10 + (2, 2, 10, 25))
            first, source.sent_to = source.sent_to + 1, min(len(source.readings), source.sent_to + count)
            source.waiting.append((first, source.sent_to))
        if chance < 0.15 and source.sent_to < len(source.readings):  # overtaken by what comes next
            return
        while source.waiting:
            if chance < 0.4 and len(source.waiting) > 1:
                source.waiting.rotate(1)
            yield self._delivered(source, *source.waiting.popleft())

    @staticmethod
    def _delivered(source: Source, first: int, last: int) -> Message:
        source.delivered.add(first, last)
        return source.message(first, last)

    def _state(self, node: str) -> Message:
        mine = [source for source in self.sources if source.node == node]
        newest_ms = max(source.readings[max(source.sent_to, 1) - 1].ms for source in mine)
        held = [source.held() for source in mine if source.sent_to]
        seen = [SensorSeen(sensor, source.basin) for source in mine for sensor in source.sensors]
        content = State(
            True, "0.1.0", mine[0].boot, clock_at(newest_ms), held, seen, 12, 0, {"not-json": 1}, ["disk 91 %"]
        )
        return Message(Topic.STATE.of(node), encode(content))
