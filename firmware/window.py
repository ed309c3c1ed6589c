"""What to send next: fresh readings at once, then the backlog, oldest first, and again what no receipt covers. Pure.

Only a receipt says that the collector's disk has a reading. That the broker took a message says only that it is not on
its way to the broker any more: from then on a receipt may be expected, and only then is it worth sending again.
"""

from __future__ import annotations

from collections import defaultdict
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
    due_ms: int  # sent again then, where no receipt has covered it
    tries: int  # how often it was sent
    message: int | None  # its message, while the broker has not taken it: then it is on its way, and not due

    def due(self, now_ms: int) -> bool:
        return self.message is None and self.due_ms <= now_ms


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
        """The connection is new: what was read before it is backlog, and what was under way is due soon.

        What the broker had not taken has gone with the connection before: that is due at once.
        """
        self._answered_ms, self._patience_ms = now_ms, self._resend_ms
        self._fresh_from.clear()
        soon_ms = now_ms + self._resend_ms
        self._flights = [
            flight._replace(due_ms=min(flight.due_ms, soon_ms if flight.message is None else now_ms), message=None)
            for flight in self._flights
        ]

    def current(self, streams: Iterable[str]) -> None:
        """These streams are being written now; `plan` says the same."""
        self._current = set(streams)

    def plan(self, now_ms: int, offers: Sequence[Offer]) -> list[Parcel]:
        """Everything that may be sent now, in this order.

        Args:
            now_ms: Now.
            offers: All streams, oldest first.
        """
        self.current(offer.stream for offer in offers if offer.current)
        self._forget_gone(now_ms, offers)
        under_way = _by_stream(self._flights)
        due = _by_stream(flight for flight in self._flights if flight.due(now_ms))
        fresh: list[Parcel] = []
        again: list[Parcel] = []
        backlog: list[Parcel] = []
        for offer in offers:
            fresh_from = self._border(offer)
            for held in offer.held:
                again += [Parcel(offer.stream, *piece) for piece in _common(due[offer.stream], *held)]
                for first, last in under_way[offer.stream].missing(*held):
                    if first < fresh_from:
                        backlog.append(Parcel(offer.stream, first, min(last, fresh_from - 1)))
                    if last >= fresh_from:
                        fresh.append(Parcel(offer.stream, max(first, fresh_from), last))
        room = self._most - self.under_way()
        first_ones = self._cut(fresh, room)
        room -= sum(map(_size, first_ones))
        return first_ones + self._cut(again, self._most) + self._cut(backlog, room)

    def sent(self, parcel: Parcel, now_ms: int, message: int | None = None) -> None:
        """A parcel of the plan was handed to the broker's client.

        Args:
            parcel: The parcel.
            now_ms: Now.
            message: What `taken` will name; until then it is on its way. None: the broker has it already.
        """
        others = self._without(parcel.stream, Ranges([(parcel.first, parcel.last)]))
        again = _total(others) < self.under_way()
        if again and now_ms - self._answered_ms >= self._patience_ms:
            self._patience_ms = min(self._patience_ms * 2, self._longest_ms())
        tries = 1 + (max(flight.tries for flight in self._flights if _meet(flight.parcel, parcel)) if again else 0)
        self._flights = [*others, _Flight(parcel, now_ms, now_ms + self._wait_ms(tries), tries, message)]
        if parcel.stream in self._current:
            self._sent.setdefault(parcel.stream, Ranges()).add(parcel.first, parcel.last)
            self._fresh_from[parcel.stream] = max(parcel.last + 1, self._fresh_from[parcel.stream])

    def taken(self, message: int, now_ms: int) -> None:
        """The broker has this message."""
        self._flights = [
            flight._replace(sent_ms=now_ms, due_ms=now_ms + self._wait_ms(flight.tries), message=None)
            if flight.message == message
            else flight
            for flight in self._flights
        ]

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
        left = self._without(stream, covered)
        if _total(left) < self.under_way():  # the collector answers: no reason to be patient any more
            if self._patience_ms > self._resend_ms:  # it was away: what was sent meanwhile counts as sent once
                left = [flight._replace(tries=1) for flight in left]
            self._answered_ms, self._patience_ms = now_ms, self._resend_ms
            left = [self._soon(flight, now_ms) for flight in left]
        self._flights = left
        return list(covered)

    def under_way(self) -> int:
        """Readings sent that no receipt covers yet."""
        return _total(self._flights)

    def next_due_ms(self) -> int | None:
        """When something must be sent again, if nothing happens."""
        return min((flight.due_ms for flight in self._flights if flight.message is None), default=None)

    def _longest_ms(self) -> int:
        return max(LONGEST_RESEND_MS, self._resend_ms)

    def _wait_ms(self, tries: int) -> int:
        """How long a receipt may take: longer each time, for a collector behind with its work needs no more of it."""
        return max(self._patience_ms, min(self._resend_ms << min(tries - 1, 10), self._longest_ms()))

    def _soon(self, flight: _Flight, now_ms: int) -> _Flight:
        return flight._replace(due_ms=min(flight.due_ms, max(now_ms, flight.sent_ms + self._wait_ms(flight.tries))))

    def _forget_gone(self, now_ms: int, offers: Sequence[Offer]) -> None:
        """What is due but no longer held, given up for want of room, must not take up room here for ever."""
        if not any(flight.due(now_ms) for flight in self._flights):
            return
        held = {offer.stream: offer.held for offer in offers}
        kept: list[_Flight] = []
        for flight in self._flights:
            if not flight.due(now_ms):
                kept.append(flight)
                continue
            stream, first, last = flight.parcel
            pieces = _common(held.get(stream, Ranges()), first, last)
            kept += [flight._replace(parcel=Parcel(stream, *piece)) for piece in pieces]
        self._flights = kept

    def _without(self, stream: str, covered: Ranges) -> list[_Flight]:
        """What is under way beside these numbers."""
        left: list[_Flight] = []
        for flight in self._flights:
            parcel = flight.parcel
            if parcel.stream != stream:
                left.append(flight)
                continue
            pieces = covered.missing(parcel.first, parcel.last)
            left += [flight._replace(parcel=Parcel(stream, *piece)) for piece in pieces]
        return left

    def _border(self, offer: Offer) -> int:
        """The first fresh number of a stream: of one that is not written any more, none is."""
        newest = offer.held.last or 0
        if offer.current:
            return self._fresh_from.setdefault(offer.stream, newest + 1)
        self._fresh_from.pop(offer.stream, None)
        self._sent.pop(offer.stream, None)
        return newest + 1

    def _cut(self, parcels: Iterable[Parcel], room: int) -> list[Parcel]:
        """As many as there is room for, none larger than a batch."""
        out: list[Parcel] = []
        for stream, first, last in parcels:
            for start in range(first, last + 1, self._batch):
                end = min(start + self._batch - 1, last, start + room - 1)
                if end < start:
                    return out
                room -= end - start + 1
                out.append(Parcel(stream, start, end))
        return out


def _size(parcel: Parcel) -> int:
    return parcel.last - parcel.first + 1


def _total(flights: Iterable[_Flight]) -> int:
    return sum(_size(flight.parcel) for flight in flights)


def _by_stream(flights: Iterable[_Flight]) -> defaultdict[str, Ranges]:
    numbers: defaultdict[str, Ranges] = defaultdict(Ranges)
    for flight in flights:
        numbers[flight.parcel.stream].add(flight.parcel.first, flight.parcel.last)
    return numbers


def _meet(one: Parcel, other: Parcel) -> bool:
    return one.stream == other.stream and one.first <= other.last and other.first <= one.last


def _common(covered: Ranges, first: int, last: int) -> list[Range]:
    """The parts of `first` to `last` that are in `covered`."""
    return Ranges(covered.missing(first, last)).missing(first, last)
