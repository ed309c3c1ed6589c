"""Who had to do with a look-back's rounds: names in the order of the alphabet, no counts and no ranking."""

from __future__ import annotations

from collections.abc import Iterator

from collector.record.book import Book
from collector.record.things import Load, LookBack, MecTest, Person, Turn


def people_of(book: Book, look_back: LookBack) -> list[str]:
    """Everybody whom its rounds, their loads and their MEC tests name."""
    turns = book.many(Turn, look_back.turns)
    loads = book.many(Load, (each.load for each in turns if each.load))
    tests = book.many(MecTest, (each.mec_test for each in loads if each.mec_test))
    ids = {each for turn in turns for each in _of_round(turn)} | {each.by for each in loads}
    ids |= {each for test in tests for each in (test.by, test.read_by)}
    names = {each.id: each.name for each in book.many(Person, ids)}
    return sorted(names.get(each, each) for each in ids if each)


def _of_round(turn: Turn) -> Iterator[str]:
    yield from (turn.by, turn.in_by, turn.out_by)
    yield from (each.by for each in turn.steps.values())
    yield from (each.by for each in turn.rinses)
    yield from (each.by for each in (turn.dried, turn.released, turn.used, turn.late) if each is not None)
