"""What became of a node's readings, counted beside its outbox: taken, told, safe on the card, given up."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from firmware.outbox import Outbox
from soak.ranges import Range, Ranges
from soak.reading import Reading
from tests.simulated.clocks import MachineClock
from tests.simulated.truth import Basin


class WrittenIsLostError(AssertionError):
    """The card had a reading, and after a start it is not there."""


@dataclass
class TrueStream:
    """What became of one stream, as nobody but the simulator can know.

    Attributes:
        clock: The clocks of its boot.
        sampled: Every reading taken, number 1 first.
        told: So many of them the node has spoken of: those that its card has taken, or which it sends from memory
            because the card takes nothing.
        safe: So many of them the card has taken.
        given_up: Numbers that the node spoke of and cannot bring any more: there was no room for them, or the card was
            damaged, or they were only in the memory of a process that was killed.
    """

    stream: str
    node: str
    basin: Basin
    clock: MachineClock
    sampled: list[Reading] = field(default_factory=list)
    told: int = 0
    safe: int = 0
    given_up: Ranges = field(default_factory=Ranges)


class Account:
    """Every stream that a node ever began.

    Attributes:
        streams: All of them, oldest first.
        current: Those that its process writes, or wrote last, by basin.
    """

    def __init__(self) -> None:
        self.streams: list[TrueStream] = []
        self.current: dict[str, TrueStream] = {}
        self._on_card: dict[str, Ranges] = {}

    def begin(self, stream: TrueStream) -> None:
        """A stream begins."""
        self.streams.append(stream)
        self.current[stream.basin.name] = stream

    def all_safe(self) -> None:
        """The card has everything."""
        for stream in self.current.values():
            stream.safe = stream.told

    def leave(self, outbox: Outbox) -> None:
        """Its process has ended: what it held in memory alone is gone, what the card has must be there again."""
        for stream in self.current.values():
            if stream.told > stream.safe:
                stream.given_up.add(stream.safe + 1, stream.told)
        self._on_card = {}
        for stream in self.streams:
            held = outbox.held(stream.stream)
            self._on_card[stream.stream] = Ranges(common(held, 1, stream.safe)) if stream.safe else Ranges()

    def look(self, outbox: Outbox, *, damaged: bool) -> None:
        """After a start: what the card had must be there; of a damaged one it shows what is gone."""
        told = {each.stream: each.newest for each in outbox.streams()}
        for stream in self.streams:
            held = self._on_card.get(stream.stream, Ranges())
            left = outbox.held(stream.stream)
            gone = [piece for each in held for piece in left.missing(*each)]
            if gone and not damaged and not outbox.dropped:
                raise WrittenIsLostError(f"a start has cost {gone} of stream {stream.stream[:8]}, which were written")
            for piece in gone:
                stream.given_up.add(*piece)
            if damaged:  # what it does not know any more, it cannot tell anybody
                stream.safe = min(stream.safe, told.get(stream.stream, 0))

    @contextmanager
    def writing(self, outbox: Outbox) -> Iterator[None]:
        """The outbox writes: what it held before and does not hold afterwards, it has given up, and counts it."""
        self.note_told(outbox)
        before = [(each, outbox.held(each.stream)) for each in self.streams]
        lost, dropped = self._given_up(), outbox.dropped
        yield
        self.note_told(outbox)
        for stream, held in before:
            left = outbox.held(stream.stream)
            for piece in (gone for each in held for gone in left.missing(*each)):
                stream.given_up.add(*piece)
        lost, dropped = self._given_up() - lost, outbox.dropped - dropped
        if lost != dropped:
            raise WrittenIsLostError(f"a write has cost {lost} readings, the outbox says {dropped}")

    def _given_up(self) -> int:
        return sum(stream.given_up.count() for stream in self.streams)

    def note_told(self, outbox: Outbox) -> None:
        """The node has spoken of further readings; those that it cannot bring any more, it gave up at once."""
        newest = {each.stream: each.newest for each in outbox.streams()}
        for stream in self.current.values():
            told = newest.get(stream.stream, 0)
            if told > stream.told:
                for gone in outbox.held(stream.stream).missing(stream.told + 1, told):
                    stream.given_up.add(*gone)
                stream.told = told


def common(ranges: Ranges, first: int, last: int) -> list[Range]:
    """The parts of `first` to `last` that are in the set."""
    return Ranges(ranges.missing(first, last)).missing(first, last)
