"""Streams: what a hole, a loss, a newer stream and a changed requirement make of verdicts; when pages are sealed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from kit import (
    BOOT_2,
    BOOTED_UTC_MS,
    SENSOR,
    Collecting,
    arrived,
    batch,
    clock_at,
    reading,
    site,
    soak,
    state,
    stream_id,
)

from collector.intake import Arrived
from collector.judging import judge_again
from collector.read import Reader
from collector.readings import stored_readings
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from soak.closure import Edge
from soak.quantity import utc_text
from soak.ranges import Ranges
from soak.reading import Reading
from soak.wire import Clock, State, Topic, encode

A, B = stream_id(1), stream_id(2)
SOAK = soak(720_000)  # open, 721 closed, open: numbers 1 to 723


def part(first: int, last: int, readings: list[Reading] | None = None) -> object:
    """Numbers `first` to `last` of the soak."""
    return batch((readings or SOAK)[first - 1 : last], first)


# Holes and losses


def test_judging_waits_at_a_hole_that_the_node_still_lists(collecting: Collecting) -> None:
    """A hole ends nothing: neither a verdict nor a credit goes past it, and once filled it is as if it never was."""
    collecting.take(part(1, 300), part(401, 723), state((A, 301, 723), ms=722_000))
    assert collecting.closures() == []
    assert collecting.rows("SELECT count(*) FROM lost") == [(0,)]
    now = collecting.now()
    assert (now.number, now.lid, now.closure) == (723, "open", None)
    assert now.judged_to == 300  # so that a page does not take an earlier verdict for what is in the basin
    collecting.take(part(301, 400))
    assert collecting.verdicts() == [(2, 722, "met")]
    assert collecting.now().judged_to == 723


def test_the_closure_in_progress_is_credited_up_to_the_hole(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 722), state((A, 301, 722), ms=721_000))
    closure = collecting.now().closure
    assert closure
    assert (closure.last, closure.credited_ms, closure.verdict) == (300, 298_000, "running")
    collecting.take(part(301, 400))
    closure = collecting.now().closure
    assert closure
    assert (closure.last, closure.credited_ms, closure.verdict) == (722, 720_000, "met")


def test_a_hole_that_the_node_no_longer_lists_is_lost(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 723), state((A, 401, 723), ms=722_000))
    assert collecting.rows("SELECT first, last, found_ms FROM lost") == [(301, 400, None)]
    one, two = collecting.closures()
    assert (one.closure.opening_edge, two.closure.closing_edge, two.closure.lost_before) == (Edge.LOST, Edge.LOST, 100)
    assert [each.closure.verdict for each in (one, two)] == ["unproven", "unproven"]
    assert "readings-missing" in [finding.code for finding in one.closure.findings]


def test_a_loss_at_the_beginning_is_one_too(collecting: Collecting) -> None:
    collecting.take(part(2, 723), state((A, 2, 723), ms=722_000))
    (stored,) = collecting.closures()
    assert (stored.closure.closing_edge, stored.closure.lost_before) == (Edge.LOST, 1)
    assert stored.closure.verdict == "met"
    assert collecting.rows("SELECT first, last FROM lost") == [(1, 1)]


def test_a_stream_that_is_not_listed_at_all_has_lost_its_holes(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 723), state((B, 1, 0), ms=722_000))
    assert collecting.rows("SELECT first, last FROM lost") == [(301, 400)]
    assert [each.closure.opening_edge for each in collecting.closures()] == [Edge.LOST, Edge.SEEN]
    assert collecting.rows("SELECT over FROM stream WHERE stream = ?", A) == [(1,)]


def test_late_readings_supersede_what_was_judged_without_them(collecting: Collecting) -> None:
    """Both verdicts stay: nothing ever given is taken away."""
    collecting.take(part(1, 300), part(401, 723), state((A, 401, 723), ms=722_000))
    collecting.take(part(301, 350))
    assert collecting.rows("SELECT first, last, found_ms IS NULL FROM lost ORDER BY first") == [
        (301, 350, 0),
        (351, 400, 1),
    ]
    assert collecting.verdicts() == [(2, 350, "unproven"), (401, 722, "unproven")]
    collecting.take(part(351, 400))
    assert collecting.verdicts() == [(2, 722, "met")]
    every = sorted(collecting.closures(superseded=True), key=lambda stored: stored.id)
    standing = every[-1].id
    told = [(each.closure.first, each.closure.last, each.closure.lost_before, each.superseded_by) for each in every]
    assert told == [
        (2, 300, 0, every[2].id),
        (401, 722, 100, every[3].id),
        (2, 350, 0, standing),
        (401, 722, 50, standing),
        (2, 722, 0, None),
    ]
    assert collecting.store.lost(1) == Ranges()
    assert collecting.readings() == list(enumerate(SOAK, start=1))


def test_late_readings_leave_alone_what_they_do_not_touch(collecting: Collecting) -> None:
    """A closure that ended in a long pause lies just before the one to which the late readings belong."""
    paused = [msgspec.structs.replace(each, ms=each.ms + (60_000 if each.ms > 200_000 else 0)) for each in SOAK]
    collecting.take(part(1, 300, paused), part(401, 723, paused), state((A, 401, 723), ms=800_000))
    before = {stored.id for stored in collecting.closures()}
    collecting.take(part(301, 400, paused))
    assert [first for first, *_ in collecting.verdicts()] == [2, 202]
    kept, again = collecting.closures()
    assert kept.id in before
    assert again.id not in before
    assert (kept.closure.last, again.closure.last) == (201, 722)


def test_late_readings_can_turn_a_verdict_either_way(collecting: Collecting) -> None:
    """The lid was open in the middle: what was unproven is now not met, by what is known."""
    opened = [*SOAK[:310], reading(SOAK[310].ms, "open"), *SOAK[311:]]
    collecting.take(part(1, 300, opened), part(401, 723, opened), state((A, 401, 723), ms=722_000))
    collecting.take(part(301, 400, opened))
    assert collecting.verdicts() == [(2, 310, "not met"), (312, 722, "not met")]
    assert [each.closure.closing_edge for each in collecting.closures()] == [Edge.SEEN, Edge.SEEN]


@pytest.mark.parametrize("restarted", [False, True])
def test_late_readings_of_a_stream_that_is_over_supersede_for_good(collecting: Collecting, *, restarted: bool) -> None:
    """Nor does the next state message bring back what was judged before they came."""
    running = SOAK[:-1]
    collecting.take(part(1, 300, running), part(401, 722, running), state((B, 1, 0), ms=722_000))
    assert collecting.verdicts() == [(2, 300, "unproven"), (401, 722, "unproven")]
    if restarted:
        collecting.restart()
    collecting.take(part(301, 400, running))
    if restarted:
        collecting.restart()
    for ms in (723_000, 724_000):
        collecting.take(state((B, 1, 0), ms=ms))
        assert collecting.verdicts() == [(2, 722, "met")]
    (stored,) = collecting.closures()
    assert stored.closure.opening_edge is Edge.STREAM_END
    assert collecting.rows("SELECT over FROM stream WHERE stream = ?", A) == [(1,)]


def test_more_of_a_stream_that_is_over_is_judged_when_it_ends_again(collecting: Collecting) -> None:
    """A message that waited at the broker through a power cut: the closure was longer than it seemed."""
    collecting.take(part(1, 600), state((B, 1, 0), ms=722_000, boot=BOOT_2))
    assert collecting.verdicts() == [(2, 600, "unproven")]
    collecting.take(part(601, 722))
    collecting.restart()
    collecting.take(state((B, 1, 0), ms=723_000, boot=BOOT_2))
    assert collecting.verdicts() == [(2, 722, "met")]


def test_repeats_to_a_stream_that_is_over_change_nothing(collecting: Collecting) -> None:
    collecting.take(part(1, 722), state((B, 1, 0), ms=722_000))
    before = collecting.rows("SELECT * FROM closure")
    receipts = collecting.take(part(600, 700))
    assert receipts["n1"].streams == {A: [(1, 722)]}
    collecting.take(state((B, 1, 0), ms=723_000))
    assert collecting.rows("SELECT * FROM closure") == before
    assert collecting.rows("SELECT over FROM stream WHERE stream = ?", A) == [(1,)]


# State


def test_a_newer_stream_ends_the_running_closure_unseen(collecting: Collecting) -> None:
    collecting.take(part(1, 500), state((A, 501, 500), (B, 1, 0), ms=722_000, boot=BOOT_2))
    (stored,) = collecting.closures()
    assert (stored.closure.opening_edge, stored.closure.verdict) == (Edge.STREAM_END, "unproven")


def test_a_closure_runs_on_while_its_stream_still_has_something_to_come(collecting: Collecting) -> None:
    """A newer stream is there, but readings of the old one wait at the node: they may hold the opening."""
    collecting.take(part(1, 500), state((A, 501, 723), (B, 1, 5), ms=722_000, boot=BOOT_2))
    assert collecting.closures() == []
    collecting.take(part(501, 723), state((B, 1, 5), ms=723_000, boot=BOOT_2))
    (stored,) = collecting.closures()
    assert (stored.closure.opening_edge, stored.closure.verdict) == (Edge.SEEN, "met")


def test_a_closure_runs_until_a_newer_stream_of_its_basin_appears(collecting: Collecting) -> None:
    """Design, section 3. A node that lists nothing of the basin, or only another basin, ends nothing."""
    collecting.take(part(1, 500))
    collecting.take(state(ms=722_000), state((B, 1, 0), ms=723_000, basin="b2"))
    assert collecting.closures() == []
    collecting.take(state((stream_id(3), 1, 0), ms=724_000))
    assert [each.closure.opening_edge for each in collecting.closures()] == [Edge.STREAM_END]


def test_the_state_of_another_node_ends_nothing(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 500))
    collecting.take(state((B, 1, 0), ms=722_000), node="n2")
    assert collecting.closures() == []
    assert collecting.rows("SELECT count(*) FROM lost") == [(0,)]


@pytest.mark.parametrize("restarted", [False, True])
def test_a_state_from_before_says_nothing_of_what_came_since(collecting: Collecting, *, restarted: bool) -> None:
    """QoS 1 may deliver late and again; a stream that began since is not over because an old message lists it not."""
    early = state((B, 1, 7), ms=400_000)
    collecting.take(part(1, 300), part(402, 500))
    if restarted:
        collecting.restart()
    collecting.take(early)
    assert collecting.closures() == []
    assert collecting.rows("SELECT count(*) FROM lost") == [(0,)]


def test_an_older_state_does_not_replace_a_newer_one(collecting: Collecting) -> None:
    collecting.take(state((A, 1, 9), ms=5_000, outbox=9), state((A, 1, 3), ms=4_000, outbox=3))
    with Reader(collecting.data_dir) as reader:
        (node,) = reader.nodes()
    assert node.state.outbox == 9


def test_the_last_will_says_only_that_the_node_is_gone(collecting: Collecting) -> None:
    collecting.take(part(1, 500), state((A, 501, 500), ms=501_000, outbox=4))
    collecting.clock.now_ms += 60_000
    collecting.take(arrived(State(up=False)))
    with Reader(collecting.data_dir) as reader:
        (node,) = reader.nodes()
    assert (node.up, node.state.up, node.state.outbox, node.heard_ms) == (False, False, 4, collecting.clock.now_ms)
    assert collecting.closures() == []


def test_a_retained_last_will_tells_no_time(collecting: Collecting) -> None:
    """It was said before the collector came: the node has not been heard of now."""
    collecting.take(state((A, 1, 3), ms=4_000))
    heard_ms = collecting.clock.now_ms
    collecting.restart()
    collecting.clock.now_ms += 3_600_000
    collecting.take(arrived(State(up=False), retained=True))
    with Reader(collecting.data_dir) as reader:
        (node,) = reader.nodes()
    assert (node.up, node.heard_ms) == (False, heard_ms)


def test_a_retained_state_was_said_when_its_clock_says(collecting: Collecting) -> None:
    collecting.clock.now_ms = BOOTED_UTC_MS + 60_000
    said = state((A, 1, 3), ms=4_000)
    collecting.take(arrived(said, retained=True))
    with Reader(collecting.data_dir) as reader:
        (node,) = reader.nodes()
    assert node.heard_ms == BOOTED_UTC_MS + 4_000
    ahead = msgspec.structs.replace(said, clock=Clock(5_000, utc_text(collecting.clock.now_ms + 9_000), synced=False))
    collecting.take(arrived(ahead, retained=True))
    with Reader(collecting.data_dir) as reader:
        assert reader.nodes()[0].heard_ms == collecting.clock.now_ms


def test_a_state_is_answered_with_what_the_disk_has_of_every_stream_it_lists(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 500))
    receipts = collecting.take(state((A, 1, 500), (B, 1, 0), ms=501_000))
    assert receipts["n1"].streams == {A: [(1, 300), (401, 500)]}


# The requirement


def _changing(collecting: Collecting, changed_at: int, contact: str) -> None:
    """From the reading with this number on, another contact time is asked for."""
    collecting.clock.now_ms = BOOTED_UTC_MS + SOAK[changed_at - 1].ms
    collecting.restart(site(contact=contact))


@pytest.fixture
def asks_20_min(tmp_path: Path) -> Iterator[Collecting]:
    """20 minutes are asked for, from before the node's boot."""
    one = Collecting(tmp_path / "other", site(contact="20m"), now_ms=BOOTED_UTC_MS - 1)
    yield one
    one.close()


