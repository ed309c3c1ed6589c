"""One device's own rounds: a positive culture, a use without release."""

from __future__ import annotations

from collector.lookback.described import described
from collector.lookback.reach import Reach, bounds, range_words
from collector.record.book import Book
from collector.record.things import Asked, Device, Turn


def culture(book: Book, asked: Asked) -> Reach:
    """Its rounds since the last negative culture, or within the range that is given."""
    device = book.get(Device, asked.device or "")
    from_ms, until_ms = bounds(book, asked)
    turns = [
        turn
        for turn in book.all(Turn, group=device.id, until_ms=until_ms)
        if (turn.open() and turn.out_ms is None)  # it is still on its way to a patient
        or (turn.used.at_ms if turn.used else turn.out_ms or turn.began_ms) >= from_ms
    ]
    text = (
        f"A culture of {device.id} was positive: its rounds {range_words(book, from_ms, until_ms, asked)} are in "
        "question."
    )
    return Reach(text, from_ms, until_ms, described(book, turns))


def without_release(book: Book, asked: Asked) -> Reach:
    """Its uses within the range that no release stood behind."""
    device = book.get(Device, asked.device or "")
    from_ms, until_ms = bounds(book, asked)
    turns = [
        turn
        for turn in book.all(Turn, group=device.id, until_ms=until_ms)
        if turn.used is not None and not turn.used.released and from_ms <= turn.used.at_ms < until_ms
    ]
    text = (
        f"{device.id} was used without having been released {range_words(book, from_ms, until_ms, asked)}: "
        f"{len(turns)} {'use' if len(turns) == 1 else 'uses'}."
    )
    return Reach(text, from_ms, until_ms, described(book, turns))
