"""Sets of reading numbers, kept as rising ranges with both ends included. Pure; used for outbox, receipts and store."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator

Range = tuple[int, int]


class Ranges:
    """A set of whole numbers as few ranges.

    Args:
        ranges: To begin with, in any order, overlapping or not.
    """

    __slots__ = ("_firsts", "_lasts")

    def __init__(self, ranges: Iterable[Range] = ()) -> None:
        self._firsts: list[int] = []
        self._lasts: list[int] = []
        for first, last in ranges:
            self.add(first, last)

    def add(self, first: int, last: int) -> None:
        """Add the numbers from `first` to `last`.

        Raises:
            ValueError: `last` is before `first`.
        """
        if last < first:
            raise ValueError(f"A range must not end ({last}) before it begins ({first}).")
        lasts = self._lasts
        if lasts and first > lasts[-1]:  # the common case: what comes next, or later
            if first == lasts[-1] + 1:
                lasts[-1] = last
            else:
                self._firsts.append(first)
                lasts.append(last)
            return
        left = bisect_left(lasts, first - 1)
        right = bisect_right(self._firsts, last + 1)
        if left < right:
            first, last = min(first, self._firsts[left]), max(last, self._lasts[right - 1])
        self._firsts[left:right] = [first]
        self._lasts[left:right] = [last]

    def missing(self, first: int, last: int) -> list[Range]:
        """The parts of `first` to `last` that are not in the set."""
        gaps: list[Range] = []
        index = bisect_left(self._lasts, first)
        while first <= last:
            if index == len(self._firsts) or self._firsts[index] > last:
                gaps.append((first, last))
                break
            if self._firsts[index] > first:
                gaps.append((first, self._firsts[index] - 1))
            first = self._lasts[index] + 1
            index += 1
        return gaps

    def run_end(self, number: int) -> int | None:
        """The last number of the unbroken run that holds `number`; None if it is not in the set."""
        index = bisect_left(self._lasts, number)
        return self._lasts[index] if index < len(self._firsts) and self._firsts[index] <= number else None

    def before(self, number: int) -> int | None:
        """The highest number in the set that is lower than `number`."""
        index = bisect_left(self._firsts, number) - 1
        return min(self._lasts[index], number - 1) if index >= 0 else None

    def after(self, number: int) -> int | None:
        """The lowest number in the set that is higher than `number`."""
        index = bisect_right(self._lasts, number)
        return max(self._firsts[index], number + 1) if index < len(self._firsts) else None

    @property
    def last(self) -> int | None:
        """The highest number in the set."""
        return self._lasts[-1] if self._lasts else None

    def __contains__(self, number: int) -> bool:
        return self.run_end(number) is not None

    def __iter__(self) -> Iterator[Range]:
        return iter(list(zip(self._firsts, self._lasts, strict=True)))

    def __len__(self) -> int:
        """How many ranges (not numbers) there are."""
        return len(self._firsts)

    def count(self) -> int:
        """How many numbers there are."""
        return sum(last - first + 1 for first, last in self)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Ranges) and list(self) == list(other)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Ranges({list(self)})"
