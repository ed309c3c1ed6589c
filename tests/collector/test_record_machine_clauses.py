"""Everything right but one thing: not released, for that thing. One scenario for each clause of the design.

The state machine's own bookkeeping has to see exactly that clause too, so that both are tried against each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest
from msgspec.structs import replace
from record_kit import BASINS, DAY_MS, HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS
from record_machine_clinic import COLD_MC, GUARD_MC, WARM_MC, Clinic
from record_machine_facts import Filled, Laden

from collector.record.book import Watched
from collector.record.things import Attested, Device, Discarded, Fill, MecResult, MecTest, Quarantine, Rinsed, Turn
from soak.closure import Verdict

B1, B2 = BASINS
MET_MS = 2 * MINUTE_MS + 5 * SECOND_MS
STEPS = ("leak test", "clean")
FAR = date(2026, 12, 31)
TODAY = date(2026, 3, 2)

Doing = Callable[["Clinic"], object]


def nothing(_: Clinic) -> None:
    """As it should be."""


@pytest.fixture
def clinic(tmp_path: Path) -> Iterator[Clinic]:
    one = Clinic(tmp_path / "data")
    yield one
    one.hold()
    one.close()


def poured(clinic: Clinic, basin: str = B1, profile: str = "one", expires: date = FAR) -> Filled:
    """A new fill, not tested."""
    bottle = clinic.receive(profile, expires)
    assert bottle
    fill = clinic.pour(basin, bottle)
    assert fill
    return clinic.site.fills[fill]


def ready(clinic: Clinic, basin: str = B1, profile: str = "one", expires: date = FAR) -> Filled:
    """A fill that is tested for the next load."""
    fill = poured(clinic, basin, profile, expires)
    clinic.test(fill)
    clinic.moved_today(basin)
    return fill


def prepared(clinic: Clinic, *devices: str, steps: tuple[str, ...] = STEPS) -> None:
    for device in devices:
        clinic.begin(device)
        clinic.attest(device, steps)


def soak(clinic: Clinic, basin: str = B1, ms: int = MET_MS, during: Doing = nothing) -> None:
    """Closed, something done meanwhile, opened."""
    clinic.close_lid(basin)
    during(clinic)
    shut = clinic.watches[basin].shut
    assert shut
    clinic.wait(max(0, shut.closing_ms + ms - clinic.now_ms))
    clinic.open_lid(basin)


def finish(clinic: Clinic, *devices: str, rinse_ms: int = 20_000, rinses: int = 2, fresh: bool = True) -> None:
    for device in devices:
        for _ in range(rinses):
            clinic.rinse(device, rinse_ms, fresh=fresh)
        clinic.dry(device)


def whole(
    clinic: Clinic,
    *,
    before: Doing = nothing,
    placed: Doing = nothing,
    during: Doing = nothing,
    opened: Doing = nothing,
    out: Doing = nothing,
    done: Doing = nothing,
) -> None:
    """One round of A1 in basin 1 as it should be, with something done at a moment of it."""
    if clinic.site.fill_in(B1) is None:
        ready(clinic)
    prepared(clinic, "A1")
    before(clinic)
    assert clinic.start(B1, "A1"), clinic.last_refusal
    placed(clinic)
    soak(clinic, during=during)
    opened(clinic)
    clinic.take_out(B1)
    out(clinic)
    finish(clinic, "A1")
    done(clinic)


def not_released(clinic: Clinic, clause: str, rule: str, *devices: str, who: str = "tina", twice: bool = True) -> str:
    """The bookkeeping names this clause alone, and so does the record, in words that it gives back."""
    devices = devices or ("A1",)
    against = clinic.against(*devices, who=who, second_factor=twice)
    assert set().union(*against.values()) == {clause}
    assert not clinic.release(*devices, who=who, second_factor=twice)
    assert clinic.last_refusal
    assert clinic.last_refusal.rule == rule, clinic.last_refusal
    return clinic.last_refusal.text


def fill_of(clinic: Clinic) -> Filled:
    fill = clinic.site.fill_in(B1)
    assert fill
    return fill


def test_with_everything_right_it_is_released(clinic: Clinic) -> None:
    whole(clinic)
    assert clinic.release("A1"), clinic.last_refusal
    clinic.use("A1")
    assert clinic.counts["used released"] == 1


def test_a_batch_is_released(clinic: Clinic) -> None:
    ready(clinic)
    prepared(clinic, "A1", "A2")
    clinic.start(B1, "A1", "A2")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1", "A2")
    assert clinic.release("A1", "A2"), clinic.last_refusal


def test_all_of_a_batch_or_none(clinic: Clinic) -> None:
    ready(clinic)
    prepared(clinic, "A1", "A2")
    clinic.start(B1, "A1", "A2")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    finish(clinic, "A2", rinses=1)
    not_released(clinic, "rinses", "rinses", "A1", "A2")
    assert clinic.release("A1"), clinic.last_refusal


# By whom


def test_a_badge_alone(clinic: Clinic) -> None:
    whole(clinic)
    not_released(clinic, "second factor", "second-factor", twice=False)


def test_an_auditor(clinic: Clinic) -> None:
    whole(clinic)
    not_released(clinic, "person", "role", who="olga")


# Steps


def overridden(clinic: Clinic, *devices: str, **more: bool) -> None:
    assert clinic.start(B1, *devices, override=True, who="sam", **more), clinic.last_refusal


def test_a_step_missing(clinic: Clinic) -> None:
    ready(clinic)
    prepared(clinic, "A1", steps=("clean",))
    overridden(clinic, "A1")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "steps", "steps")


def test_a_step_that_its_type_asks_for_since(clinic: Clinic) -> None:
    whole(clinic, done=lambda each: each.change_type("scope", steps=(*STEPS, "channels filled")))
    not_released(clinic, "steps", "steps")


def test_a_step_recorded_after_the_closing(clinic: Clinic) -> None:
    """Said to lie in it already: the closure counts, the step does not."""
    ready(clinic)
    prepared(clinic, "A1", steps=("clean",))

    def late(each: Clinic) -> None:
        each.wait(5 * SECOND_MS)
        each.attest("A1", ("leak test",), ago_ms=MINUTE_MS)
        overridden(each, "A1", already_in=True)

    soak(clinic, during=late)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "steps", "steps")


# The solution


def test_a_solution_no_longer_permitted(clinic: Clinic) -> None:
    whole(clinic, done=lambda each: each.change_type("scope", profiles=("two",)))
    not_released(clinic, "solution", "profile")


def test_a_kind_excluded_since(clinic: Clinic) -> None:
    """Its look-back is closed first, so that nothing else stands against it."""
    whole(clinic, done=lambda each: each.correct("one", excluded=("urological", "gastroenterological")))
    for look_back in tuple(clinic.site.open_look_backs):
        clinic.close_look_back(look_back)
    not_released(clinic, "solution", "profile")


# The MEC test


def test_no_test(clinic: Clinic) -> None:
    poured(clinic)
    clinic.moved_today(B1)
    prepared(clinic, "A1")
    overridden(clinic, "A1")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "MEC test", "mec-test")


def test_a_test_that_cleared_another_load(clinic: Clinic) -> None:
    whole(clinic)
    clinic.release("A1")
    prepared(clinic, "A2")
    overridden(clinic, "A2")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A2")
    not_released(clinic, "MEC test", "mec-test", "A2")


def test_a_test_read_after_the_closing(clinic: Clinic) -> None:
    fill = poured(clinic)
    clinic.moved_today(B1)
    prepared(clinic, "A1")
    overridden(clinic, "A1")
    test = clinic.dip(fill)
    assert test
    clinic.wait(12 * SECOND_MS)

    def reading(each: Clinic) -> None:
        each.wait(SECOND_MS)
        each.read(fill, test)
        assert fill.tests[test].result == "pass", each.last_refusal

    soak(clinic, during=reading)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "MEC test", "mec-test")


def test_a_test_made_before_topping_up(clinic: Clinic) -> None:
    def topped_up(each: Clinic) -> None:
        bottle = each.receive("one", FAR)
        assert bottle
        assert each.top_up(fill_of(each), bottle)

    whole(clinic, placed=topped_up)
    not_released(clinic, "MEC test", "mec-test")


def topped_up(clinic: Clinic) -> None:
    bottle = clinic.receive("one", FAR)
    assert bottle
    assert clinic.top_up(fill_of(clinic), bottle)


def test_topped_up_and_tested_again_before_the_closing(clinic: Clinic) -> None:
    """The load takes the newer test, and no other load can use it."""

    def added(each: Clinic) -> None:
        topped_up(each)
        each.test(fill_of(each))

    whole(clinic, placed=added)
    assert clinic.release("A1"), clinic.last_refusal
    prepared(clinic, "A2")
    assert not clinic.start(B1, "A2")
    assert clinic.last_refusal
    assert clinic.last_refusal.text == "MEC test M2 of fill F1, the last one, cleared load L1; each use needs its own."


def test_topped_up_after_a_soak_that_met_and_tested_again(clinic: Clinic) -> None:
    """The load keeps the test that stood then, and the newer one is free for the next."""

    def added(each: Clinic) -> None:
        topped_up(each)
        each.test(fill_of(each))

    whole(clinic, opened=added)
    assert clinic.release("A1"), clinic.last_refusal
    prepared(clinic, "A2")
    assert clinic.start(B1, "A2"), clinic.last_refusal


def test_tested_before_a_later_closing_of_a_load_that_started_without(clinic: Clinic) -> None:
    """The override makes nothing releasable; the test does, for closings after it."""
    fill = poured(clinic)
    clinic.moved_today(B1)
    prepared(clinic, "A1")
    overridden(clinic, "A1")
    soak(clinic, ms=MINUTE_MS)
    clinic.test(fill)
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    assert clinic.release("A1"), clinic.last_refusal


def test_tested_after_the_only_closing_of_a_load_that_started_without(clinic: Clinic) -> None:
    fill = poured(clinic)
    clinic.moved_today(B1)
    prepared(clinic, "A1")
    overridden(clinic, "A1")
    soak(clinic)
    clinic.test(fill)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "MEC test", "mec-test")


def test_topped_up_during_the_soak(clinic: Clinic) -> None:
    def topped_up(each: Clinic) -> None:
        bottle = each.receive("one", FAR)
        assert bottle
        assert each.top_up(fill_of(each), bottle)

    whole(clinic, during=topped_up)
    not_released(clinic, "MEC test", "mec-test")


@pytest.mark.parametrize("result", ["fail", "doubtful"])
def test_a_failed_test_stands(clinic: Clinic, result: str) -> None:
    """Failed, passed after it, overridden: never."""
    fill = poured(clinic)
    clinic.test(fill, result)
    clinic.test(fill)
    clinic.moved_today(B1)
    for look_back in tuple(clinic.site.open_look_backs):
        clinic.close_look_back(look_back)
    prepared(clinic, "A1")
    overridden(clinic, "A1")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "fill failed", "mec-test")


def test_a_test_that_fails_during_the_soak(clinic: Clinic) -> None:
    whole(clinic, during=lambda each: each.test(fill_of(each), "fail"))
    for look_back in tuple(clinic.site.open_look_backs):
        clinic.close_look_back(look_back)
    not_released(clinic, "fill failed", "fill-in-date")


def test_a_test_that_fails_after_the_soak_opens_a_look_back(clinic: Clinic) -> None:
    whole(clinic, done=lambda each: each.test(fill_of(each), "fail"))
    not_released(clinic, "look-back", "look-back")


# The fill


def test_reuse_life_over_before_the_opening(clinic: Clinic) -> None:
    fill = ready(clinic)
    clinic.wait(fill.use_by_ms - clinic.now_ms - 4 * MINUTE_MS)
    clinic.test(fill)
    clinic.moved_today(B1)
    prepared(clinic, "A1")
    assert clinic.start(B1, "A1"), clinic.last_refusal
    clinic.wait(fill.use_by_ms - clinic.now_ms - MINUTE_MS)
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "fill in date", "fill-in-date")


def test_a_bottle_expired_before_the_opening(clinic: Clinic) -> None:
    fill = ready(clinic, expires=TODAY)
    assert fill.use_by_ms == MONDAY + 15 * 60 * MINUTE_MS - 1
    clinic.wait(fill.use_by_ms - clinic.now_ms - 4 * MINUTE_MS)
    clinic.test(fill)
    prepared(clinic, "A1")
    assert clinic.start(B1, "A1"), clinic.last_refusal
    clinic.wait(fill.use_by_ms - clinic.now_ms - MINUTE_MS)
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "fill in date", "fill-in-date")


def test_a_bottle_that_was_added_expired(clinic: Clinic) -> None:
    """Topping up extends nothing, and may shorten."""
    fill = ready(clinic)
    bottle = clinic.receive("one", TODAY)
    assert bottle
    clinic.top_up(fill, bottle)
    clinic.wait(fill.use_by_ms - clinic.now_ms - 4 * MINUTE_MS)
    clinic.test(fill)
    prepared(clinic, "A1")
    assert clinic.start(B1, "A1"), clinic.last_refusal
    clinic.wait(fill.use_by_ms - clinic.now_ms - MINUTE_MS)
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "fill in date", "fill-in-date")


def test_a_fill_that_runs_out_after_the_opening(clinic: Clinic) -> None:
    whole(clinic, out=lambda each: each.wait(3 * DAY_MS))
    assert clinic.release("A1"), clinic.last_refusal


# An opening that nobody saw: the node was silent, and what it saw last is not when the lid was opened


def silent_from_a_met_soak(clinic: Clinic, *, until_ms: int) -> None:
    """A1 lies in for long enough, watched; then nothing is heard until a moment, and the lid is opened after it."""

    def silent(each: Clinic) -> None:
        each.wait(MET_MS)
        each.recording.later(until_ms - each.now_ms)

    soak(clinic, during=silent)
    assert [each.closure.opening_seen for each in closures(clinic)] == [False, True]
    assert closures(clinic)[0].closure.verdict is Verdict.MET


def closures(clinic: Clinic) -> list[Watched]:
    return clinic.recording.book().closures(B1, clinic.site.shuts[-1].closing_ms, clinic.now_ms + 1)


def test_reuse_life_over_before_the_opening_that_nobody_saw(clinic: Clinic) -> None:
    """The state machine's finding: met in date, and last seen so, but a day went by before it was taken out."""
    fill = ready(clinic)
    prepared(clinic, "A1")
    assert clinic.start(B1, "A1"), clinic.last_refusal
    silent_from_a_met_soak(clinic, until_ms=fill.use_by_ms + MINUTE_MS)
    clinic.take_out(B1)
    finish(clinic, "A1")
    told = not_released(clinic, "fill in date", "fill-in-date")
    assert told == "A1: fill F1 ran out 1 min 2 s before anything shows that the lid was opened."