@pytest.mark.parametrize(("changed_at", "asked_ms"), [(1, 600_000), (2, 600_000), (3, 1_200_000), (600, 1_200_000)])
@pytest.mark.parametrize("many", [False, True])
def test_what_is_required_at_the_closing_reading_judges_the_whole_closure(
    asks_20_min: Collecting, changed_at: int, asked_ms: int, *, many: bool
) -> None:
    """Less is asked for from some reading on: of a closure that has begun by then, 20 minutes to its end."""
    if many:
        asks_20_min.take(part(1, changed_at))
    _changing(asks_20_min, changed_at, "10m")
    asks_20_min.take(part(changed_at + 1, 723) if many else part(1, 723))
    (stored,) = asks_20_min.closures()
    assert stored.closure.requirement
    assert stored.closure.requirement.contact_ms == asked_ms
    assert stored.closure.verdict == ("met" if asked_ms == 600_000 else "not met")


@pytest.mark.parametrize("restarted", [False, True])
def test_what_was_asked_for_before_a_loss_still_judges_after_a_restart(
    asks_20_min: Collecting, *, restarted: bool
) -> None:
    """The lid may have been closed all the time: when more was asked for, and twice something was lost since."""
    asks_20_min.take(part(1, 300), part(311, 330), state((A, 311, 330), ms=SOAK[329].ms))
    _changing(asks_20_min, 350, "2m")
    asks_20_min.take(part(331, 400), part(411, 500), state((A, 411, 500), ms=SOAK[499].ms))
    if restarted:
        asks_20_min.restart(site(contact="2m"))
    asks_20_min.take(part(501, 723))
    asked = [(each.closure.first, each.closure.requirement) for each in asks_20_min.closures()]
    assert [(first, need and need.contact_ms) for first, need in asked] == [
        (2, 1_200_000),
        (311, 1_200_000),
        (411, 1_200_000),
    ]


