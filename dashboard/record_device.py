"""What the pages of one device and of one load ask: rounds with verdicts, and what is missing for release."""

from __future__ import annotations

from typing import NamedTuple

from collector.record.book import Book, Watched
from collector.record.rounds.release import release_facts
from collector.record.rounds.rinses import rinses_needed
from collector.record.rounds.soaks import immersed_ms, soak_of
from collector.record.rounds.turn_findings import turn_findings
from collector.record.things import (
    ClosureNote,
    Device,
    DeviceType,
    Fill,
    Load,
    MecTest,
    Profile,
    Stage,
    StripBottle,
    Turn,
)
from dashboard.record_query import Names, Part, device_row, look_backs_of, needed, part, profile_names
from dashboard.record_words import rinse_words
from soak.closure import Finding, Verdict
from soak.releasable import Missing

ROUNDS_PER_PAGE = 10


class SoakRow(NamedTuple):
    """A closure that a device lay in.

    Attributes:
        watched: The closure.
        row: Its number among the closures' pages; None if it is not stored.
        notes: What people say of it.
    """

    watched: Watched
    row: int | None
    notes: ClosureNote | None


class RoundRow(NamedTuple):
    """One round of a device.

    Attributes:
        turn: The round.
        verdict: Of its soak; None where it lay in no closure.
        soaks: Closures that it lay in, oldest first.
        findings: Of the closure that counts, and of the round itself.
        immersed_ms: How long it was in the solution.
        missing: What is missing before release, or was when it was used without; only where that is the question.
        profile: What it soaked in.
        rinses: What is asked for after the soak, while that is still to be done; empty otherwise.
    """

    turn: Turn
    verdict: Verdict | None
    soaks: list[SoakRow]
    findings: list[Finding]
    immersed_ms: int
    missing: tuple[Missing, ...]
    profile: Profile | None
    rinses: str


def one_device(book: Book, device_id: str, number: int) -> dict[str, object]:
    """One device, its rounds newest first, and every look-back that it was part of."""
    device = needed(book, Device, device_id, "/devices")
    turns = part(book, Turn, number, ROUNDS_PER_PAGE, group=device.id, newest_first=True)
    return {
        "names": Names(book),
        "row": device_row(book, device),
        "profile_names": profile_names(book),
        "part": Part([round_row(book, turn) for turn in turns.rows], turns.number, turns.more),
        "lookbacks": look_backs_of(book, devices=[device.id]),
    }


def one_load(book: Book, load_id: str) -> dict[str, object]:
    """One load: devices, fill, test, override, closures."""
    load = needed(book, Load, load_id, "/loads")
    fill, test = book.find(Fill, load.fill), book.find(MecTest, load.mec_test) if load.mec_test else None
    strips = book.find(StripBottle, test.strip_bottle) if test else None
    until_ms = book.at_ms if load.ended_ms is None else load.ended_ms
    closures = book.closures(load.basin, load.began_ms, until_ms + 1)
    return {
        "names": Names(book),
        "load": load,
        "fill": fill,
        "profile": book.find(Profile, fill.profile) if fill else None,
        "test": test,
        "lot": strips.lot if strips else "",
        "closures": [_soak(book, each) for each in closures],
        "rounds": [round_row(book, turn) for each in load.turns if (turn := book.find(Turn, each))],
        "lookbacks": look_backs_of(book, turns=load.turns),
    }


def round_row(book: Book, turn: Turn) -> RoundRow:
    """A round with what its soak is worth."""
    then = _then(book, turn)
    soak = soak_of(then, turn)
    fill = book.find(Fill, turn.fill) if turn.fill else None
    unreleased = turn.used is not None and not turn.used.released
    asked = turn.stage in (Stage.PREPARING, Stage.SOAKING, Stage.SOAKED) or unreleased
    return RoundRow(
        turn,
        soak.verdict,
        [_soak(book, each) for each in soak.closures],
        [*(soak.best.closure.findings if soak.best else ()), *turn_findings(then, turn)],
        immersed_ms(then, turn),
        release_facts(book, turn)[1] if asked and _known(book, turn) else (),
        book.find(Profile, fill.profile) if fill else None,
        (rinse_words(rinses_needed(book, turn)) or "") if turn.stage is Stage.SOAKED and _known(book, turn) else "",
    )


def _then(book: Book, turn: Turn) -> Book:
    """A round that is over is looked at as of its end: later closures of its basin are none of its own."""
    return book if turn.out_ms is None else Book.looking(book.connection, min(turn.out_ms, book.at_ms))


def _known(book: Book, turn: Turn) -> bool:
    device = book.find(Device, turn.device)
    return device is not None and book.find(DeviceType, device.type) is not None


def _soak(book: Book, watched: Watched) -> SoakRow:
    return SoakRow(watched, closure_row(book, watched.key), book.find(ClosureNote, watched.key))


def closure_row(book: Book, key: str) -> int | None:
    """The row of a closure ("stream:first") as it stands now: its page is /closures/row."""
    stream, _, first = key.partition(":")
    row = book.connection.execute(
        """SELECT c.id FROM closure c JOIN stream s ON s.id = c.stream_id
           WHERE s.stream = ? AND c.first = ? AND c.superseded_by IS NULL""",
        (stream, int(first)),
    ).fetchone()
    return int(row[0]) if row else None
