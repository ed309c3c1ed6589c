"""What one transaction of the outbox writes. Pure.

Fresh readings go into *slots*: rows that are written over as soon as receipts cover what is in them, so that a node
with a collector writes the same page again and again. While no receipts come, a stream's slots become few *large* rows,
numbered in the order of time.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

from firmware.clock import STEP_MS, Anchor
from firmware.outbox_stream import Row, Stream
from firmware.packing import pack
from soak.reading import Reading

MERGE_AT, MERGE = 1_200, 600
"""So many readings become large rows at a time, when there are this many of a stream in slots."""

LONG = 100
"""A row of so many readings is no smaller for each when more are added."""

MOST_TOGETHER = 2_000
"""Readings that become large rows at a time."""

FIRST_SLOT = 1 << 27
"""Ids of large rows are below, of slots from here on: four bytes in the file."""


class Merge(NamedTuple):
    """Slots of a stream whose numbers follow on, and the few large rows in their place."""

    stream: Stream
    small: list[Row]
    large: list[tuple[Row, bytes]]


class Step(NamedTuple):
    """What one transaction writes.

    Attributes:
        now: The clocks.
        full: The rows describe their streams.
        rows: Readings not written so far.
        ends: Per stream, the number of the newest reading then written.
        merges: What becomes of slots.
        squeezed: Per stream, up to which number that was tried.
        deleted: Ids of rows that are not needed any more.
        cards: Streams whose cards are written anew.
    """

    now: Anchor
    full: bool
    rows: list[tuple[Stream, Row, bytes]]
    ends: list[tuple[Stream, int]]
    merges: list[Merge]
    squeezed: list[tuple[Stream, int]]
    deleted: list[int]
    cards: list[Stream]


class RowIds:
    """Which rows are free, and which ids come next."""

    def __init__(self) -> None:
        self._free: list[int] = []  # slots in the file, rising
        self._useless: list[int] = []  # other rows in the file
        self._next_slot, self._next_large = FIRST_SLOT, 1

    def seen(self, id_: int) -> None:
        """There is such a row in the file."""
        if id_ >= FIRST_SLOT:
            self._next_slot = max(self._next_slot, id_ + 1)
        else:
            self._next_large = max(self._next_large, id_ + 1)

    def free(self, rows: Iterable[Row]) -> None:
        """What is in these rows is not needed any more."""
        for row in rows:
            if row.id >= FIRST_SLOT:
                insort(self._free, row.id)
            else:
                self._useless.append(row.id)

    def slots(self) -> Iterator[int]:
        """Slots to write to, in this order: the lowest free ones, so that few pages change."""
        yield from self._free
        yield from range(self._next_slot, 1 << 62)

    def large(self) -> Iterator[int]:
        """Ids for large rows."""
        yield from range(self._next_large, FIRST_SLOT)

    def useless(self, keep: int) -> list[int]:
        """Rows to delete: all but `keep` free slots, those of the lowest ids."""
        return self._useless + self._free[keep:]

    def wrote(self, step: Step) -> None:
        """A transaction has used what this gave."""
        used = {row.id for _, row, _ in step.rows} | set(step.deleted)
        self._free = [id_ for id_ in self._free if id_ not in used]
        self._useless = [id_ for id_ in self._useless if id_ not in used]
        for _, row, _ in step.rows:
            self.seen(row.id)
        for merge in step.merges:
            self.forget(merge.small)
            for row, _ in merge.large:
                self.seen(row.id)

    def forget(self, rows: Iterable[Row]) -> None:
        """These rows are not in the file any more, whatever became of them meanwhile."""
        gone = {row.id for row in rows}
        self._free = [id_ for id_ in self._free if id_ not in gone]
        self._useless = [id_ for id_ in self._useless if id_ not in gone]


def oldest_slots(stream: Stream, most: int) -> list[Row]:
    """The oldest slots of the readings in memory, with `most` readings in them."""
    slots: list[Row] = []
    for row in stream.rows.within(stream.recent_first, stream.written):
        if slots and row.last - slots[0].first >= most:
            break
        if row.id >= FIRST_SLOT and row.first >= stream.recent_first:
            slots.append(row)
    return slots


def small_slots(stream: Stream) -> list[Row]:
    """The slots of a stream that is not written any more, but for those that are as good as large rows."""
    rows = stream.rows.within(1, stream.taken)
    return [row for row in rows if row.id >= FIRST_SLOT and row.last - row.first < LONG]


def merges(
    stream: Stream,
    slots: Sequence[Row],
    anchor: Anchor,
    ids: Iterator[int],
    readings: Callable[[int, int], Sequence[Reading]],
) -> Iterator[Merge]:
    """Slots as few large rows.

    Args:
        stream: Whose slots they are.
        slots: Oldest first.
        anchor: The clocks now, or as well as they are known for its boot.
        ids: For the large rows.
        readings: Gives a stream's readings by the numbers of the first and the last.
    """
    for run in _neighbours(slots):
        first = run[0].first
        there = readings(first, run[-1].last)
        if len(there) != run[-1].last - first + 1:  # one of them cannot be read: that is for others to mend
            continue
        packed = pack(stream.origin, anchor, first, there, full=True)
        if len(packed) < len(run):
            yield Merge(stream, run, [(Row(next(ids), *numbers), data) for *numbers, data in packed])


def _neighbours(rows: Iterable[Row]) -> list[list[Row]]:
    """Rows in groups, not too large, whose numbers follow on."""
    groups: list[list[Row]] = []
    for row in rows:
        if groups and groups[-1][-1].last + 1 == row.first and row.last - groups[-1][0].first < MOST_TOGETHER:
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def not_before(anchor: Anchor, ms: int) -> Anchor:
    """Both clocks at or after a reading's time."""
    late_ms = max(0, ms - anchor.boot_ms)
    return Anchor(anchor.boot_ms + late_ms, anchor.utc_ms + late_ms, anchor.synced)


def same_clock(one: Anchor, other: Anchor | None) -> bool:
    """Whether the wall clock has gone on like the other one between these two."""
    if other is None or one.synced != other.synced:
        return False
    return abs((one.utc_ms - one.boot_ms) - (other.utc_ms - other.boot_ms)) <= STEP_MS
