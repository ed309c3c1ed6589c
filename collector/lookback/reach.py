"""How far a look-back reaches, and what every scope asks of the record to find that out."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping
from itertools import accumulate
from typing import NamedTuple

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.unassigned import MEANINGFUL_MS
from collector.record.things import Asked, Concerned, Fill, Load, Turn


class Span(NamedTuple):
    """A time range of one basin, milliseconds since 1970: from the first on, up to but without the last."""

    basin: str
    from_ms: int
    until_ms: int


class Reach(NamedTuple):
    """What a cause concerns, as the record has it.

    Attributes:
        text: What was wrong, and how far that reaches, in words.
        from_ms: What came out before it is not concerned; 0 where the beginning is not known.
        until_ms: What went in from here on is not.
        concerned: By round, what is known of it.
        fills: Fills in which it was, where that is what connects them.
        spans: Where and when closures are concerned that no load explains.
    """

    text: str
    from_ms: int
    until_ms: int
    concerned: dict[str, Concerned]
    fills: tuple[str, ...] = ()
    spans: tuple[Span, ...] = ()


def bounds(book: Book, asked: Asked) -> tuple[int, int]:
    """The range that is asked for: from the beginning of the record where none is known, up to now.

    Raises:
        RefusedError: It ends before it begins, or begins in the future.
    """
    from_ms = 0 if asked.from_ms is None else asked.from_ms
    until_ms = book.at_ms + 1 if asked.until_ms is None else min(asked.until_ms, book.at_ms + 1)
    if from_ms > book.at_ms:
        raise RefusedError(
            "look-back-range",
            f"{book.local_text(from_ms)} lies ahead: nothing has been soaked since.",
            "Type the beginning again.",
        )
    if from_ms >= until_ms:
        raise RefusedError(
            "look-back-range",
            f"The range ends {book.local_text(until_ms)}, not after it begins, {book.local_text(from_ms)}.",
            "Exchange them, or leave one empty if it is not known.",
        )
    return from_ms, until_ms


def range_words(book: Book, from_ms: int, until_ms: int, asked: Asked) -> str:
    """A range for people; what is not known is said."""
    begin = (
        f"from {book.local_text(from_ms)}" if from_ms else "from the first record on, as its beginning is not known,"
    )
    if until_ms > book.at_ms or asked.until_ms is None:
        return f"{begin} up to {book.local_text(min(until_ms, book.at_ms))}"
    return f"{begin} to {book.local_text(until_ms)}"


def within(turn: Turn, from_ms: int, until_ms: int) -> bool:
    """A round lay in its basin during a range, as far as the record has it."""
    return (turn.in_ms is None or turn.in_ms < until_ms) and (turn.out_ms is None or turn.out_ms > from_ms)


def loads_in(book: Book, basins: Iterable[str], from_ms: int, until_ms: int) -> list[Load]:
    """Loads that were in one of the basins during a range."""
    return [
        load
        for basin in dict.fromkeys(basins)
        for load in book.all(Load, group=basin, until_ms=until_ms)
        if load.ended_ms is None or load.ended_ms > from_ms
    ]


def rounds_of(book: Book, loads: Iterable[Load], from_ms: int, until_ms: int) -> list[Turn]:
    """The rounds of loads that lay in their basin during a range, in the order in which they went in."""
    turns = book.many(Turn, (each for load in loads for each in load.turns))
    return sorted(
        (turn for turn in turns if within(turn, from_ms, until_ms)), key=lambda turn: (turn.in_ms or 0, turn.id)
    )


def rounds_in_fills(book: Book, fills: Iterable[str], from_ms: int, until_ms: int) -> list[Turn]:
    """Rounds that lay in one of the fills during a range."""
    some = [book.get(Fill, each) for each in fills]
    loads = [
        load
        for fill in some
        for load in book.all(Load, group=fill.basin, since_ms=fill.poured_ms, until_ms=until_ms)
        if load.fill == fill.id
    ]
    return rounds_of(book, loads, from_ms, until_ms)


def unexplained(book: Book, spans: Iterable[Span]) -> int:
    """Closures that mean something and that no load explains: nobody has said what was in them, or that nothing was."""
    return sum(_unexplained(book, span) for span in dict.fromkeys(spans))


def _unexplained(book: Book, span: Span) -> int:
    loads = loads_in(book, [span.basin], span.from_ms, span.until_ms)  # by their beginning
    began = [load.began_ms for load in loads]
    ended = list(accumulate((math.inf if load.ended_ms is None else load.ended_ms for load in loads), max))
    empty = _said_empty(book, span.basin)
    count = 0
    for each in book.closures(*span):
        means = each.opened_ms - each.closing_ms >= MEANINGFUL_MS or book.policy.every_closing_is_a_load
        earlier = bisect_left(began, each.opened_ms)  # loads that began before it was opened
        held = earlier > 0 and ended[earlier - 1] > each.closing_ms
        count += means and not held and each.key not in empty
    return count


def _said_empty(book: Book, basin: str) -> set[str]:
    rows = book.connection.execute(
        "SELECT id FROM thing WHERE kind = 'closure-note' AND grp = ? AND json_extract(body, '$.assignment') = 'empty'",
        (basin,),
    )
    return {str(row[0]) for row in rows}


def merged(*parts: Mapping[str, Concerned]) -> dict[str, Concerned]:
    """Rounds of several parts, each once: what was found first stands, all that connects it with the cause is said."""
    found: dict[str, Concerned] = {}
    for part in parts:
        found = {**part, **found}
    return dict(sorted(found.items(), key=lambda item: (item[1].in_ms or 0, item[0])))