def test_taken_out_in_date_after_an_opening_that_nobody_saw(clinic: Clinic) -> None:
    """Its taking out shows that the lid was open by then; rinses and release may come later."""
    fill = ready(clinic)
    prepared(clinic, "A1")
    assert clinic.start(B1, "A1"), clinic.last_refusal
    silent_from_a_met_soak(clinic, until_ms=fill.use_by_ms - MINUTE_MS)
    clinic.take_out(B1)
    clinic.wait(DAY_MS)
    finish(clinic, "A1")
    assert clinic.release("A1"), clinic.last_refusal


@pytest.mark.parametrize("in_date", [True, False])
def test_assigned_late_to_an_opening_that_nobody_saw(clinic: Clinic, in_date: bool) -> None:
    """Nobody said when it came out, and the last reading is no word for it: its first rinse is."""
    fill = ready(clinic)
    prepared(clinic, "A1")
    until_ms = fill.use_by_ms - HOUR_MS if in_date else fill.use_by_ms + MINUTE_MS
    silent_from_a_met_soak(clinic, until_ms=until_ms)
    clinic.assign_late(clinic.site.shuts[-1], "A1")
    finish(clinic, "A1")
    clinic.wait(DAY_MS)
    if in_date:
        assert clinic.release("A1"), clinic.last_refusal
    else:
        not_released(clinic, "fill in date", "fill-in-date")


