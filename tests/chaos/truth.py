"""What really happened, put together from what the nodes wrote down and from the outboxes of those that were killed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from soak.ranges import Ranges
from soak.reading import Reading
from tests.chaos import tap
from tests.chaos.clinic import Clinic, Spot
from tests.chaos.disk import KEY_DIGITS, Run


@dataclass(frozen=True)
class LidClosed:
    """A time during which a lid was closed without a break in one life of its node, as the simulator moved it.

    Times are on the rehearsal's wall clock.

    Attributes:
        closed_ms: Between these two moments it closed; for one that was closed when the node started, then.
        opened_ms: Between these two it opened; None if the node did not live to see it.
    """

    closed_ms: tuple[int, int]
    opened_ms: tuple[int, int] | None

    @property
    def surely_ms(self) -> int | None:
        """How long it was closed at least; None if nobody saw it open."""
        return None if self.opened_ms is None else self.opened_ms[0] - self.closed_ms[1]

    @property
    def perhaps_ms(self) -> int | None:
        """How long it was closed at most; None if nobody saw it open."""
        return None if self.opened_ms is None else self.opened_ms[1] - self.closed_ms[0]


@dataclass
class TrueStream:
    """One stream.

    Attributes:
        begun: What was written down when it was begun.
        spot: The basin.
        taken: Every reading that was handed to the outbox, by number.
        kept: Numbers that the outbox committed.
        lids: What its lid did meanwhile.
    """

    begun: tap.Begun
    spot: Spot
    taken: dict[int, Reading] = field(default_factory=dict)
    kept: Ranges = field(default_factory=Ranges)
    lids: list[LidClosed] = field(default_factory=list)

    def __str__(self) -> str:
        return f"stream {self.begun.stream[:8]} of {self.spot.node}/{self.spot.basin}"

    def readings(self) -> list[tuple[int, Reading]]:
        """What the outbox committed, in the order of the numbers."""
        return [(number, self.taken[number]) for first, last in self.kept for number in range(first, last + 1)]


@dataclass
class Truth:
    """All streams by their id, those of each basin in the order in which they were begun."""

    streams: dict[str, TrueStream] = field(default_factory=dict)

    def of(self, spot: Spot) -> list[TrueStream]:
        """The streams of a basin of which anything was committed, oldest first."""
        return [stream for stream in self.streams.values() if stream.spot == spot and len(stream.kept)]

    def kept(self) -> int:
        """How many readings were committed."""
        return sum(stream.kept.count() for stream in self.streams.values())


def tell(clinic: Clinic, on_disk: Iterable[Run] = ()) -> Truth:
    """Read what the nodes wrote down.

    Args:
        clinic: Whose.
        on_disk: What the outboxes of killed nodes held: committed, though the node may have been killed before it wrote
            that down.
    """
    truth = Truth()
    for node in clinic.nodes:
        spots = {spot.basin: spot for spot in clinic.spots if spot.node == node}
        for life in tap.lives(clinic.taps(node)):
            _live_through(truth, spots, life)
    _keep(truth, on_disk)
    return truth


def _live_through(truth: Truth, spots: dict[str, Spot], life: list[tap.Record]) -> None:
    moves: defaultdict[str, list[tap.Moved]] = defaultdict(list)
    begun: list[TrueStream] = []
    kept: list[Run] = []
    for record in life:
        match record:
            case tap.Begun(stream, basin):
                begun.append(TrueStream(record, spots[basin]))
                truth.streams[stream] = begun[-1]
            case tap.Taken(readings):
                for stream, number, reading in readings:
                    truth.streams[stream].taken[number] = reading
            case tap.Kept(runs):
                kept += runs
            case tap.Moved(basin):
                moves[basin].append(record)
    _keep(truth, kept)
    for each in begun:
        each.lids = closed(moves[each.spot.basin])


def _keep(truth: Truth, runs: Iterable[Run]) -> None:
    by_key = {stream[:KEY_DIGITS]: each for stream, each in truth.streams.items()}
    for key, first, last in runs:
        by_key[key].kept.add(first, last)


def closed(moves: Sequence[tap.Moved]) -> list[LidClosed]:
    """When a lid was closed, from its movements in one life of its node."""
    found: list[LidClosed] = []
    since: tap.Moved | None = None
    for move in moves:
        if move.closed:
            since = since or move
        elif since:
            found.append(LidClosed((since.before_ms, since.after_ms), (move.before_ms, move.after_ms)))
            since = None
    return [*found, LidClosed((since.before_ms, since.after_ms), None)] if since else found
