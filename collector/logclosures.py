"""The closures of a logger's file: its lines through the exposure meter."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from typing import NamedTuple

from collector.logfile import Block, LogFile
from collector.logtext import UnusableError
from soak.closure import Closure
from soak.exposure import Meter, OutOfOrderError
from soak.requirement import Judge, Requirement, SensorTerms


class Entry(NamedTuple):
    """A closure with its times as the file writes them.

    Attributes:
        closure: What it is worth.
        closed_at: Its first reading, in the file's time column.
        opened_at: The open reading that ended it; None if unseen or running.
    """

    closure: Closure
    closed_at: float | str
    opened_at: float | str | None


def closures(log: LogFile, requirement: Requirement, terms: SensorTerms) -> Iterator[Entry]:
    """The closures of a file, each as soon as it has ended; the one that holds the last row is still running.

    Args:
        log: The file.
        requirement: What a soak must fulfil.
        terms: U and correction, the same for every sensor.

    Raises:
        UnusableError: The file cannot be judged; closures that ended before the bad line have been given.
    """
    every = dict.fromkeys(log.sensors, terms)
    meter = Meter(requirement, every)
    running: Closure | None = None
    carried: float | str = ""  # when the closure in progress began, if in an earlier block
    before = 0, 0, ""
    for block in log.readings(Judge(requirement, every).of_rounded):
        index = -1
        try:
            steps = map(meter.step, block.numbers, block.times_ms, block.closed, block.judged)
            for index, closure in enumerate(steps):
                if closure is not None:
                    opened_at = None if closure.opening_ms is None else _label(log, block, index)
                    yield Entry(closure, _closed_at(log, block, closure, carried, index), opened_at)
        except OutOfOrderError:
            raise _not_rising(log.time_column, block, index + 1, before) from None
        running = meter.running()
        carried = _closed_at(log, block, running, carried, index) if running else ""
        before = _mark(block, -1)
    if running:
        yield Entry(running, carried, None)


def _label(log: LogFile, block: Block, index: int) -> float | str:
    """The time of one reading as the file writes it."""
    return block.times_ms[index] / 1000 if log.time_column == "time_s" else block.times[index]


def _closed_at(log: LogFile, block: Block, closure: Closure, carried: float | str, newest: int) -> float | str:
    """The time of a closure's first reading, which is in this block up to its newest reading, or in an earlier one."""
    if closure.closing_ms < block.times_ms[0]:
        return carried
    return _label(log, block, bisect_left(block.times_ms, closure.closing_ms, hi=newest))


def _not_rising(time_column: str, block: Block, index: int, before: tuple[int, int, str]) -> UnusableError:
    """Which of number and time does not come after the one in the line before."""
    was_number, was_ms, was_time = _mark(block, index - 1) if index else before
    number, ms, time = _mark(block, index)
    if number <= was_number:
        name, still, was, now = "number", number == was_number, str(was_number), str(number)
    else:
        name, still, was, now = time_column, ms == was_ms, was_time, time
    move = f"stands still at {now}" if still else f"goes back from {was} to {now}"
    what = f"{name} {move}. Put the readings in the order they were taken, each later than the one before."
    return UnusableError(block.line + index, what)


def _mark(block: Block, index: int) -> tuple[int, int, str]:
    return block.numbers[index], block.times_ms[index], block.times[index]