def test_discarded_before_the_opening(clinic: Clinic) -> None:
    """No deed lets it happen while a load is in; so it is put there past the deeds."""
    whole(clinic)
    shut = clinic.site.shuts[-1]
    fill = fill_of(clinic)
    fill.discarded_ms = shut.opening_ms - SECOND_MS
    gone = Discarded(by="tina", at_ms=fill.discarded_ms, reason="Spent.", volume_ml=3_785)
    clinic.recording.put(replace(clinic.recording.get(Fill, fill.id), discarded=gone))
    not_released(clinic, "fill discarded", "fill-in-date")


# The soak


def test_too_short(clinic: Clinic) -> None:
    ready(clinic)
    prepared(clinic, "A1")
    clinic.start(B1, "A1")
    soak(clinic, ms=2 * MINUTE_MS - 5 * SECOND_MS)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "soak", "soak")


@pytest.mark.parametrize("mc", [COLD_MC, GUARD_MC])
def test_too_cold_or_not_proven_warm(clinic: Clinic, mc: int) -> None:
    def chilled(each: Clinic) -> None:
        each.wait(MINUTE_MS)
        each.watches[B1].mc = mc
        each.wait(10 * SECOND_MS)
        each.watches[B1].mc = WARM_MC

    whole(clinic, during=chilled)
    not_released(clinic, "soak", "soak")