@pytest.mark.parametrize("again", ["", "restarted", "judged"])
def test_a_pause_does_not_hide_what_was_asked_for_before_a_loss(asks_20_min: Collecting, again: str) -> None:
    """More was asked for when the lid was last open; then a long pause, in which nobody saw it, and a loss."""
    closed = [
        *SOAK[:100],
        *(msgspec.structs.replace(each, ms=each.ms + 60_000) for each in SOAK[100:]),
    ]
    asks_20_min.take(part(1, 50, closed))
    _changing(asks_20_min, 50, "2m")
    asks_20_min.take(part(51, 300, closed))
    if again == "restarted":
        asks_20_min.restart(site(contact="2m"))
    asks_20_min.take(part(311, 723, closed), state((A, 311, 723), ms=closed[722].ms))
    if again == "judged":
        row = asks_20_min.store.stream(A)
        assert row is not None
        with asks_20_min.store.transaction():
            judge_again(asks_20_min.store, row, asks_20_min.store.required(row.basin_id), 311, 722)
    asked = [(each.closure.first, each.closure.requirement) for each in asks_20_min.closures()]
    assert [(first, need and need.contact_ms) for first, need in asked] == [
        (2, 1_200_000),
        (101, 120_000),
        (311, 1_200_000),
    ]


