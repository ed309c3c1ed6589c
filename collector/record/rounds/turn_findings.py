"""Findings about a device's round that its closures alone cannot tell. They name events, never blame."""

from __future__ import annotations

from collections.abc import Iterator

from collector.record.book import Book
from collector.record.rounds.soaks import immersed_ms, longest_immersion_ms, profile_of
from collector.record.things import Load, Turn
from soak.closure import Finding
from soak.quantity import in_words

CODES = {
    "over-immersed": "The device was in solution for longer than the maximum immersion time.",
    "load-overridden": "The load started although something stood against it.",
    "assigned-late": "The device was assigned after the lid was opened.",
    "used-without-release": "The device was used without having been released.",
    "use-without-link": "The device was used without a reference of the encounter.",
}
"""Every finding about a round, in one sentence; a round's own text has the particulars."""


def turn_findings(book: Book, turn: Turn) -> tuple[Finding, ...]:
    """What is to be said about a round at the book's moment."""
    return tuple(_findings(book, turn))


def _findings(book: Book, turn: Turn) -> Iterator[Finding]:
    profile = profile_of(book, turn)
    if profile is not None:
        immersed, longest = immersed_ms(book, turn), longest_immersion_ms(book, profile)
        if immersed > longest:
            text = f"In solution for {in_words(immersed)}; the maximum immersion time is {in_words(longest)}."
            numbers = {"immersed_ms": immersed, "longest_ms": longest}
            yield Finding("over-immersed", text, turn.out_ms, numbers)
    load = book.find(Load, turn.load) if turn.load else None
    if load is not None and load.override is not None:
        blocks = " ".join(load.override.blocks)
        yield Finding("load-overridden", f"Its load started although: {blocks}", load.override.at_ms)
    if turn.late is not None:
        text = f"Assigned after the lid was opened, confirmed by {book.name_of(turn.late.by)}: {turn.late.note}"
        yield Finding("assigned-late", text, turn.late.at_ms)
    if turn.used is not None and not turn.used.released:
        yield Finding("used-without-release", CODES["used-without-release"], turn.used.at_ms)
    if turn.used is not None and not turn.used.encounter:
        text = "Used without a reference of the encounter: nobody can say later whom it concerns."
        yield Finding("use-without-link", text, turn.used.at_ms)
