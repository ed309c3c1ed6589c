"""What certain people did, or certain steps said: lapsed training, a leak found later, a faulty leak tester."""

from __future__ import annotations

from collections.abc import Iterator

from collector.lookback.described import described
from collector.lookback.reach import Reach, bounds, range_words
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Asked, Concerned, Device, Load, MecTest, Person, Step, Turn


def training(book: Book, asked: Asked) -> Reach:
    """Every round at which a person did something within the range; from the end of their training if none is given."""
    person = book.get(Person, asked.person or "")
    from_ms, until_ms = bounds(book, asked)
    expired = person.training_expires
    if asked.from_ms is None and expired:
        from_ms = book.end_of_day_ms(expired) + 1
        if from_ms >= until_ms:
            raise RefusedError(
                "look-back-asks",
                f"The training of {person.name} is on file until {expired}: it has not lapsed.",
                "Give the beginning if they were not trained before that.",
            )
    acts = {
        turn.id: [what for what, by, at_ms in _acts(turn) if by == person.id and from_ms <= at_ms < until_ms]
        for turn in book.all(Turn, until_ms=until_ms)
    }
    for load in _loads_tested_by(book, person.id, from_ms, until_ms):
        for each in load.turns:
            acts.setdefault(each, []).append(f"MEC test {load.mec_test}")
    done = {turn_id: what for turn_id, what in acts.items() if what}
    text = (
        f"{person.name}'s training did not hold {range_words(book, from_ms, until_ms, asked)}: rounds at which they "
        "did something are listed."
    )
    return Reach(text, from_ms, until_ms, _with_acts(book, done))


def leak(book: Book, asked: Asked) -> Reach:
    """Every round whose leak test was attested within the range: of one device, or of all if the tester was faulty."""
    from_ms, until_ms = bounds(book, asked)
    device = book.get(Device, asked.device) if asked.device else None
    turns = book.all(Turn, until_ms=until_ms) if device is None else book.all(Turn, group=device.id, until_ms=until_ms)
    found = [
        turn
        for turn in turns
        if (done := turn.steps.get(Step.LEAK_TEST.value)) is not None and from_ms <= done.at_ms < until_ms
    ]
    when = range_words(book, from_ms, until_ms, asked)
    if device is None:
        text = f"The leak tester was faulty {when}: leak tests attested then prove nothing."
    else:
        text = f"{device.id} was found to leak; its leak tests {when} are in question."
    return Reach(text, from_ms, until_ms, described(book, found))


def _acts(turn: Turn) -> Iterator[tuple[str, str, int]]:
    """What was done at a round, by whom, when."""
    yield "began it", turn.by, turn.began_ms
    for name, step in turn.steps.items():
        yield name, step.by, step.at_ms
    if turn.in_ms is not None:
        yield "put it in", turn.in_by, turn.in_ms
    if turn.out_ms is not None:
        yield "took it out", turn.out_by, turn.out_ms
    for rinse in turn.rinses:
        yield "rinsed it", rinse.by, rinse.began_ms
    if turn.dried is not None:
        yield "dried it", turn.dried.by, turn.dried.at_ms
    if turn.released is not None:
        yield "released it", turn.released.by, turn.released.at_ms


def _loads_tested_by(book: Book, person: str, from_ms: int, until_ms: int) -> list[Load]:
    tests = {
        test.id for test in book.all(MecTest, since_ms=from_ms, until_ms=until_ms) if person in (test.by, test.read_by)
    }
    return [load for load in book.all(Load, until_ms=until_ms) if load.mec_test in tests] if tests else []


def _with_acts(book: Book, done: dict[str, list[str]]) -> dict[str, Concerned]:
    turns = sorted(book.many(Turn, done), key=lambda turn: (turn.in_ms or 0, turn.id))
    why = {turn: f"What they did: {', '.join(dict.fromkeys(acts))}." for turn, acts in done.items()}
    return described(book, turns, why=why)