def test_a_lost_beginning_is_judged_by_the_strictest_since_the_boot(asks_20_min: Collecting) -> None:
    _changing(asks_20_min, 300, "2m")
    asks_20_min.take(part(311, 723), state((A, 311, 723), ms=SOAK[722].ms))
    (stored,) = asks_20_min.closures()
    assert stored.closure.requirement
    assert stored.closure.requirement.contact_ms == 1_200_000


def test_readings_from_before_any_requirement_are_judged_by_none(tmp_path: Path) -> None:
    collecting = Collecting(tmp_path / "data", now_ms=BOOTED_UTC_MS + 1_001)
    collecting.take(part(1, 723))
    (stored,) = collecting.closures()
    assert [finding.code for finding in stored.closure.findings] == ["no-requirement"]
    collecting.close()


def test_each_sensor_is_corrected_by_what_held_at_the_closing(asks_20_min: Collecting) -> None:
    """A sensor check in the middle of a soak: its new correction holds from the next closing on."""
    colder = soak(720_000, mc=20_400)
    asks_20_min.clock.now_ms = BOOTED_UTC_MS - 1
    asks_20_min.restart(site())
    asks_20_min.take(part(1, 100, colder))
    asks_20_min.clock.now_ms = BOOTED_UTC_MS + 100_000
    asks_20_min.restart(site(u_c="0.1"))
    asks_20_min.take(part(101, 723, colder))
    (stored,) = asks_20_min.closures()
    assert (stored.closure.verdict, stored.closure.allowance_mc) == ("not met", -100)