def test_not_watched_throughout(clinic: Clinic) -> None:
    def silent(each: Clinic) -> None:
        each.wait(MINUTE_MS)
        each.recording.later(30 * SECOND_MS)
        each.watches[B1].see(each.now_ms, each.site.shuts)

    whole(clinic, during=silent)
    not_released(clinic, "soak", "soak")


def test_put_in_during_the_soak(clinic: Clinic) -> None:
    """The lid was on for long enough, but not over it."""
    ready(clinic)
    prepared(clinic, "A1", "A2")
    clinic.start(B1, "A1")

    def added(each: Clinic) -> None:
        each.wait(5 * SECOND_MS)
        assert each.add(B1, "A2"), each.last_refusal

    soak(clinic, during=added)
    clinic.take_out(B1)
    finish(clinic, "A2")
    not_released(clinic, "lay in it from closing to opening", "soak", "A2")
    finish(clinic, "A1")
    assert clinic.release("A1"), clinic.last_refusal


def test_two_halves_make_no_whole(clinic: Clinic) -> None:
    ready(clinic)
    prepared(clinic, "A1")
    clinic.start(B1, "A1")
    soak(clinic, ms=70 * SECOND_MS)
    soak(clinic, ms=70 * SECOND_MS)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "soak", "soak")


def test_taken_out_while_the_lid_was_on(clinic: Clinic) -> None:
    """The node's readings come late, so that the record cannot refuse it at the time."""

    def taken(each: Clinic) -> None:
        each.watches[B1].offline = True
        each.wait(MINUTE_MS)
        each.take_out(B1)

    def heard(each: Clinic) -> None:
        each.watches[B1].offline = False
        each.deliver()

    ready(clinic)
    prepared(clinic, "A1")
    clinic.start(B1, "A1")
    soak(clinic, during=taken)
    heard(clinic)
    finish(clinic, "A1")
    not_released(clinic, "lay in it from closing to opening", "soak")


