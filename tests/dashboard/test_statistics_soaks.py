"""What counts as a soak, and what is counted, measured and waited for."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from collector.counting.counts import Counts, by_basin, counted, in_groups
from collector.counting.failures import Became, action, names_somebody, words_of_names
from collector.counting.groups import Step, groups, sorted_into
from collector.counting.responses import responses, rounds_met, waits
from collector.counting.soaks import Kind, Laid, Quarantined, Released, Round, Used, Watched, sort_out
from collector.record.things import Alarm, Seen, Stage
from dashboard.statistics.margins import allowance_mc, coldest_mc, margins, spread, time_ms
from dashboard.when import SiteTime
from soak.alarms import Priority
from soak.closure import Verdict

MINUTE_MS = 60_000
CONTACT_MS = 12 * MINUTE_MS
BERLIN = SiteTime(ZoneInfo("Europe/Berlin"))


def closed(
    minute: int, minutes: int, verdict: Verdict = Verdict.MET, *, basin: str = "n1/b1", number: int | None = None
) -> Watched:
    """A closure from one minute on, for so many."""
    closing_ms, opened_ms = minute * MINUTE_MS, (minute + minutes) * MINUTE_MS
    row_id = minute if number is None else number
    credited_ms = minutes * MINUTE_MS
    return Watched(
        row_id,
        f"s:{row_id}",
        basin,
        closing_ms,
        opened_ms - 400,
        opened_ms,
        verdict,
        credited_ms,
        CONTACT_MS,
        20_000,
        21_000,
        600,
    )


def load(began: int, ended: int | None, *rounds: str, openings: tuple[int, ...] = (), basin: str = "n1/b1") -> Laid:
    until_ms = None if ended is None else ended * MINUTE_MS
    return Laid("L1", basin, began * MINUTE_MS, until_ms, rounds, tuple(each * MINUTE_MS for each in openings))


def turn(name: str, in_minute: int | None, out_minute: int | None = None, **more: Any) -> Round:
    in_ms = None if in_minute is None else in_minute * MINUTE_MS
    out_ms = None if out_minute is None else out_minute * MINUTE_MS
    return Round(name, f"D-{name}", in_ms=in_ms, out_ms=out_ms, **{"stage": Stage.SOAKED, **more})


def kinds(closures: list[Watched], loads: list[Laid], *rounds: Round, every: bool = False) -> list[Kind]:
    found = sort_out(closures, loads, {each.id: each for each in rounds}, every_closing_is_a_load=every)
    return [each.kind for each in found.closures]


def test_a_closure_that_held_a_load_is_a_soak_and_others_are_not() -> None:
    closures = [closed(0, 5, Verdict.NOT_MET), closed(10, 14), closed(30, 20), closed(60, 0, Verdict.NOT_MET)]
    assert kinds(closures, [load(9, 25, "T1")], turn("T1", 9, 25)) == [
        Kind.UNASSIGNED,
        Kind.SOAK,
        Kind.UNASSIGNED,
        Kind.PASSING,
    ]
    assert kinds(closures, [load(9, 25, "T1")], turn("T1", 9, 25), every=True) == [Kind.SOAK] * 4


def test_a_load_begins_before_the_closing_and_ends_after_it() -> None:
    at_its_begin, at_its_end = closed(10, 14), closed(40, 14)
    assert kinds([at_its_begin, at_its_end], [load(10, 40, "T1")], turn("T1", 10, 40)) == [Kind.SOAK, Kind.UNASSIGNED]
    assert kinds([at_its_begin], [load(10, None, "T1", basin="n1/b2")], turn("T1", 10)) == [Kind.UNASSIGNED]
    assert kinds([at_its_begin], [load(10, None)]) == [Kind.SOAK]


def test_an_opening_that_was_said_first_is_no_failure() -> None:
    first, second = closed(10, 5, Verdict.NOT_MET), closed(16, 14)
    rounds = turn("T1", 9, 40), turn("T2", 16, 40)
    assert kinds([first, second], [load(9, 40, "T1", "T2", openings=(14,))], *rounds) == [Kind.OPENING_SAID, Kind.SOAK]
    assert kinds([first, second], [load(9, 40, "T1", "T2", openings=(8,))], *rounds) == [Kind.SOAK, Kind.SOAK]


def test_a_lid_put_on_again_over_a_load_that_had_met_counts_apart() -> None:
    closures = [closed(10, 14), closed(30, 3, Verdict.NOT_MET), closed(40, 14)]
    assert kinds(closures, [load(9, 60, "T1")], turn("T1", 9, 60)) == [Kind.SOAK, Kind.AFTER_MET, Kind.AFTER_MET]
    added = [turn("T1", 9, 60), turn("T2", 25, 60)]
    assert kinds(closures, [load(9, 60, "T1", "T2")], *added) == [Kind.SOAK, Kind.SOAK, Kind.SOAK]
    gone = turn("T1", 9, 20)  # taken out before the lid was opened: it did not lie there throughout
    assert kinds(closures[:2], [load(9, 60, "T1")], gone) == [Kind.SOAK, Kind.AFTER_MET]


def test_each_round_meets_in_the_first_closure_that_it_lay_in_throughout() -> None:
    rounds = {each.id: each for each in (turn("T1", 9, 60), turn("T2", 12, 60))}
    found = sort_out([closed(30, 14), closed(10, 14)], [load(9, 60, "T1", "T2")], rounds, every_closing_is_a_load=False)
    assert {name: each.closing_ms // MINUTE_MS for name, each in found.met_in.items()} == {"T1": 10, "T2": 30}


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 3, 30), 24)])
def test_days_are_the_sites_own_also_when_the_clock_is_changed(day: date, hours: int) -> None:
    (only,) = groups(day, day, Step.DAY, BERLIN.day_range)
    assert only.name == day.isoformat()
    assert only.until_ms - only.since_ms == hours * 3_600_000


def test_weeks_begin_on_monday_and_are_cut_to_the_range() -> None:
    found = groups(date(2025, 12, 31), date(2026, 1, 13), Step.WEEK, BERLIN.day_range)
    assert [(each.name, each.first.isoformat()) for each in found] == [
        ("2026-W01", "2025-12-31"),
        ("2026-W02", "2026-01-05"),
        ("2026-W03", "2026-01-12"),
    ]
    assert all(each.until_ms == after.since_ms for each, after in pairwise(found))
    assert found[-1].until_ms - found[-1].since_ms == 2 * 86_400_000


@given(st.dates(date(1999, 1, 1), date(2030, 1, 1)), st.integers(0, 400), st.sampled_from(Step))
def test_groups_cover_a_range_without_gap_or_overlap(first: date, days: int, step: Step) -> None:
    last = first + timedelta(days=days)
    found = groups(first, last, step, BERLIN.day_range)
    assert found[0].since_ms == BERLIN.day_range(first)[0]
    assert found[-1].until_ms == BERLIN.day_range(last)[1]
    assert all(each.until_ms == after.since_ms for each, after in pairwise(found))
    assert len({each.name for each in found}) == len(found)


def test_a_soak_at_midnight_belongs_to_the_day_that_begins() -> None:
    two = groups(date(2026, 3, 28), date(2026, 3, 29), Step.DAY, BERLIN.day_range)
    midnight_ms = int(datetime(2026, 3, 28, 23, tzinfo=UTC).timestamp() * 1000)  # 00:00 in Berlin, still in winter
    moments = [midnight_ms - 1, midnight_ms, two[1].until_ms, two[0].since_ms - 1]
    assert sorted_into(moments, lambda each: each, two) == [[midnight_ms - 1], [midnight_ms]]


def test_counts_by_verdict_group_and_basin() -> None:
    day = groups(date(1970, 1, 1), date(1970, 1, 2), Step.DAY, SiteTime(UTC).day_range)
    soaks = [
        closed(10, 14),
        closed(30, 5, Verdict.NOT_MET),
        closed(60, 14, Verdict.UNPROVEN, basin="n1/b2"),
        closed(1500, 14, basin="n1/b2"),
    ]
    assert counted(soaks) == Counts(2, 1, 1)
    assert (counted(soaks).total, counted(soaks).failed) == (4, 2)
    assert [counted(each) for each in in_groups(soaks, day)] == [Counts(1, 1, 1), Counts(1, 0, 0)]
    rows = by_basin(in_groups(soaks, day), ["n1/b1", "n1/b2", "n1/b3"])
    assert [(each.basin, each.counts, each.by_group) for each in rows] == [
        ("n1/b1", Counts(1, 1, 0), [Counts(1, 1, 0), Counts()]),
        ("n1/b2", Counts(1, 0, 1), [Counts(0, 0, 1), Counts(1, 0, 0)]),
        ("n1/b3", Counts(), [Counts(), Counts()]),
    ]


def test_margins_are_what_was_proven_beyond_what_was_asked() -> None:
    good, early = closed(10, 14), closed(30, 5, Verdict.NOT_MET)
    bare = replace(good, contact_ms=None, min_mc=None, allowance_mc=None)
    assert [time_ms(each) for each in (good, early, bare)] == [2 * MINUTE_MS, -7 * MINUTE_MS, None]
    assert [coldest_mc(each) for each in (good, replace(good, coldest_mc=19_500), bare)] == [1_000, -500, None]
    assert allowance_mc(good) == 600
    days = groups(date(1970, 1, 1), date(1970, 1, 3), Step.DAY, SiteTime(UTC).day_range)
    found = margins(in_groups([good, early, bare, closed(2900, 13)], days), time_ms)
    assert (found.all.n, found.without, found.all.below_zero) == (3, 1, 1)
    assert [each.n for each in found.by_group] == [2, 0, 1]
    assert found.by_group[0].lowest == -7 * MINUTE_MS
    assert found.chart.mean == -3 * MINUTE_MS  # of the medians −7 and 1 min: the day without a soak has no point
    assert found.outside() == []


@given(st.lists(st.integers(-(10**7), 10**7), min_size=1))
def test_a_spread_is_made_of_margins_that_soaks_had(values: list[int]) -> None:
    found = spread(values)
    assert {found.lowest, found.p10, found.median, found.highest} <= set(values)
    assert (found.lowest, found.highest) == (min(values), max(values))
    assert found.median is not None
    assert 2 * sum(each <= found.median for each in values) >= len(values)
    assert spread([]).median is None


def test_a_wait_from_met_is_never_overstated() -> None:
    """14 min proven of 12: it had met 12 min after the closing; a run that came late met no later than by the end."""
    soak = closed(10, 14)
    assert soak.met_by_ms == soak.last_ms - 2 * MINUTE_MS
    late = replace(soak, credited_ms=CONTACT_MS)
    assert late.met_by_ms == late.last_ms
    assert closed(10, 5, Verdict.NOT_MET).met_by_ms is None


def test_what_became_of_rounds_that_met() -> None:
    soak = closed(10, 14)
    assert soak.met_by_ms is not None
    released = turn("T1", 9, released=Released(soak.met_by_ms + 20 * MINUTE_MS), stage=Stage.USED)
    others = [
        turn("T2", 9, used=Used(released=False), stage=Stage.USED),
        turn("T3", 9, quarantine=Quarantined(), stage=Stage.ENDED),
        turn("T4", 9, stage=Stage.ENDED),
        turn("T5", 9),
        turn("T6", 9, released=Released(soak.met_by_ms - 5)),  # a clock that went back: at once
    ]
    found = rounds_met([(each, soak) for each in (released, *others)])
    assert (found.waits.n, found.used_unreleased, found.quarantined, found.ended, found.waiting) == (2, 1, 1, 1, 1)
    assert found.total == 6
    assert (found.waits.median_ms, found.waits.longest_ms) == (0, 20 * MINUTE_MS)


@given(st.lists(st.integers(0, 10**9)))
def test_every_wait_stands_in_one_bar(times: list[int]) -> None:
    found = waits(times)
    assert sum(each.times for each in found.bars) == found.n == len(times)
    for bar in found.bars:
        most = 10**10 if bar.until_ms is None else bar.until_ms
        assert bar.times == sum(bar.from_ms <= each < most for each in times)


def test_alarms_are_counted_by_priority_and_late_ones_apart() -> None:
    def alarm(number: int, priority: Priority, seen_ms: int | None, *, late: bool = False) -> Alarm:
        seen = None if seen_ms is None else Seen("tina", seen_ms)
        return Alarm(
            id=f"A{number}",
            code="c",
            priority=priority,
            about="x",
            text="",
            cause_ms=0,
            raised_ms=0,
            seen=seen,
            late=late,
        )

    found = responses(
        [alarm(1, Priority.HIGH, 40_000), alarm(2, Priority.HIGH, None), alarm(3, Priority.LOW, 9, late=True)]
    )
    high, _medium, low, everything = found.by_priority
    assert (high.priority, high.raised, high.times.seen, high.times.median_ms) == (Priority.HIGH, 2, 1, 40_000)
    assert (high.times.not_seen_yet, low.raised, everything.raised, everything.priority) == (1, 0, 2, None)
    assert found.late == 1


def test_what_was_done_about_a_failed_soak() -> None:
    rounds = {
        each.id: each
        for each in (
            turn("T1", 9, 60),
            turn("T2", 9, 60, quarantine=Quarantined("Reprocess it.")),
            turn("T3", 9, 60, used=Used(released=False)),
            turn("T4", 9, 60, stage=Stage.ENDED),
        )
    }
    first = closed(10, 5, Verdict.NOT_MET)
    loads = [load(9, 60, *rounds)]
    found = sort_out([first, closed(20, 14)], loads, rounds, every_closing_is_a_load=False)
    said = ["Soaked again.", "Soaked again.", "Tina put it back.", ""]
    met_in = {"T1": closed(20, 14)}
    done = action(found.closures[0], rounds, met_in, said, words_of_names([("tina", "Tina Test")]))
    assert done.became == {
        Became.MET_LATER: 1,
        Became.QUARANTINED: 1,
        Became.UNRELEASED: 1,
        Became.AGAIN: 1,
    }
    assert done.texts == ["Soaked again.", "Reprocess it."]
    assert done.withheld == 1
    assert done.on_record
    nothing = action(found.closures[0]._replace(rounds=()), rounds, {}, [], frozenset())
    assert not nothing.on_record


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("Lid was lifted too soon.", False),
        ("asked TINA to soak it again", True),
        ("Told t.test@n1 at once.", True),
        ("Frau Müller-Lüdenscheidt came.", True),
        ("例田さんがもう一度浸した", True),
        ("The Müllerin tin.", False),
        ("It was Li.", True),
        ("T came", False),
    ],
)
def test_a_text_that_names_a_person_is_known(text: str, named: bool) -> None:
    people = [
        ("tina", "Tina Test"),
        ("t.test", "T Test"),
        ("hm", "Heide Müller-Lüdenscheidt"),
        ("rei", "例田 れい"),
        ("x9", "Li"),
    ]
    assert names_somebody(text, words_of_names(people)) is named