def test_figures_of_a_sensor_are_changed_from_now_on(tmp_path: Path) -> None:
    """The settings say since when a requirement holds; a U that is changed later was not known then."""
    need = RequirementSettings("20", "12m", since=datetime(2026, 1, 1, tzinfo=UTC))
    told = [BasinSettings("n1", "b1", "Basin 1", {SENSOR: SensorSettings(u_c=u_c)}, "", need) for u_c in ("0.5", "0.1")]
    collecting = Collecting(tmp_path / "data", site(basins=told[:1]))
    collecting.take(part(1, 723))
    collecting.clock.now_ms = BOOTED_UTC_MS + 800_000
    collecting.restart(site(basins=told[1:]))
    since = collecting.rows("SELECT json_extract(body, '$.since_ms') FROM ledger WHERE kind = 'requirement'")
    assert since == [(1_767_225_600_000,), (BOOTED_UTC_MS + 800_000,)]
    collecting.close()


# The newest reading


def test_the_newest_reading_is_the_one_with_the_highest_number(collecting: Collecting) -> None:
    collecting.take(part(5, 9))
    collecting.take(part(1, 4))
    assert collecting.now().number == 9


def test_what_runs_is_told_anew_when_a_hole_turns_out_to_be_a_loss(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 700))
    collecting.take(state((A, 401, 700), ms=700_000))
    closure = collecting.now().closure
    assert closure
    assert (closure.first, closure.last, closure.credited_ms) == (401, 700, 299_000)


def test_a_clock_that_was_ahead_and_is_set_back_freezes_nothing(collecting: Collecting) -> None:
    """The node started with a clock that was a year ahead; minutes later it was set. What is newest goes by number."""
    ahead = Clock(300_000, "2027-03-02T08:05:00.000Z", synced=False)
    collecting.take(batch(SOAK[:300], clock=ahead))
    collecting.take(part(301, 400))
    assert (collecting.now().number, collecting.now().at_utc_ms) == (400, BOOTED_UTC_MS + SOAK[399].ms)


def test_a_boot_whose_clock_is_behind_is_shown_all_the_same(collecting: Collecting) -> None:
    """A Pi without a clock of its own wakes up with the time of its last shutdown until the network tells it."""
    collecting.take(part(1, 400), state((A, 401, 400), ms=401_000))
    behind = Clock(3_000, utc_text(BOOTED_UTC_MS + 100_000), synced=False)
    collecting.take(state((B, 1, 1), ms=2_000, boot=BOOT_2))
    collecting.take(batch([reading(2_000, "open")], stream=B, boot=BOOT_2, clock=behind))
    assert (collecting.now().stream, collecting.now().number) == (B, 1)
    collecting.take(part(401, 402))
    assert collecting.now().stream == B


def test_a_state_that_comes_late_still_says_which_stream_is_the_newest(collecting: Collecting) -> None:
    collecting.take(part(1, 400), state((A, 401, 400), ms=401_000))
    behind = Clock(3_000, utc_text(BOOTED_UTC_MS + 100_000), synced=False)
    collecting.take(batch([reading(2_000, "open")], stream=B, boot=BOOT_2, clock=behind))
    assert collecting.now().stream == A
    collecting.take(state((B, 1, 1), ms=4_000, boot=BOOT_2))
    assert (collecting.now().stream, collecting.now().number) == (B, 1)


