"""What to send next: fresh readings at once, then the backlog, oldest first, and again what no receipt covers. Pure.

The broker's acknowledgement does not matter here: only a receipt says that the collector's disk has a reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from soak.ranges import Range, Ranges

MOST_UNDER_WAY = 20_000
"""Readings sent that no receipt covers yet, over all streams; bounds what the broker must keep for the collector."""

MOST_IN_BATCH = 500
RESEND_MS = 10_000
LONGEST_RESEND_MS = 160_000
"""While no receipt comes at all, the collector is away: asking more and more rarely keeps the broker's queue short."""


class Offer(NamedTuple):
    """A stream and what it holds.

    Attributes:
        stream: Its id.
        held: Numbers that no receipt has covered.
        current: It is still being written: its readings from now on are fresh.
    """

    stream: str
    held: Ranges
    current: bool


class Parcel(NamedTuple):
    """Consecutive readings of one stream to send in one message."""

    stream: str
    first: int
    last: int


class _Flight(NamedTuple):
    parcel: Parcel
    sent_ms: int


class Window:
    """Keeps account of what is under way. Times are milliseconds of any clock that only rises.

    Args:
        most: Readings under way at most.
        batch: Readings in one message at most.
        resend_ms: How long a receipt may take before its readings are sent again.
    """

    def __init__(self, most: int = MOST_UNDER_WAY, batch: int = MOST_IN_BATCH, resend_ms: int = RESEND_MS) -> None:
        self._most, self._batch, self._resend_ms = most, batch, resend_ms
        self._patience_ms = resend_ms
        self._answered_ms = 0  # when a receipt last covered something, or the connection was made
        self._flights: list[_Flight] = []
        self._current: set[str] = set()
        self._fresh_from: dict[str, int] = {}  # per current stream: what is older is backlog
        self._sent: dict[str, Ranges] = {}  # per current stream: everything ever sent

    def connected(self, now_ms: int) -> None:
        """The connection is new: what was read before it is backlog, and what was under way is due soon."""
        self._answered(now_ms)
        self._fresh_from.clear()

    def plan(self, now_ms: int, offers: Sequence[Offer]) -> list[Parcel]:
        """Everything that may be sent now, in this order.

        Args:
            now_ms: Now.
            offers: All streams, oldest first.
        """
        self._expire(now_ms)
        self._current = {offer.stream for offer in offers if offer.current}
        under_way: dict[str, Ranges] = {}
        for flight in self._flights:
            under_way.setdefault(flight.parcel.stream, Ranges()).add(flight.parcel.first, flight.parcel.last)
        fresh: list[Parcel] = []
        backlog: list[Parcel] = []
        for offer in offers:
            taken = under_way.get(offer.stream, Ranges())
            fresh_from = self._border(offer)
            for first, last in offer.held:
                for gap_first, gap_last in taken.missing(first, last):
                    if gap_first < fresh_from:
                        backlog.append(Parcel(offer.stream, gap_first, min(gap_last, fresh_from - 1)))
                    if gap_last >= fresh_from:
                        fresh.append(Parcel(offer.stream, max(gap_first, fresh_from), gap_last))
        return list(self._within([*fresh, *backlog], self._most - self.under_way()))

    def sent(self, parcel: Parcel, now_ms: int) -> None:
        """A parcel of the plan was handed to the broker's client."""
        self._flights.append(_Flight(parcel, now_ms))
        if parcel.stream in self._current:
            self._sent.setdefault(parcel.stream, Ranges()).add(parcel.first, parcel.last)
            self._fresh_from[parcel.stream] = max(parcel.last + 1, self._fresh_from[parcel.stream])

    def receipt(self, stream: str, ranges: Iterable[Range], now_ms: int) -> list[Range]:
        """A receipt covers these numbers of a stream.

        Returns:
            What may be released: of a stream that is still being written only what was sent, for nobody else can have
            the rest. Of an earlier one all, for an earlier start of the node may have sent it.

        Raises:
            ValueError: A range that ends before it begins.
        """
        covered = Ranges(ranges)
        if stream in self._current:
            sent = self._sent.get(stream, Ranges())
            covered = Ranges(both for first, last in sent for both in _common(covered, first, last))
        left: list[_Flight] = []
        for flight in self._flights:
            parcel = flight.parcel
            pieces = [(parcel.first, parcel.last)]
            if parcel.stream == stream:
                pieces = covered.missing(parcel.first, parcel.last)
            if pieces == [(parcel.first, parcel.last)]:
                left.append(flight)
            else:
                self._answered(now_ms)
                left += [_Flight(Parcel(stream, *piece), flight.sent_ms) for piece in pieces]
        self._flights = left
        return list(covered)

    def under_way(self) -> int:
        """Readings sent that no receipt covers yet."""
        return sum(flight.parcel.last - flight.parcel.first + 1 for flight in self._flights)

    def next_due_ms(self) -> int | None:
        """When something must be sent again, if nothing happens."""
        return min((flight.sent_ms + self._patience_ms for flight in self._flights), default=None)

    def _border(self, offer: Offer) -> int:
        """The first fresh number of a stream: of one that is not written any more, none is."""
        newest = offer.held.last or 0
        if offer.current:
            return self._fresh_from.setdefault(offer.stream, newest + 1)
        self._fresh_from.pop(offer.stream, None)
        self._sent.pop(offer.stream, None)
        return newest + 1

    def _expire(self, now_ms: int) -> None:
        waiting = [flight for flight in self._flights if flight.sent_ms + self._patience_ms > now_ms]
        expired = len(waiting) < len(self._flights)
        self._flights = waiting
        if expired and now_ms - self._answered_ms >= self._patience_ms:
            self._patience_ms = min(self._patience_ms * 2, max(LONGEST_RESEND_MS, self._resend_ms))

    def _answered(self, now_ms: int) -> None:
        self._answered_ms, self._patience_ms = now_ms, self._resend_ms

    def _within(self, parcels: Iterable[Parcel], room: int) -> Iterable[Parcel]:
        for stream, first, last in parcels:
            for start in range(first, last + 1, self._batch):
                end = min(start + self._batch - 1, last, start + room - 1)
                if end < start:
                    return
                room -= end - start + 1
                yield Parcel(stream, start, end)


def _common(covered: Ranges, first: int, last: int) -> list[Range]:
    """The parts of `first` to `last` that are in `covered`."""
    return Ranges(covered.missing(first, last)).missing(first, last)
