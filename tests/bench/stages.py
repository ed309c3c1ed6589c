"""What each step of taking readings in costs: every step's own functions called alone, on the same messages.

No profiler, so nothing is made slower by being looked at. What the whole intake needs beyond the sum of the steps is
whatever lies between them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.clock import wall_clock
from collector.intake import Arrived, Intake
from collector.readings import Anchors, Piece, add_anchor, offset_ms
from collector.sealing import seal_pages
from collector.service import MOST_BYTES, MOST_MESSAGES
from collector.settings import load
from collector.store import Store, StreamRow
from soak.exposure import Meter
from soak.reading import Reading
from soak.requirement import SensorTerms
from soak.wire import Batch, decode, parse_topic
from tests.bench.load import Basin
from tests.bench.measuring import settings_text
from tests.collector.kit import BOOT, NEED

STAGES = ("decode", "meter", "insert", "seal", "commit", "rest")
RUN = 780
"""Readings from one opening of the simulated basins to the next: what becomes a page."""


class Stopwatch:
    """Processor time of this process, added up by name, seconds."""

    def __init__(self) -> None:
        self.spent_s: dict[str, float] = {}

    @contextmanager
    def of(self, name: str) -> Iterator[None]:
        """Count what is done inside."""
        began_s = time.process_time()
        yield
        self.spent_s[name] = self.spent_s.get(name, 0.0) + time.process_time() - began_s


def stages(taking: Sequence[Basin], messages: Sequence[Arrived]) -> dict[str, float]:
    """Microseconds of processor time a reading.

    Args:
        taking: The basins.
        messages: Theirs, as they arrive; as many go into one commit as the collector puts into one.

    Returns:
        For each of `STAGES` and for "whole".
    """
    watch = Stopwatch()
    with opened(taking) as store, watch.of("whole"):
        intake = Intake(store, wall_clock())
        for part in commits(messages):
            intake.take(part)
    with watch.of("decode"):
        decoded = [decode(parse_topic(each.topic)[1], each.payload) for each in messages]
    found = [each for each in decoded if isinstance(each, Batch)]
    lengths = [len(part) for part in commits(messages)]
    with watch.of("meter"):
        _judge(found)
    with opened(taking) as store:
        rows = {each.stream: _stream(store, each) for each in taking}
        _insert(store, rows, found, lengths, watch)
        with store.transaction():
            _seal(store, rows, found, watch)
    spent_s = watch.spent_s
    spent_s["rest"] = spent_s["whole"] - sum(spent_s[name] for name in STAGES[:-1])
    count = sum(len(batch.readings) for batch in found)
    return {name: seconds * 1e6 / count for name, seconds in spent_s.items()}


@contextmanager
def opened(taking: Sequence[Basin]) -> Iterator[Store]:
    """A store as the collector has it, on the disk."""
    with TemporaryDirectory() as name:
        file = Path(name) / "collector.toml"
        file.write_text(settings_text(1, taking))
        store = Store(Path(name) / "data", wall_clock())
        try:
            store.apply(load(file))
            yield store
        finally:
            store.close()


def commits(messages: Sequence[Arrived]) -> Iterator[list[Arrived]]:
    """Messages as the collector puts them into commits when they come faster than it takes them in."""
    part: list[Arrived] = []
    part_bytes = 0
    for message in messages:
        part.append(message)
        part_bytes += len(message.payload)
        if len(part) == MOST_MESSAGES or part_bytes >= MOST_BYTES:
            yield part
            part, part_bytes = [], 0
    if part:
        yield part


def _stream(store: Store, basin: Basin) -> StreamRow:
    with store.transaction():
        return store.add_stream(basin.stream, basin.node, basin.name, BOOT)


def _judge(found: Sequence[Batch]) -> None:
    feeds: dict[str, Callable[[int, Reading], object]] = {}
    for batch in found:
        if batch.stream not in feeds:
            terms = {sensor: SensorTerms(u_mc=500) for sensor in batch.readings[0].mc}
            feeds[batch.stream] = Meter(NEED, terms).feed
        feed = feeds[batch.stream]
        for number, reading in enumerate(batch.readings, batch.first):
            feed(number, reading)


def _insert(
    store: Store, rows: dict[str, StreamRow], found: Sequence[Batch], lengths: Sequence[int], watch: Stopwatch
) -> None:
    """Each stream's part of a commit is one row, as the intake puts it together; the commit is counted apart."""
    rest = iter(found)
    for length in lengths:
        gathered = _gathered(list(islice(rest, length)))
        with watch.of("commit"), store.transaction():
            began_s = time.process_time()
            for stream, (first, readings, anchors) in gathered.items():
                store.add_batch(rows[stream].id, first, readings, anchors)
            inserting_s = time.process_time() - began_s
        watch.spent_s["commit"] -= inserting_s
        watch.spent_s["insert"] = watch.spent_s.get("insert", 0.0) + inserting_s


def _gathered(found: Sequence[Batch]) -> dict[str, tuple[int, list[Reading], Anchors]]:
    gathered: dict[str, tuple[int, list[Reading], Anchors]] = {}
    for batch in found:
        _, readings, anchors = gathered.setdefault(batch.stream, (batch.first, [], []))
        add_anchor(anchors, len(readings), batch.clock)
        readings += batch.readings
    return gathered


def _seal(store: Store, rows: dict[str, StreamRow], found: Sequence[Batch], watch: Stopwatch) -> None:
    clock = found[-1].clock
    for stream, (_, readings, _) in _gathered(found).items():
        for start in range(0, len(readings), RUN):
            piece = Piece(start + 1, readings[start : start + RUN], clock, offset_ms(clock))
            with watch.of("seal"):
                seal_pages(store, rows[stream], [piece])