def test_what_an_older_stream_still_has_to_say_is_not_the_newest(collecting: Collecting) -> None:
    collecting.take(state((A, 1, 400), (B, 1, 1), ms=2_000, boot=BOOT_2))
    collecting.take(batch([reading(2_000, "open")], stream=B, boot=BOOT_2, clock=clock_at(2_000)))
    collecting.take(part(1, 400))
    assert collecting.now().stream == B


# Pages


def _pages(collecting: Collecting) -> list[tuple[int, int]]:
    return [(first, last) for first, last in collecting.rows("SELECT first, last FROM page ORDER BY first")]


def test_a_page_is_sealed_at_an_opening_after_more_than_a_minute(collecting: Collecting) -> None:
    minute = soak(60_000)
    more = [msgspec.structs.replace(each, ms=each.ms + 100_000) for each in soak(60_060, step_ms=1_001)[1:]]
    readings = [*minute, *more]
    collecting.take(batch(readings))
    assert [each.closure.closed_ms for each in collecting.closures()] == [60_000, 60_060]
    assert _pages(collecting) == [(1, len(readings))]
    assert collecting.rows("SELECT count(*) FROM batch") == [(0,)]


def test_a_closure_of_a_minute_exactly_seals_nothing(collecting: Collecting) -> None:
    collecting.take(batch(soak(60_000)))
    assert _pages(collecting) == []
    assert collecting.rows("SELECT first, last FROM batch") == [(1, 63)]


def test_a_page_is_sealed_at_3600_readings(collecting: Collecting) -> None:
    readings = [reading(1_000 * number, "open") for number in range(1, 3_700)]
    for start in range(0, len(readings), 700):
        collecting.take(batch(readings[start : start + 700], start + 1))
    assert _pages(collecting) == [(1, 3_600)]
    assert collecting.rows("SELECT first, last FROM batch") == [(3_501, 3_699)]
    collecting.restart()
    assert collecting.readings() == list(enumerate(readings, start=1))


def test_a_page_is_sealed_at_a_clock_step(collecting: Collecting) -> None:
    """The reading that says so begins the next one: within a page a clock does not jump."""
    stepped = Clock(9_000, utc_text(BOOTED_UTC_MS + 3_609_000), synced=True)
    later = [reading(4_000, "open", why="clock"), reading(5_000, "open")]
    collecting.take(batch([reading(ms, "open") for ms in (1_000, 2_000, 3_000)]), batch(later, 4, clock=stepped))
    assert _pages(collecting) == [(1, 3)]
    collecting.take(batch([reading(6_000, "open", why="clock")], 6))
    assert _pages(collecting) == [(1, 3), (4, 5)]
    row = collecting.store.stream(A)
    assert row
    dates = [each.utc_ms - BOOTED_UTC_MS for each in stored_readings(collecting.store.db, row.id)]
    assert dates == [1_000, 2_000, 3_000, 3_604_000, 3_605_000, 6_000]


def test_readings_that_come_after_their_page_make_a_page_of_their_own(collecting: Collecting) -> None:
    collecting.take(part(1, 300), part(401, 723), state((A, 401, 723), ms=722_000))
    collecting.take(part(301, 400))
    assert _pages(collecting) == [(1, 300), (301, 400), (401, 723)]
    assert collecting.rows("SELECT count(*) FROM batch") == [(0,)]


def test_a_page_and_the_rows_it_holds_change_places_in_one_commit(collecting: Collecting) -> None:
    """The commit that seals fails: the rows are there, the page is not; afterwards the page comes all the same."""
    collecting.take(part(1, 722))
    connection = collecting.store.db.conn
    connection.execute("CREATE TEMP TRIGGER full BEFORE DELETE ON batch BEGIN SELECT raise(ABORT, 'disk full'); END")
    with pytest.raises(sqlite3.Error, match="disk full"):
        collecting.take(part(723, 723))
    assert (_pages(collecting), collecting.closures()) == ([], [])
    assert collecting.rows("SELECT first, last FROM batch") == [(1, 722)]
    connection.execute("DROP TRIGGER full")
    collecting.take(part(723, 723))
    assert _pages(collecting) == [(1, 723)]
    assert collecting.verdicts() == [(2, 722, "met")]


