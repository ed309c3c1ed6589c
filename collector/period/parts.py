"""What a period report is made of: sections with sentences and tables, and the same tables whole as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import msgspec

from collector.devices_csv import guarded

MOST_ROWS: Final = 300
"""Of a long list the paper shows so many; the attached table has all, and the paper says so."""

Cell = str | int | None


class Shown(msgspec.Struct, frozen=True):
    """A table on the paper.

    Attributes:
        name: What it lists.
        head: Its columns.
        rows: Its rows.
        widths: Of the columns: 0 for as wide as it must be, else a share of what is left.
        right: Columns of figures, which stand at the right.
        total: The last row is a sum.
    """

    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    right: tuple[int, ...] = ()
    total: bool = False


class Section(msgspec.Struct, frozen=True):
    """A part of the paper.

    Attributes:
        title: Its heading.
        source: Where its figures come from, in a few words.
        says: Sentences, the most important first.
        tables: Tables below them.
        notes: How to read it.
    """

    title: str
    source: str
    says: tuple[str, ...]
    tables: tuple[Shown, ...] = ()
    notes: tuple[str, ...] = ()


class Table(NamedTuple):
    """A table as CSV.

    Attributes:
        name: File name.
        what: What it lists.
        head: Names of its columns, with units.
        rows: All of them, never cut.
    """

    name: str
    what: str
    head: Sequence[str]
    rows: Iterable[Sequence[Cell]]

    def csv(self) -> str:
        """UTF-8, a line each; no text runs as a formula in a spreadsheet, nothing is written for None."""
        file = io.StringIO()
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(self.head)
        writer.writerows([guarded(each) if isinstance(each, str) else each for each in row] for row in self.rows)
        return file.getvalue()


class Part(NamedTuple):
    """A section, its tables whole, and what it says on the first page."""

    section: Section
    tables: Sequence[Table]


def plural(count: int, one: str) -> str:
    """A count with its noun: "1 soak", "2 soaks", "no soak"."""
    if not count:
        return f"no {one}"
    return f"{number(count)} {one if count == 1 else f'{one}s'}"


def sentence(text: str) -> str:
    """It begins with a capital letter."""
    return text[:1].upper() + text[1:]


def number(count: int) -> str:
    """With a thin space from ten thousand on: a comma or a point means something else elsewhere."""
    return f"{count:,}".replace(",", "\u202f") if count >= 10_000 else str(count)


def percent(part: int, whole: int) -> str:
    """To a tenth; what is not nothing never reads as nothing, nor what is not all as all."""
    if not whole:
        return "–"
    tenths = 1000 * part // whole
    if part and not tenths:
        return "under 0.1 %"
    return f"{tenths // 10}.{tenths % 10} %".replace(".0 %", " %")


def cut(rows: Sequence[tuple[str, ...]], file: str, most: int = MOST_ROWS) -> tuple[tuple[tuple[str, ...], ...], str]:
    """The rows that fit on paper, and a sentence on those that do not; empty where all do."""
    if len(rows) <= most:
        return tuple(rows), ""
    return tuple(rows[:most]), f"{number(most)} of {number(len(rows))} are shown; {file}, attached, has them all."
