"""The window in which a strip may be read: it counts from taking the strip out, and nothing is read outside it."""

from __future__ import annotations

import datetime

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Fill, MecTest
from soak.quantity import in_words


def refuse_dipped_long_ago(book: Book, fill: Fill, test: MecTest) -> None:
    """A dip may be recorded as long as its strip can still be read, and of what was in the basin then."""
    if test.dipped_ms < fill.tested_after_ms:
        raise RefusedError(
            "dipped-before-pour",
            f"Fill {fill.id} was poured or topped up at {book.local_text(fill.tested_after_ms)}, after that dip.",
            "Dip a new strip in what is in the basin now.",
        )
    if book.at_ms > test.read_until_ms:
        dipped, until = clock_text(book, test.dipped_ms), clock_text(book, test.read_until_ms)
        raise RefusedError(
            "read-too-late",
            f"A strip dipped at {dipped} was to be read by {until}: its colour says nothing any more.",
            "Throw the strip away and dip a new one.",
        )


def refuse_outside(book: Book, test: MecTest) -> None:
    """Refuse to take a reading outside the window."""
    if book.at_ms < test.read_from_ms:
        raise RefusedError(
            "read-too-early",
            f"The strip of MEC test {test.id} must not be read yet: its colour is not finished.",
            f"Wait {in_words(test.read_from_ms - book.at_ms)}, and read it by {clock_text(book, test.read_until_ms)}.",
        )
    if book.at_ms > test.read_until_ms:
        raise RefusedError(
            "read-too-late",
            f"The strip of MEC test {test.id} was to be read by {clock_text(book, test.read_until_ms)}, "
            f"{in_words(book.at_ms - test.read_until_ms)} ago: its colour says nothing any more.",
            "Throw the strip away and dip a new one.",
        )


def clock_text(book: Book, ms: int) -> str:
    """A local time to the second: read windows are shorter than a minute."""
    return datetime.datetime.fromtimestamp(ms / 1000, book.zone).strftime("%H:%M:%S")
