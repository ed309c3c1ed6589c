"""What rested on certain MEC tests: bad strips, controls that failed, somebody who read them wrongly."""

from __future__ import annotations

from collections.abc import Sequence

from collector.lookback.described import described
from collector.lookback.reach import Reach, bounds, range_words
from collector.record.book import Book
from collector.record.things import Asked, Concerned, Load, MecTest, Person, StripBottle, Turn


def strips_bad(book: Book, asked: Asked) -> Reach:
    """Every test made with a bottle's strips within the range, and every load that one of them cleared."""
    bottle = book.get(StripBottle, asked.strip_bottle or "")
    from_ms, until_ms = bounds(book, asked)
    tests = [each for each in _tests(book, from_ms, until_ms) if each.strip_bottle == bottle.id]
    text = (
        f"Test strips of bottle {bottle.id} (lot {bottle.lot}) are in question {_range(book, tests, asked)}: "
        f"{_count(tests)}."
    )
    return Reach(text, from_ms, until_ms, _rested_on(book, tests), tuple(dict.fromkeys(each.fill for each in tests)))


def misread(book: Book, asked: Asked) -> Reach:
    """Every test that a person read within the range, and every load that one of them cleared."""
    person = book.get(Person, asked.person or "")
    from_ms, until_ms = bounds(book, asked)
    tests = [each for each in _tests(book, from_ms, until_ms) if each.read_by == person.id]
    text = (
        f"MEC tests read by {person.name} are in question {range_words(book, from_ms, until_ms, asked)}: "
        f"{_count(tests)}."
    )
    return Reach(text, from_ms, until_ms, _rested_on(book, tests), tuple(dict.fromkeys(each.fill for each in tests)))


def _tests(book: Book, from_ms: int, until_ms: int) -> list[MecTest]:
    return book.all(MecTest, since_ms=from_ms, until_ms=until_ms)


def _rested_on(book: Book, tests: Sequence[MecTest]) -> dict[str, Concerned]:
    """Rounds of loads that one of the tests cleared; each says which."""
    if not tests:
        return {}
    ids = {each.id for each in tests}
    loads = [load for load in book.all(Load) if load.mec_test in ids]
    test_of = {turn: load.mec_test for load in loads for turn in load.turns}
    turns = sorted(book.many(Turn, test_of), key=lambda turn: (turn.in_ms or 0, turn.id))
    return described(book, turns, why={turn: f"Cleared by MEC test {test}." for turn, test in test_of.items()})


def _count(tests: Sequence[MecTest]) -> str:
    return "1 MEC test was made" if len(tests) == 1 else f"{len(tests)} MEC tests were made"


def _range(book: Book, tests: Sequence[MecTest], asked: Asked) -> str:
    if tests and asked.from_ms is None:
        return f"since the first test made with them, {book.local_text(tests[0].dipped_ms)}"
    from_ms, until_ms = bounds(book, asked)
    return range_words(book, from_ms, until_ms, asked)
