"""Readiness and the fill of each basin, in words."""

from __future__ import annotations

import msgspec

from collector.record.basins.readiness import Readiness, readiness
from collector.record.book import Book
from collector.record.things import Fill, MecResult, MecTest, Profile
from dashboard.degrees import shown_tenths
from dashboard.texts import N_, _, many
from dashboard.when import SiteTime

IN_USE = "basin-free"
"""The block that a load in the basin makes: while it is there, nothing else is worth saying."""


READY, NOT_READY, BUSY = N_("Ready"), N_("Not ready"), N_("In use")


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
        state: "Ready", "Not ready" or "In use", whatever the language.
        word: The same in the site's language.
        why: The one thing that blocks, with its next step; empty when ready.
        besides: Everything else that blocks, each with its next step, and what is to be said all the same.
        solution: The fill in it, its use-by and its last MEC test.
    """

    state: str
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
        state, why = READY, _warm(known.readiness)
    elif first.rule == IN_USE:
        state, why = BUSY, first.text
    else:
        state, why = NOT_READY, f"{first.text} {first.next_step}{_more(len(others))}"
    return ReadyLine(state, _(state), why, [*others, *known.readiness.remarks], _solution(known, now_ms, when))


def _more(others: int) -> str:
    return " " + many("And {n} more thing.", "And {n} more things.", others).format(n=others) if others else ""


def _warm(found: Readiness) -> str:
    if found.needs_mc is None or found.indicated_mc is None:
        return ""
    return _("Needs {least}, shows {now}.").format(
        least=shown_tenths(found.needs_mc, up=True), now=shown_tenths(found.indicated_mc)
    )


def _solution(known: Standing, now_ms: int, when: SiteTime) -> str:
    fill = known.fill
    if fill is None:
        return ""
    name = known.profile.name if known.profile else fill.profile
    text = _("{solution}, fill {fill}, use by {time}.").format(
        solution=f"{name[:1].upper()}{name[1:]}", fill=fill.id, time=when.near(fill.use_by_ms, now_ms)
    )
    return f"{text} {test_words(known.test, known.reader, now_ms, when)}"


def test_words(test: MecTest | None, reader: str, now_ms: int, when: SiteTime) -> str:
    """The last MEC test of a fill in a sentence."""
    if test is None:
        return _("No MEC test yet.")
    if test.result is None:
        text = _("MEC test {test} waits to be read until {time}.")
        return text.format(test=test.id, time=when.near(test.read_until_ms, now_ms))
    at = when.near(test.dipped_ms if test.read_ms is None else test.read_ms, now_ms)
    plain, by = _TESTED[test.result]
    text = _(by if reader else plain).format(test=test.id, time=at, person=reader)
    return f"{text} {_('It cleared load {load}.').format(load=test.used_for)}" if test.used_for else text


_TESTED = {
    MecResult.PASS: (N_("MEC test {test}: passed {time}."), N_("MEC test {test}: passed {time} by {person}.")),
    MecResult.FAIL: (N_("MEC test {test}: failed {time}."), N_("MEC test {test}: failed {time} by {person}.")),
    MecResult.DOUBTFUL: (
        N_("MEC test {test}: doubtful, which counts as failed, {time}."),
        N_("MEC test {test}: doubtful, which counts as failed, {time} by {person}."),
    ),
    MecResult.NOT_READ: (
        N_("MEC test {test}: not read in time, {time}."),
        N_("MEC test {test}: not read in time, {time} by {person}."),
    ),
}
"""A test's result: without and with who read it."""
