"""The temperature allowance: by how much the sensors could be lowered with the soak still met."""

from __future__ import annotations

from collections import deque

import msgspec

LOWEST = -(1 << 60)
"""Below any margin: nothing long enough yet."""


class StretchState(msgspec.Struct, frozen=True):
    """A `BestStretch` as plain values."""

    best: int
    start_ms: int | None
    times_ms: list[int]
    minima: list[tuple[int, int]]


class BestStretch:
    """Greatest, over all stretches long enough, of the smallest value in the stretch; each value is seen once.

    Memory is bounded by the readings of one contact time: once a stretch of value v is found, a reading at or below v
    can be in no better one, so the search starts again behind it.

    Args:
        length_ms: A stretch counts when its last reading is at least this much later than its first.
    """

    __slots__ = ("_minima", "_start_ms", "_times_ms", "best", "length_ms")

    def __init__(self, length_ms: int) -> None:
        self.length_ms = length_ms
        self.best = LOWEST
        self._start_ms: int | None = None  # latest reading early enough to begin a full-length stretch that ends now
        self._times_ms: deque[int] = deque()  # readings after it
        self._minima: deque[tuple[int, int]] = deque()  # (time, value), rising: the front is the smallest in the window

    def cut(self) -> None:
        """End every stretch here: what comes next does not follow on what came before."""
        if self._times_ms or self._start_ms is not None:
            self._start_ms = None
            self._times_ms.clear()
            self._minima.clear()

    def push(self, ms: int, value: int) -> None:
        """Add a reading to the current stretch.

        Args:
            ms: Its time in milliseconds, later than the one before.
            value: Its margin in millidegrees.
        """
        if value <= self.best:
            self.cut()
            return
        times, minima = self._times_ms, self._minima
        while minima and minima[-1][1] >= value:
            minima.pop()
        minima.append((ms, value))
        times.append(ms)
        limit = ms - self.length_ms
        if times[0] > limit and self._start_ms is None:
            return
        while times and times[0] <= limit:
            self._start_ms = times.popleft()
        start = self._start_ms
        if start is None:
            return
        while minima[0][0] < start:
            minima.popleft()
        at_ms, self.best = minima.popleft()
        while times and times[0] <= at_ms:
            times.popleft()
        self._start_ms = None

    def state(self) -> StretchState:
        """Everything needed to carry on later."""
        return StretchState(self.best, self._start_ms, list(self._times_ms), list(self._minima))

    @classmethod
    def restored(cls, length_ms: int, state: StretchState) -> BestStretch:
        """The search that `state` was taken from."""
        stretch = cls(length_ms)
        stretch.best, stretch._start_ms = state.best, state.start_ms
        stretch._times_ms.extend(state.times_ms)
        stretch._minima.extend(state.minima)
        return stretch
