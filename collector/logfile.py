"""A logger's CSV file: strictly read, in blocks of lines, so that neither memory nor a mistake can grow.

Nothing is guessed: what cannot be read in one way only is refused, with its line. Common lines are read a whole column
at a time; where that fails, the lines of the block are read one by one, and the first bad one is named.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

from soak.requirement import Judged

CHUNK_BYTES = 32 * 1024
"""A good size for the pieces that a `LogFile` is made from: larger ones only cost memory."""

_LONGEST_LINE_BYTES = 64 * 1024  # less than what the csv module takes as one field
_MOST_CACHED = 16_384  # distinct temperatures kept judged; some megabytes
_LIDS = {"open": False, "closed": True}

_SECONDS = re.compile(r"([+-]?)(\d{1,12})(?:\.(\d{1,3})0*)?", re.ASCII)
_SECONDS_COLUMN = re.compile(r"(?:\d{1,12}(?:\.\d{1,3}0*)?\n)*+", re.ASCII)
_RFC_3339_TEXT = r"\d{4}-\d\d-\d\dT(?:[01]\d|2[0-3]):\d\d:\d\d(?:\.\d{1,3}0*)?(?:Z|[+-](?:[01]\d|2[0-3]):\d\d)"
_RFC_3339 = re.compile(_RFC_3339_TEXT, re.ASCII | re.IGNORECASE)
_NUMBER = re.compile(r"[1-9]\d{0,14}", re.ASCII)

Judge = Callable[[Sequence[int], Sequence[int]], Judged]
"""From the temperatures of one line, rounded down and rounded up, in millidegrees, to what they are worth."""


class UnusableError(ValueError):
    """The file cannot be judged.

    Attributes:
        line: Its line, counted from 1, the header included.
    """

    def __init__(self, line: int, what: str) -> None:
        super().__init__(f"line {line}: {what}")
        self.line = line


class Block(NamedTuple):
    """Consecutive lines of the file, by column.

    Attributes:
        line: Line of the first reading.
        numbers: Reading numbers: the file's own, or else counted.
        times_ms: Times in milliseconds.
        times: The same as they stand in the file.
        closed: Whether the lid is closed.
        judged: What the temperatures are worth; None where one is missing.
    """

    line: int
    numbers: Sequence[int]
    times_ms: list[int]
    times: Sequence[str]
    closed: list[bool]
    judged: list[Judged | None]


class LogFile:
    """Reads the header at once and the readings on demand.

    Args:
        chunks: The file's bytes, in pieces of any size.

    Raises:
        UnusableError: The header lacks a column, or cannot be read.
    """

    def __init__(self, chunks: Iterable[bytes]) -> None:
        blocks = _text_blocks(chunks)
        _, lines = next(blocks, (1, []))
        if not lines:
            raise UnusableError(1, f"the file is empty. {_HEADER_WANTED}")
        self._blocks = itertools.chain([(2, lines[1:])], blocks)
        names = _header(lines[0])
        self._width = len(names)
        self._time = next(index for index, name in enumerate(names) if name in _TIMES)
        self._lid = names.index("lid")
        self._number = names.index("number") if "number" in names else None
        self._sensors = [index for index, name in enumerate(names) if name.startswith("temp_c")]
        self.time_column = names[self._time]
        self.numbered = self._number is not None
        self.sensors = tuple(names[index] for index in self._sensors)
        self._one_ms, self._many_ms = _TIMES[self.time_column]

    def readings(self, judge: Judge) -> Iterator[Block]:
        """The readings, a block at a time; what stands before a bad line is delivered before the error.

        Args:
            judge: Called with the temperatures in the order of `sensors`.

        Raises:
            UnusableError: A line that cannot be read, or no reading at all. The order of times and numbers is not
                checked here; that is the meter's.
        """
        cache = _Cache(judge)
        none_yet, empty_line = True, 0
        for line, lines in self._blocks:
            filled = len(lines)
            while filled and not lines[filled - 1].strip():
                filled -= 1
            if filled and empty_line:
                raise _empty_line(empty_line)
            if filled < len(lines):
                empty_line = empty_line or line + filled
            if filled:
                none_yet = False
                yield from self._checked(line, lines[:filled], cache)
        if none_yet:
            raise UnusableError(2, "no reading follows the header. Write one line for each reading.")

    def _checked(self, line: int, lines: list[str], cache: _Cache) -> Iterator[Block]:
        try:
            block = self._block(line, lines, cache)
        except (ValueError, KeyError, csv.Error):
            good = 0
            try:
                for good, text in enumerate(lines):
                    self._check(line + good, text)
            except UnusableError:
                if good:
                    yield self._block(line, lines[:good], cache)
            raise
        yield block

    def _block(self, line: int, lines: list[str], cache: _Cache) -> Block:
        rows = list(csv.reader(lines, strict=True))
        if len(rows) != len(lines):
            raise ValueError("A quoted field goes on over the end of its line.")
        columns = tuple(zip(*rows, strict=True))
        if len(columns) != self._width:
            raise ValueError("Not as many fields as the header has.")
        times = columns[self._time]
        temperatures = [columns[index] for index in self._sensors]
        texts: Iterable[str | tuple[str, ...]] = (
            temperatures[0] if len(temperatures) == 1 else zip(*temperatures, strict=True)
        )
        numbers: Sequence[int] = range(line - 1, line - 1 + len(rows))
        if self._number is not None:
            numbers = [_number(text) for text in columns[self._number]]
        closed = list(map(_LIDS.__getitem__, columns[self._lid]))
        return Block(line, numbers, self._many_ms(times), times, closed, list(map(cache.__getitem__, texts)))

    def _check(self, line: int, text: str) -> None:
        """Say what is wrong with one line, if anything."""
        if not text.strip():
            raise _empty_line(line)
        row = _fields(line, text)
        if len(row) != self._width:
            hint = " A decimal comma splits a number in two: write a point." if len(row) > self._width else ""
            raise UnusableError(line, f"{len(row)} fields where the header has {self._width}.{hint} {_ONE_EACH}")
        if row[self._lid] not in _LIDS:
            raise UnusableError(line, f"lid is {_shown(row[self._lid])}. Write open or closed.")
        try:
            self._one_ms(row[self._time])
            if self._number is not None:
                _number(row[self._number])
        except ValueError as error:
            raise UnusableError(line, str(error)) from None
        for name, index in zip(self.sensors, self._sensors, strict=True):
            try:
                _temperature(row[index])
            except ValueError as error:
                raise UnusableError(line, f"{_shown(name)[1:-1]}: {error}") from None


_ONE_EACH = "Write one field for each column."
_HEADER_WANTED = "Begin it with a header line that names the columns, such as time_s,lid,temp_c."