def test_a_contact_time_that_was_too_short_on_file(clinic: Clinic) -> None:
    """Judged again by the corrected label; its look-back is closed."""
    whole(clinic, done=lambda each: each.correct("one", contact_ms=4 * MINUTE_MS))
    for look_back in tuple(clinic.site.open_look_backs):
        clinic.close_look_back(look_back)
    not_released(clinic, "soak", "soak")


def test_corrected_but_not_yet_judged_again(clinic: Clinic) -> None:
    """While the collector has not got to it, the old verdict must not be what somebody is let go by."""
    whole(clinic)
    clinic.busy = True
    clinic.correct("one", contact_ms=4 * MINUTE_MS)
    for look_back in tuple(clinic.site.open_look_backs):
        clinic.close_look_back(look_back)
    not_released(clinic, "soak", "soak")


# Rinses and drying


def test_too_few_rinses(clinic: Clinic) -> None:
    whole(clinic)
    clinic.begin("A1")
    clinic.attest("A1", STEPS)
    clinic.test(fill_of(clinic))
    clinic.start(B1, "A1")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1", rinses=1)
    not_released(clinic, "rinses", "rinses")


@pytest.mark.parametrize(("ms", "fresh"), [(18_000, True), (20_000, False)])
def test_rinses_too_short_or_in_used_water(clinic: Clinic, ms: int, fresh: bool) -> None:
    ready(clinic)
    prepared(clinic, "A1")
    clinic.start(B1, "A1")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1", rinse_ms=ms, fresh=fresh)
    not_released(clinic, "rinses", "rinses")


