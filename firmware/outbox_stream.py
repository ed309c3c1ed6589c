"""What an outbox knows of one stream without asking the disk. Pure.

Numbers run from 1. Those up to `written` have been on disk; `held` is what may be sent: committed, or offered from
memory while the disk takes nothing, and covered by no receipt. `gone` was given up, and is remembered until the
collector has it or has it on record as lost.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from firmware.packing import Block, Card, Origin
from soak import wire
from soak.ranges import Range, Ranges
from soak.reading import Reading


class Row(NamedTuple):
    """A row of the file: its id, and the numbers of the readings in it."""

    id: int
    first: int
    last: int


class Rows:
    """The rows of one stream, in the order of their numbers: 24 bytes of memory for each."""

    def __init__(self) -> None:
        self._ids, self._firsts, self._lasts = array("q"), array("q"), array("q")

    def __len__(self) -> int:
        return len(self._ids)

    def add(self, row: Row) -> None:
        """Add a row."""
        at = bisect_left(self._firsts, row.first)
        for column, number in zip((self._ids, self._firsts, self._lasts), row, strict=True):
            column.insert(at, number)

    def within(self, first: int, last: int) -> list[Row]:
        """Every row that has a number from `first` to `last`."""
        begin, end = self._between(first, last)
        return [Row(self._ids[at], self._firsts[at], self._lasts[at]) for at in range(begin, end)]

    def count(self, first: int, last: int) -> int:
        """How many rows have a number from `first` to `last`."""
        begin, end = self._between(first, last)
        return end - begin

    def take(self, first: int, last: int) -> None:
        """Take out the rows that begin and end from `first` to `last`, both included."""
        begin, end = bisect_left(self._firsts, first), bisect_right(self._lasts, last)
        for column in (self._ids, self._firsts, self._lasts):
            del column[begin:end]

    def _between(self, first: int, last: int) -> tuple[int, int]:
        return bisect_left(self._lasts, first), bisect_right(self._firsts, last)


class Stream:
    """One stream.

    Args:
        origin: What it is.
        current: It is being written.

    Attributes:
        taken: Number of the newest reading handed over.
        written: Number of the newest reading that is on disk, or was given up before it was.
        offered: Number of the newest reading that could be sent.
        squeezed: Number of the newest reading in a large row: it need not be in memory.
        recent: The newest readings, up to number `taken`: those not yet written, and those written lately.
    """

    def __init__(self, origin: Origin, *, current: bool) -> None:
        self.origin, self.current = origin, current
        self.taken = self.written = self.offered = self.squeezed = 0
        self.held, self.gone, self.rows = Ranges(), Ranges(), Rows()
        self.recent: list[Reading] = []

    @property
    def recent_first(self) -> int:
        """Number of the first of the recent readings."""
        return self.taken - len(self.recent) + 1

    @property
    def waiting(self) -> int:
        """How many readings are not written yet."""
        return self.taken - self.written

    @property
    def finished(self) -> bool:
        """There is nothing to keep it in the list for."""
        return not self.current and not len(self.held) and not len(self.gone)

    def told(self) -> wire.HeldStream:
        """How it is listed in the node's state."""
        origin = self.origin
        oldest = next(iter(self.held), (self.offered + 1, 0))[0]
        return wire.HeldStream(origin.name, origin.basin, oldest, self.offered, origin.boot)

    def offer(self, last: int) -> None:
        """What was handed over up to number `last` may be sent from now on."""
        first = max(self.offered + 1, self.recent_first)
        if first <= last:
            self.held.add(first, last)
        self.offered = max(self.offered, last)

    def readings(self, first: int, last: int) -> Sequence[Reading]:
        """Recent readings by their numbers."""
        return self.recent[first - self.recent_first : last - self.recent_first + 1]

    def release(self, ranges: Iterable[Range]) -> list[Row]:
        """A receipt covers these numbers.

        Returns:
            The rows of which nothing is held any more, taken out of `rows`.
        """
        covered = Ranges(ranges)
        before, self.held = self.held, less(self.held, covered)
        self.gone = less(self.gone, covered)
        rows = [row for first, last in common(covered, before) for row in self.rows.within(first, last)]
        return self.without_idle(rows)

    def give_up(self, ranges: Iterable[Range]) -> int:
        """These are held no longer, without a receipt.

        Returns:
            How many were.
        """
        lost = common(Ranges(ranges), self.held)
        self.held = less(self.held, lost)
        for piece in lost:
            self.gone.add(*piece)
        return lost.count()

    def forget_recent(self, most: int | None = None) -> int:
        """Keep in memory only what must be there.

        Args:
            most: Not more readings than this, the newest: where the disk does not take them, the rest is given up.

        Returns:
            How many were given up.
        """
        lost, first = 0, self.recent_first if most is None else self.taken - most + 1
        if first - 1 > self.written:
            self.offer(first - 1)  # then `held` says which of them nobody has
            lost = self.give_up([(self.written + 1, first - 1)])
            self.written = first - 1
        oldest = next(iter(self.held), (self.taken + 1, 0))[0]
        first = max(first, min(max(oldest, self.squeezed + 1), self.written + 1))
        del self.recent[: max(0, first - self.recent_first)]
        return lost

    def without_idle(self, rows: Iterable[Row]) -> list[Row]:
        """Those of these rows in which nothing is held any more, taken out of `rows`."""
        idle = [row for row in dict.fromkeys(rows) if self.held.missing(row.first, row.last) == [row[1:]]]
        for row in idle:
            self.rows.take(row.first, row.last)
        return idle

    def unreceipted(self, first: int, last: int) -> Ranges:
        """The numbers from `first` to `last` that no receipt has covered."""
        return less(Ranges([(first, last)]), less(Ranges([(1, self.offered)] if self.offered else ()), self.held))

    def take_in(self, id_: int, block: Block) -> None:
        """A block of this stream was found in the file."""
        if isinstance(block, Card):
            newest = block.newest
            for piece in block.gone:
                self.gone.add(*piece)
        else:
            newest = block.last
            self.rows.add(Row(id_, block.first, block.last))
            self.held.add(block.first, block.last)
        self.taken = self.written = self.offered = self.squeezed = max(self.taken, newest)

    def reload(self, rows: Rows) -> tuple[int, list[Row]]:
        """The file was made anew with these rows. What is in memory will be written again.

        Returns:
            How many readings are lost, and rows that are not needed.
        """
        useless = rows.within(self.recent_first, self.taken) if self.recent else []
        for row in useless:
            rows.take(row.first, row.last)
        self.rows, self.written = rows, self.taken - len(self.recent)
        there = Ranges([(self.recent_first, self.taken)] if self.recent else ())
        for row in rows.within(1, max(1, self.taken)):
            there.add(row.first, row.last)
        lost = self.give_up(less(self.held, there))
        return lost, useless + self.without_idle(rows.within(1, max(1, self.taken)))


def common(one: Ranges, other: Ranges) -> Ranges:
    """The numbers that are in both."""
    return Ranges(piece for first, last in one for piece in Ranges(other.missing(first, last)).missing(first, last))


def less(one: Ranges, other: Ranges) -> Ranges:
    """The numbers of `one` that are not in `other`."""
    return Ranges(piece for first, last in one for piece in other.missing(first, last))
