"""Readiness and the fill of each basin, in words."""

from __future__ import annotations

import msgspec

from collector.record.basins.readiness import Readiness, readiness
from collector.record.book import Book
from collector.record.things import Fill, MecResult, MecTest, Profile
from dashboard.when import SiteTime
from soak.quantity import tenths

IN_USE = "basin-free"
"""The block that a load in the basin makes: while it is there, nothing else is worth saying."""


class Standing(msgspec.Struct, frozen=True):
    """A basin's readiness, what is in it, and the last MEC test of that."""

    readiness: Readiness
    fill: Fill | None
    profile: Profile | None
    test: MecTest | None
    reader: str = ""


class ReadyLine(msgspec.Struct, frozen=True):
    """Readiness in words.

    Attributes:
        word: "Ready", "Not ready" or "In use".
        why: The one thing that blocks, with its next step; empty when ready.
        besides: Everything else that blocks, each with its next step, and what is to be said all the same.
        solution: The fill in it, its use-by and its last MEC test.
    """

    word: str
    why: str
    besides: list[str]
    solution: str


def standing(book: Book, basin: str) -> Standing:
    """Ask the record about one basin ("node/name")."""
    found = readiness(book, basin)
    fill = book.find(Fill, found.fill) if found.fill else None
    if fill is None:
        return Standing(found, None, None, None)
    test = next(iter(book.all(MecTest, group=fill.id, newest_first=True, limit=1)), None)
    reader = book.name_of(test.read_by) if test and test.read_by else ""
    return Standing(found, fill, book.find(Profile, fill.profile), test, reader)


def ready_line(known: Standing, now_ms: int, when: SiteTime) -> ReadyLine:
    """Put it into words."""
    blocks = known.readiness.blocks
    first = next((block for block in blocks if block.rule == IN_USE), blocks[0] if blocks else None)
    others = [f"{block.text} {block.next_step}" for block in blocks if block is not first]
    if first is None:
        word, why = "Ready", _warm(known.readiness)
    elif first.rule == IN_USE:
        word, why = "In use", first.text
    else:
        word, why = "Not ready", f"{first.text} {first.next_step}{_more(len(others))}"
    return ReadyLine(word, why, [*others, *known.readiness.remarks], _solution(known, now_ms, when))


def _more(others: int) -> str:
    return f" And {others} more {'thing' if others == 1 else 'things'}." if others else ""


def _warm(found: Readiness) -> str:
    if found.needs_mc is None or found.indicated_mc is None:
        return ""
    return f"Needs {tenths(found.needs_mc, up=True)} °C, shows {tenths(found.indicated_mc)} °C."


def _solution(known: Standing, now_ms: int, when: SiteTime) -> str:
    fill = known.fill
    if fill is None:
        return ""
    name = known.profile.name if known.profile else fill.profile
    use_by = f"use by {when.near(fill.use_by_ms, now_ms)}"
    return (
        f"{name[:1].upper()}{name[1:]}, fill {fill.id}, {use_by}. {test_words(known.test, known.reader, now_ms, when)}"
    )


def test_words(test: MecTest | None, reader: str, now_ms: int, when: SiteTime) -> str:
    """The last MEC test of a fill in a sentence."""
    if test is None:
        return "No MEC test yet."
    if test.result is None:
        return f"MEC test {test.id} waits to be read until {when.near(test.read_until_ms, now_ms)}."
    at = when.near(test.dipped_ms if test.read_ms is None else test.read_ms, now_ms)
    words = {
        MecResult.PASS: "passed",
        MecResult.FAIL: "failed",
        MecResult.DOUBTFUL: "doubtful, which counts as failed",
        MecResult.NOT_READ: "not read in time",
    }[test.result]
    by = f" by {reader}" if reader else ""
    used = f", cleared load {test.used_for}" if test.used_for else ""
    return f"MEC test {test.id}: {words} {at}{by}{used}."
