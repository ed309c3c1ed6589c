"""Devices as a CSV file, to and from a spreadsheet. Only text here: what becomes of it decides `devices_import`.

A cell that a spreadsheet would take for a formula (it begins with = + - @ or a tab) gets an apostrophe in front, and
loses it again when it is read: so every text comes back as it was.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import re
from collections.abc import Iterable
from typing import NamedTuple

from collector.errors import CollectorError
from collector.record.things import Device

COLUMNS = ("asset_number", "type", "serial", "udi", "retired")
_NEEDED = ("asset_number", "type")
_DELIMITERS = ",;\t"
_RISKY = re.compile(r"'*[=+\-@\t\r]")
_SQUASHED = re.compile(r"\d(?:[.,]\d+)?E\+\d+", re.ASCII | re.IGNORECASE)
_MOST_LINES = 100_000

_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_FALLBACK = "cp1252"


class Problem(NamedTuple):
    """What is wrong at one place of the file.

    Attributes:
        line: From 1 on; the header is a line too.
        column: Its name; empty if it is the whole line.
        text: What is wrong and what would be right.
    """

    line: int
    column: str
    text: str

    def __str__(self) -> str:
        """One line for people."""
        return f"line {self.line}{f', column {self.column}' if self.column else ''}: {self.text}"


class CsvError(CollectorError, ValueError):
    """The file cannot be used; nothing was recorded.

    Args:
        problems: All that was found.
    """

    exit_code = 2

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


class Row(NamedTuple):
    """One line of the file.

    Attributes:
        line: Its number.
        cells: Column and text; columns that the file does not have are absent.
    """

    line: int
    cells: dict[str, str]


class Table(NamedTuple):
    """A file that was read.

    Attributes:
        rows: Its lines, without header and empty lines.
        encoding: How its letters were written.
    """

    rows: list[Row]
    encoding: str

    @property
    def guessed(self) -> bool:
        """It was not Unicode: letters with accents should be looked at."""
        return self.encoding == _FALLBACK


def exported(devices: Iterable[Device], delimiter: str = ",") -> bytes:
    """Devices as a file: UTF-8 with the mark by which spreadsheets know it; a header, then a line for each device."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for device in sorted(devices, key=lambda device: device.id):
        cells = (device.id, device.type, device.serial, device.udi, "yes" if device.retired else "no")
        writer.writerow([guarded(cell) for cell in cells])
    return text.getvalue().encode("utf-8-sig")


def read(content: bytes) -> Table:
    """Read a file.

    Raises:
        CsvError: It is no such file; every wrong place is named.
    """
    text, encoding = _decoded(content)
    lines, delimiter, before = _without_separator_line(text)
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    found: list[tuple[int, list[str]]] = []
    try:
        start = 1 + before
        for cells in reader:
            if any(cell.strip() for cell in cells):
                found.append((start, cells))
            start = reader.line_num + 1 + before
    except csv.Error as error:
        raise CsvError(
            [Problem(start, "", f"It is no CSV that can be read ({error}). Save it again as CSV.")]
        ) from None
    if not found:
        raise CsvError([Problem(1, "", f"The file is empty. Its first line must name the columns: {_listed()}.")])
    if len(found) > _MOST_LINES:
        raise CsvError([Problem(_MOST_LINES + 1, "", f"More than {_MOST_LINES} lines. Split the file.")])
    header = _header(*found[0])
    problems: list[Problem] = []
    rows = [_row(line, cells, header, problems) for line, cells in found[1:]]
    if problems:
        raise CsvError(problems)
    return Table(rows, encoding)


def guarded(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if _RISKY.match(cell) else cell


def _unguarded(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and _RISKY.match(cell) else cell


def _decoded(content: bytes) -> tuple[str, str]:
    """The text, and how it was written: Unicode, or what older spreadsheets write in Western Europe and America."""
    encoding = next((name for bom, name in _BOMS if content.startswith(bom)), "utf-8")
    for name in dict.fromkeys((encoding, _FALLBACK) if encoding == "utf-8" else (encoding,)):
        try:
            return content.decode(name), name
        except UnicodeDecodeError as error:
            line = content[: error.start].count(b"\n") + 1
    raise CsvError([Problem(line, "", "Its letters cannot be read. Save the file again as CSV UTF-8.")])


def _without_separator_line(text: str) -> tuple[list[str], str, int]:
    """The lines, what separates cells, and how many lines were left out: some spreadsheets begin with `sep=;`."""
    lines = list(io.StringIO(text, newline=""))
    first = lines[0] if lines else ""
    if match := re.fullmatch(r"\"?sep=([,;\t])\"?\s*", first):
        return lines[1:], match[1], 1

    def known(delimiter: str) -> int:
        return sum(_column(cell) in COLUMNS for cell in first.split(delimiter))

    return lines, max(_DELIMITERS, key=known), 0


def _column(cell: str) -> str:
    return "_".join(re.split(r"[\s_-]+", cell.strip().strip('"').strip().lower()))


def _header(line: int, cells: list[str]) -> list[str]:
    names = [_column(cell) for cell in cells]
    problems = []
    for name, cell in zip(names, cells, strict=True):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, 1)
            meant = f" {near[0]} is meant?" if near else ""
            problems.append(
                Problem(line, cell.strip()[:40] or "without a name", f"Unknown.{meant} Known: {_listed()}.")
            )
    problems += [Problem(line, name, "It is there twice. Keep one.") for name in COLUMNS if names.count(name) > 1]
    problems += [Problem(line, name, "It is missing. Add it.") for name in _NEEDED if name not in names]
    if problems:
        raise CsvError(problems)
    return names


def _row(line: int, cells: list[str], header: list[str], problems: list[Problem]) -> Row:
    if len(cells) != len(header):
        problems.append(
            Problem(
                line,
                "",
                f"It has {len(cells)} cells, the first line {len(header)}. Quote a text with the separator in it.",
            )
        )
        return Row(line, {})
    row = Row(line, {name: _unguarded(cell.strip(" ")) for name, cell in zip(header, cells, strict=True)})
    for name, cell in row.cells.items():
        if not cell.isprintable():
            problems.append(Problem(line, name, "It holds a line break or another control character. Take it out."))
        elif _SQUASHED.fullmatch(cell):
            problems.append(
                Problem(
                    line,
                    name,
                    f"{cell} is what a spreadsheet makes of a long number, whose last digits are gone. Format the "
                    "column as text and enter the number again.",
                )
            )
        elif not cell and name in _NEEDED:
            problems.append(Problem(line, name, "It is empty. Every device has one."))
    if row.cells.get("retired", "").lower() not in ("", "yes", "no"):
        problems.append(Problem(line, "retired", f"{row.cells['retired'][:40]!r} is neither yes nor no."))
    return row


def _listed() -> str:
    return ", ".join(COLUMNS)
