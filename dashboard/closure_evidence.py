"""What proves a closure's soak, each piece with the ledger's record that holds it: load, devices, tests, alarms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from collector import ledger
from collector.evidence.around import ReadingsPage, alarms_of, pages_of, records_of, row_of
from collector.ledger import Record
from collector.record.book import Book
from collector.record.things import Alarm, ClosureNote, Fill, Load, MecTest, Profile, StripBottle, Thing, Turn
from dashboard.ledger_pages import About, about
from dashboard.record_query import Names


class RecordLine(NamedTuple):
    """One record of the ledger and what it is about."""

    record: Record
    about: About


class Evidence(NamedTuple):
    """All that the store has about a closure beside what was measured.

    Attributes:
        verdict: The record of its verdict.
        pages: Its readings.
        open_readings: Some of its readings are on no page yet: no digest covers them so far.
        fill: What the load lay in.
        profile: That fill's solution.
        tests: MEC tests that cleared the load.
        lots: Lots of the strips, by MEC test.
        alarms: Those about it.
        records: What people recorded about load, devices, tests, notes and fill, oldest first.
        cut: There are older ones that were not looked for.
    """

    verdict: Record | None
    pages: Sequence[ReadingsPage]
    open_readings: bool
    fill: Fill | None
    profile: Profile | None
    tests: Sequence[MecTest]
    lots: dict[str, str]
    alarms: Sequence[Alarm]
    records: Sequence[RecordLine]
    cut: bool


def evidence(book: Book, closure_id: int, load: Load | None, turns: Sequence[Turn], names: Names) -> Evidence:
    """Gather it.

    Args:
        book: To look in.
        closure_id: The closure's row, which is there.
        load: The load that was in it, if one was.
        turns: That load's rounds.
        names: People and basins as they are called.
    """
    row = row_of(book.connection, closure_id)
    assert row is not None  # noqa: S101 - the caller has just read it
    fill = book.find(Fill, load.fill) if load else None
    test = book.find(MecTest, load.mec_test) if load and load.mec_test else None
    tests = [test] if test else []
    strips = [(each.id, book.find(StripBottle, each.strip_bottle)) for each in tests]
    about_it: list[Thing] = [*turns, *tests, *(each for each in (load, book.find(ClosureNote, row.key)) if each)]
    found, cut = records_of(book.connection, about_it)
    pages = list(pages_of(book.connection, row, row.first, row.last))
    return Evidence(
        verdict=ledger.record(book.connection, row.number),
        pages=pages,
        open_readings=sum(page.last - page.first + 1 for page in pages) < row.last - row.first + 1
        and (not pages or pages[-1].last < row.last),
        fill=fill,
        profile=book.find(Profile, fill.profile) if fill else None,
        tests=tests,
        lots={test_id: bottle.lot for test_id, bottle in strips if bottle},
        alarms=alarms_of(book.connection, row, {turn.id for turn in turns}),
        records=[RecordLine(each, about(book, names, each)) for each in found],
        cut=cut,
    )
