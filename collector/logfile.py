"""A logger's CSV file, read strictly and in blocks of lines.

Nothing is guessed: what cannot be read in one way only is refused, with its line. A block is read by column; only where
that fails are its lines looked at one by one, to name the first bad one.
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from collector.logfields import LIDS, TIMES, JudgedTexts, Judging, all_reading_numbers, reading_number, temperature_mc
from collector.logtext import UnusableError, shown, text_blocks
from soak.requirement import Judged

_HEADER_WANTED = "Begin the file with a header line such as time_s,lid,temp_c."


class Block(NamedTuple):
    """Consecutive lines of the file, by column.

    Attributes:
        line: Line of the first reading; the others follow on.
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
    """Reads the header at once and the readings on demand; memory does not grow with the file.

    Args:
        chunks: The file's bytes, in pieces of any size.

    Attributes:
        time_column: Name of the time column.
        numbered: The file numbers its readings, so that a cut-out line is noticed.
        sensors: Names of the temperature columns.

    Raises:
        UnusableError: The header lacks a column, or cannot be read.
    """

    def __init__(self, chunks: Iterable[bytes]) -> None:
        blocks = text_blocks(chunks)
        _, lines = next(blocks, (1, []))
        if not lines:
            raise UnusableError(1, f"the file is empty. {_HEADER_WANTED}")
        self._blocks = itertools.chain([(2, lines[1:])], blocks)
        names = _header(lines[0])
        self._width = len(names)
        self.time_column = next(name for name in names if name in TIMES)
        self._time, self._lid = names.index(self.time_column), names.index("lid")
        self._number = names.index("number") if "number" in names else None
        self._temperatures = [index for index, name in enumerate(names) if name.startswith("temp_c")]
        self.numbered = self._number is not None
        self.sensors = tuple(names[index] for index in self._temperatures)

    def readings(self, judging: Judging) -> Iterator[Block]:
        """The readings. Those before a bad line come before the error.

        Args:
            judging: Called with one temperature for each of `sensors`, rounded down and rounded up.

        Raises:
            UnusableError: A line that cannot be read, or no reading at all. Whether numbers and times rise is not
                looked at here: that is the meter's.
        """
        judged = JudgedTexts(judging)
        none_yet = True
        empty_line = None  # empty lines at the end of the file are harmless, in between something was cut out
        for line, lines in self._blocks:
            filled = len(lines)
            while filled and not lines[filled - 1].strip():
                filled -= 1
            if filled:
                if empty_line:
                    raise _empty(empty_line)
                none_yet = False
                yield from self._checked(line, lines[:filled], judged)
            if filled < len(lines):
                empty_line = empty_line or line + filled
        if none_yet:
            raise UnusableError(2, "no reading follows the header. Write one line for each reading.")

    def _checked(self, line: int, lines: list[str], judged: JudgedTexts) -> Iterator[Block]:
        try:
            yield self._block(line, lines, judged)
        except (ValueError, KeyError, csv.Error):
            for good, text in enumerate(lines):
                try:
                    self._check(line + good, text)
                except UnusableError:
                    if good:
                        yield self._block(line, lines[:good], judged)
                    raise
            raise

    def _block(self, line: int, lines: list[str], judged: JudgedTexts) -> Block:
        columns = columns_of(lines, self._width)
        times = columns[self._time]
        several = [columns[index] for index in self._temperatures]
        temperatures = several[0] if len(several) == 1 else zip(*several, strict=True)
        return Block(
            line=line,
            numbers=(
                range(line - 1, line - 1 + len(lines))
                if self._number is None
                else all_reading_numbers(columns[self._number])
            ),
            times_ms=TIMES[self.time_column][1](times),
            times=times,
            closed=list(map(LIDS.__getitem__, columns[self._lid])),
            judged=list(map(judged.__getitem__, temperatures)),
        )

    def _check(self, line: int, text: str) -> None:
        """Say what is wrong with one line, if anything is."""
        if not text.strip():
            raise _empty(line)
        row = _fields(line, text)
        if len(row) != self._width:
            hint = " A decimal comma makes two fields of a number: write a point." if len(row) > self._width else ""
            raise UnusableError(line, f"{len(row)} fields, but {self._width} columns in the header.{hint or _ONE_EACH}")
        try:
            TIMES[self.time_column][0](row[self._time])
            if self._number is not None:
                reading_number(row[self._number])
            if row[self._lid] not in LIDS:
                raise ValueError(f"lid is {shown(row[self._lid])}. Write open or closed.")  # noqa: TRY301
        except ValueError as error:
            raise UnusableError(line, str(error)) from None
        for name, index in zip(self.sensors, self._temperatures, strict=True):
            try:
                temperature_mc(row[index])
            except ValueError as error:
                raise UnusableError(line, f"{shown(name)[1:-1]} {error}") from None


_ONE_EACH = " Write one field for each column."


def _empty(line: int) -> UnusableError:
    return UnusableError(line, "it is empty, and readings follow. Put back what was there, or delete the empty line.")


def columns_of(lines: list[str], width: int) -> Sequence[Sequence[str]]:
    """The fields of many lines, by column.

    Raises:
        ValueError: Some line has another number of fields, or a quoted field goes on over the end of its line.
        csv.Error: Quotation marks that do not match.
    """
    joined = ",\n,".join(lines)
    if '"' not in joined and "\r" not in joined:  # then fields are what stands between commas (RFC 4180)
        fields = joined.split(",")
        if len(fields) == len(lines) * (width + 1) - 1 and fields[width :: width + 1] == ["\n"] * (len(lines) - 1):
            return [fields[index :: width + 1] for index in range(width)]
    rows = list(csv.reader(lines, strict=True))
    if len(rows) != len(lines) or len(rows[0]) != width:
        raise ValueError("The lines have not as many fields as the header.")
    return tuple(zip(*rows, strict=True))


def _fields(line: int, text: str) -> list[str]:
    """The fields of one line by itself."""
    try:
        return next(csv.reader([text], strict=True), [])
    except csv.Error as error:
        if "\r" in text.rstrip("\r"):
            what = "a carriage return stands inside it. End lines with a line feed, or with both."
        else:
            what = f"its quotation marks do not match ({error}). Put a field in a pair of them, or use none."
        raise UnusableError(line, what) from None


def _header(text: str) -> list[str]:
    """The column names.

    Raises:
        UnusableError: A column that is needed is missing or there twice.
    """
    names = _fields(1, text)
    for separator, word in ((";", "semicolons"), ("\t", "tabs")):
        if len(names) == 1 and separator in text:
            what = f"its columns are separated by {word}. Write commas between columns and points in numbers."
            raise UnusableError(1, what)
    seen = ", ".join(map(shown, names[:12])) if names else "nothing"
    times = [name for name in names if name in TIMES]
    temperatures = [name for name in names if name.startswith("temp_c")]
    for name in dict.fromkeys([*times, *temperatures, "lid", "number"]):
        if names.count(name) > 1:
            raise UnusableError(1, f"column {shown(name)[1:-1]} is there {names.count(name)} times. Keep one of them.")
    if len(times) > 1:
        raise UnusableError(1, "there are both time_s and time. Keep the one that was measured without a break.")
    wanted = "time_s" if not times else "lid" if "lid" not in names else "temp_c" if not temperatures else None
    if wanted is not None:
        raise UnusableError(1, f"no column {_WANTED[wanted]}; there is {seen}. {_HEADER_WANTED}")
    return names


_WANTED = {
    "time_s": "time_s (seconds) or time (RFC 3339)",
    "lid": "lid (open or closed)",
    "temp_c": "whose name starts with temp_c (degrees Celsius)",
}