def test_rinses_that_its_maker_asks_for(clinic: Clinic) -> None:
    whole(clinic, done=lambda each: each.change_type("scope", rinses=(3, 10_000)))
    not_released(clinic, "rinses", "rinses")


def test_not_dried(clinic: Clinic) -> None:
    ready(clinic)
    prepared(clinic, "A1")
    clinic.start(B1, "A1")
    soak(clinic)
    clinic.take_out(B1)
    clinic.rinse("A1", 20_000)
    clinic.rinse("A1", 20_000)
    not_released(clinic, "dried", "dried")


def test_rinsed_after_drying(clinic: Clinic) -> None:
    whole(clinic, done=lambda each: each.rinse("A1", 20_000))
    not_released(clinic, "dried", "dried")


# What no deed lets happen is put there past the deeds: the clause holds by itself


def test_the_test_that_cleared_it_did_not_pass(clinic: Clinic) -> None:
    whole(clinic)
    test = clinic.recording.get(MecTest, "M1")
    clinic.recording.put(replace(test, result=MecResult.DOUBTFUL))
    fill_of(clinic).tests["M1"].result = "doubtful"
    not_released(clinic, "MEC test", "mec-test")


def test_the_test_that_cleared_it_was_read_after_the_closing(clinic: Clinic) -> None:
    whole(clinic)
    read_ms = clinic.site.shuts[-1].closing_ms + 1
    clinic.recording.put(replace(clinic.recording.get(MecTest, "M1"), read_ms=read_ms))
    fill_of(clinic).tests["M1"].read_ms = read_ms
    not_released(clinic, "MEC test", "mec-test")


def test_the_test_that_cleared_it_was_used_for_another_load(clinic: Clinic) -> None:
    whole(clinic)
    fill = fill_of(clinic)
    clinic.recording.put(replace(clinic.recording.get(MecTest, "M1"), used_for="L9"))
    clinic.site.loads["L9"] = Laden("L9", fill, clinic.now_ms, needs_test_at_start=True)
    not_released(clinic, "MEC test", "mec-test")


def test_the_test_that_cleared_it_was_of_another_fill(clinic: Clinic) -> None:
    whole(clinic)
    clinic.recording.put(replace(clinic.recording.get(MecTest, "M1"), fill="F9"))
    del fill_of(clinic).tests["M1"]
    not_released(clinic, "MEC test", "mec-test")


def test_poured_after_the_closing(clinic: Clinic) -> None:
    whole(clinic)
    fill, poured_ms = fill_of(clinic), clinic.site.shuts[-1].closing_ms + 1
    clinic.recording.put(replace(clinic.recording.get(Fill, fill.id), poured_ms=poured_ms))
    fill.poured_ms = poured_ms
    not_released(clinic, "fill poured", "fill-in-date")


def test_rinsed_before_the_opening(clinic: Clinic) -> None:
    whole(clinic)
    current = clinic.site.round_of("A1")
    assert current
    began_ms = clinic.site.shuts[-1].closing_ms + 1
    rinses = tuple(Rinsed("tina", began_ms, began_ms + 20_000, fresh=True) for _ in range(2))
    clinic.recording.put(replace(clinic.recording.get(Turn, current.id), rinses=rinses))
    current.rinses = [(each.began_ms, began_ms + 20_000, True) for each in rinses]
    not_released(clinic, "rinses", "rinses")