@pytest.mark.parametrize("drift_ms", [-9, 9])
def test_no_reading_is_in_neither_of_two_neighbouring_time_ranges(collecting: Collecting, drift_ms: int) -> None:
    """Two clocks read one after the other never quite agree: the last message is a few milliseconds off the others."""
    readings = [reading(1_000 * number, "open") for number in range(1, 3_601)]
    for index in range(0, 3_600, 900):
        last_ms = readings[index + 899].ms
        utc_ms = BOOTED_UTC_MS + last_ms + (drift_ms if index == 2_700 else 0)
        collecting.take(batch(readings[index : index + 900], index + 1, clock=Clock(last_ms, utc_text(utc_ms), True)))
    assert _pages(collecting) == [(1, 3_600)]
    with Reader(collecting.data_dir) as reader:
        everything = list(reader.readings(1, 0, 1 << 50))
        assert [each for _, each in everything] == readings
        for edge_ms in {edge + step for edge in (everything[0][0], everything[-1][0]) for step in (-9, -1, 0, 1, 9)}:
            assert [*reader.readings(1, 0, edge_ms), *reader.readings(1, edge_ms, 1 << 50)] == everything


def test_whether_the_clock_was_synchronised_outlives_sealing(collecting: Collecting) -> None:
    """It became so in the middle of a page, and agreed with what the node had believed before."""
    collecting.take(batch(SOAK[:300], clock=clock_at(300_000, synced=False)), part(301, 723))
    assert _pages(collecting) == [(1, 723)]
    row = collecting.store.stream(A)
    assert row
    synced = [each.clock.synced for each in stored_readings(collecting.store.db, row.id)]
    assert synced == [False] * 300 + [True] * 423


def test_a_stream_that_is_over_lies_in_pages(collecting: Collecting) -> None:
    """Nothing more will come to complete a page."""
    collecting.take(part(1, 40), state((B, 1, 0), ms=722_000))
    assert _pages(collecting) == [(1, 40)]
    assert collecting.rows("SELECT count(*) FROM batch") == [(0,)]
    assert collecting.readings() == list(enumerate(SOAK[:40], start=1))


# A store that fails


def test_after_a_failed_commit_streams_that_do_not_speak_again_are_still_ended(collecting: Collecting) -> None:
    """All that is in memory is made again: a stream that says nothing more must not be forgotten till a restart."""
    collecting.take(part(1, 300), part(401, 500))
    connection = collecting.store.db.conn
    connection.execute("CREATE TEMP TRIGGER full BEFORE INSERT ON stream BEGIN SELECT raise(ABORT, 'disk full'); END")
    with pytest.raises(sqlite3.Error, match="disk full"):
        collecting.take(batch([reading(900_000, "open")], stream=B))
    connection.execute("DROP TRIGGER full")
    receipts = collecting.take(state((A, 301, 500), (B, 1, 1), ms=901_000))
    assert receipts["n1"].streams == {A: [(1, 300), (401, 500)]}
    collecting.take(state((B, 1, 1), ms=902_000))
    assert collecting.rows("SELECT first, last FROM lost") == [(301, 400)]
    assert [each.closure.opening_edge for each in collecting.closures()] == [Edge.LOST, Edge.STREAM_END]


def _tables(collecting: Collecting) -> dict[str, list[tuple[object, ...]]]:
    names = [name for (name,) in collecting.rows("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return {name: collecting.rows(f"SELECT * FROM {name}") for name in names}


def test_a_message_that_breaks_off_leaves_nothing_behind(collecting: Collecting) -> None:
    """Of a batch of messages all or nothing is kept, down to the minutes and the counts."""
    before = _tables(collecting)
    connection = collecting.store.db.conn
    connection.execute("CREATE TEMP TRIGGER full BEFORE INSERT ON now BEGIN SELECT raise(ABORT, 'disk full'); END")
    with pytest.raises(sqlite3.Error, match="disk full"):
        collecting.take(
            part(1, 723),
            Arrived("x", b"y"),
            state((A, 1, 723), ms=722_000),
            Arrived(Topic.STATE.of("n1"), encode(State(up=True))),
        )
    assert _tables(collecting) == before
    connection.execute("DROP TRIGGER full")
    collecting.take(part(1, 723))
    assert collecting.verdicts() == [(2, 722, "met")]
    with Reader(collecting.data_dir) as reader:
        assert sum(minute.known for minute in reader.minutes(1, 0, 1 << 50)[SENSOR]) == 723