def test_dried_before_its_last_rinse(clinic: Clinic) -> None:
    whole(clinic)
    current = clinic.site.round_of("A1")
    assert current
    dried_ms = current.rinses[-1][1] - 1
    clinic.recording.put(replace(clinic.recording.get(Turn, current.id), dried=Attested("tina", dried_ms)))
    current.dried_ms = dried_ms
    not_released(clinic, "dried", "dried")


@pytest.mark.parametrize(("after_ms", "rule"), [(9_000, "read-too-early"), (41_000, "read-too-late")])
def test_a_strip_read_outside_its_window_clears_nothing(clinic: Clinic, after_ms: int, rule: str) -> None:
    fill = poured(clinic)
    clinic.test(fill, after_ms=after_ms)
    assert clinic.last_refusal
    assert clinic.last_refusal.rule == rule
    clinic.moved_today(B1)
    prepared(clinic, "A1")
    overridden(clinic, "A1")
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    not_released(clinic, "MEC test", "mec-test")


# Quarantine, look-back, use


def test_quarantined(clinic: Clinic) -> None:
    whole(clinic, done=lambda each: each.quarantine("A1"))
    not_released(clinic, "quarantine", "stage")
    clinic.lift("A1")
    against = clinic.against("A1")["A1"]
    assert against == {"quarantine"}, "a quarantine ends its round"
    assert not clinic.release("A1")


def test_in_quarantine_though_its_round_goes_on(clinic: Clinic) -> None:
    """Put there past the deeds, which end the round."""
    whole(clinic)
    held = Quarantine(by="sam", at_ms=clinic.now_ms, reason="It leaks.", next_action="Reprocess.")
    clinic.recording.put(replace(clinic.recording.get(Device, "A1"), quarantine=held))
    clinic.site.quarantined.add("A1")
    not_released(clinic, "quarantine", "quarantine")


def test_used_before_it_was_released(clinic: Clinic) -> None:
    whole(clinic)
    clinic.use("A1", "")
    assert clinic.counts["used without release"] == 1
    assert not clinic.release("A1")


def test_used_without_release_it_is_reprocessed_and_then_released(clinic: Clinic) -> None:
    """Its look-back goes on; it concerns the round that was used."""
    ready(clinic)
    clinic.use("A1")
    prepared(clinic, "A1")
    assert clinic.site.round_of("A1") is None
    assert clinic.last_refusal
    assert clinic.last_refusal.rule == "stage"
    clinic.lift("A1")
    whole(clinic)
    assert clinic.release("A1"), clinic.last_refusal


@pytest.mark.parametrize("moment", ["before", "placed", "during", "opened", "out", "done"])
def test_a_use_is_never_refused(clinic: Clinic, moment: str) -> None:
    """At any moment of its round; and nothing of that round is released any more."""
    ready(clinic)
    prepared(clinic, "A1")
    moments: dict[str, Doing] = {moment: lambda each: each.use("A1")}
    moments.get("before", nothing)(clinic)
    clinic.start(B1, "A1")
    moments.get("placed", nothing)(clinic)
    soak(clinic, during=moments.get("during", nothing))
    moments.get("opened", nothing)(clinic)
    clinic.take_out(B1)
    moments.get("out", nothing)(clinic)
    finish(clinic, "A1")
    moments.get("done", nothing)(clinic)
    assert clinic.counts["used without release"] == 1
    assert not clinic.release("A1")


def test_an_override_releases_nothing_by_itself(clinic: Clinic) -> None:
    """Overridden though nothing stood against it, or for what has been made good since: then it may be released."""
    ready(clinic)
    prepared(clinic, "A1", steps=("clean",))
    overridden(clinic, "A1")
    clinic.attest("A1", ("leak test",))
    soak(clinic)
    clinic.take_out(B1)
    finish(clinic, "A1")
    clinic.release("A1")
