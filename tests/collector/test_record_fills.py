"""Fills: poured, topped up, discarded; when they must not be used; what runs out before the next working day."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from msgspec.structs import replace
from record_kit import DAY_MS, SECOND_TECHNICIAN, SUPERVISOR, TECHNICIAN, Recording, at
from solutions_kit import GTIN, OTHER_GTIN, bottle, fill, mec_test, opened, profile, strips

from collector.record.solutions.bottles import ActivateBottle, EmptyBottle
from collector.record.solutions.disposal import to_neutralise_g
from collector.record.solutions.due import Due, due_before_next_working_day, next_working_day
from collector.record.solutions.fills import (
    DiscardFill,
    PourFill,
    TopUpFill,
    fill_block,
    fill_in,
    spent,
)
from collector.record.solutions.pouring import FromBottle
from collector.record.solutions.profiles import AssignProductCode, DraftProfile, RetireProfile
from collector.record.things import Bottle, Fill, LastDay, Load, Poured, Profile

BASIN = "n1/b1"


def pour(*bottles: str | FromBottle, basin: str = BASIN, **more: Any) -> PourFill:
    taken = tuple(FromBottle(each) if isinstance(each, str) else each for each in bottles)
    return PourFill(basin=basin, bottles=taken, **more)


def top_up(fill_id: str, *bottles: str) -> TopUpFill:
    return TopUpFill(fill=fill_id, bottles=tuple(FromBottle(each) for each in bottles))


def test_a_fill_names_bottles_lots_volumes_and_its_end(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    bottle(recording, lot="L2")
    recording.later(30_500)
    poured_ms = recording.clock.now_ms
    recording.do(pour("B1", FromBottle("B2", 1_000)))
    got = recording.get(Fill, "F1")
    assert got.poured == (
        Poured("B1", "L1", 3_785, TECHNICIAN, poured_ms),
        Poured("B2", "L2", 1_000, TECHNICIAN, poured_ms),
    )
    assert (got.basin, got.profile, got.volume_ml()) == (BASIN, "opa", 4_785)
    assert (got.poured_by, got.poured_ms, got.tested_after_ms) == (TECHNICIAN, poured_ms, poured_ms)
    assert (got.use_by_ms, got.use_by_why) == (
        at("2026-03-16 09:00"),
        "reuse life of 14 days from pouring, counted to the minute",
    )
    first, second = recording.get(Bottle, "B1"), recording.get(Bottle, "B2")
    assert (first.left_ml, first.gone, first.opened_ms) == (0, True, poured_ms)
    assert (second.left_ml, second.gone, second.opened_ms) == (2_785, False, poured_ms)
    assert second.use_by_ms == at("2026-05-16 09:00")  # pouring opened it
    assert fill_in(recording.book(), BASIN) == got
    assert fill_in(recording.book(), "n1/b2") is None


@pytest.mark.parametrize(
    ("last_day", "end", "why"),
    [
        (LastDay.COUNTS, at("2026-03-17 00:00") - 1, "reuse life of 14 days from pouring, the last day counts"),
        (
            LastDay.DOES_NOT_COUNT,
            at("2026-03-16 00:00") - 1,
            "reuse life of 14 days from pouring, the last day does not count",
        ),
    ],
)
def test_the_site_says_whether_the_last_day_counts(recording: Recording, last_day: LastDay, end: int, why: str) -> None:
    profile(recording)
    recording.set_policy(last_day=last_day)
    got = recording.get(Fill, fill(recording, bottle(recording)))
    assert (got.use_by_ms, got.use_by_why) == (end, why)


def test_a_bottle_is_poured_to_its_last_moment_and_no_longer(recording: Recording) -> None:
    profile(recording)
    opened(recording, expires="2026-12-31")
    recording.clock.now_ms = recording.get(Bottle, "B1").use_by_ms + 1
    assert recording.refused(pour("B1")) == (
        "bottle-out-of-date",
        "Bottle B1 (lot L1) was to be used by 2026-05-16 09:00 (opened-container use life of 75 days from opening, "
        "counted to the minute).",
        "Do not pour it. Set it aside, throw it away under your disposal rule, and take the first-expiring one.",
    )
    recording.later(-1)
    recording.do(pour("B1"))


def test_a_bottle_that_expires_sooner_ends_the_fill(recording: Recording) -> None:
    profile(recording)
    got = recording.get(Fill, fill(recording, bottle(recording), bottle(recording, "2026-03-10")))
    assert (got.use_by_ms, got.use_by_why) == (
        at("2026-03-11 00:00") - 1,
        "expiry 2026-03-10 of bottle B2, that day counts",
    )


def refusals(recording: Recording) -> None:
    """B1, B2: good; B3: of another solution; B4: emptied; the profile "draft" is not confirmed, B5 is of it."""
    profile(recording)
    profile(recording, "peroxide", OTHER_GTIN, "hydrogen-peroxide-7.5")
    bottle(recording)
    bottle(recording)
    bottle(recording, gtin=OTHER_GTIN)
    bottle(recording)
    recording.do(EmptyBottle(bottle="B4"))
    recording.do(DraftProfile(profile="draft", chemistry="hydrogen-peroxide-7.5"), SUPERVISOR)
    recording.do(AssignProductCode(profile="draft", gtin="8904000210037"), SUPERVISOR)
    bottle(recording, gtin="8904000210037")


@pytest.mark.parametrize(
    ("deed", "refusal"),
    [
        (
            pour("B1", basin="n1/b9"),
            (
                "unknown-basin",
                "There is no basin 'n1/b9'.",
                "Choose a basin of the list, or name it in the collector's settings.",
            ),
        ),
        (
            pour("B9"),
            (
                "unknown-bottle",
                "There is no bottle 'B9'.",
                "Scan or type it again; if it is new, receive the bottle first.",
            ),
        ),
        (
            pour("B4"),
            (
                "bottle-gone",
                "Bottle B4 (lot L1) is recorded as empty or thrown away.",
                "Scan the bottle that you have in hand.",
            ),
        ),
        (
            pour("B1", "B3"),
            (
                "one-solution",
                "Bottle B3 holds hydrogen peroxide 7.5 % (peroxide), bottle B1 holds ortho-phthalaldehyde 0.55 % "
                "(opa): they must not be mixed.",
                "Pour bottles of one solution only.",
            ),
        ),
        (
            pour("B1", "B1"),
            ("duplicate-scan", "The same bottle was scanned twice.", "Scan each bottle once."),
        ),
        (
            pour(FromBottle("B1", 3_786)),
            (
                "bottle-volume",
                "Bottle B1 has 3785 ml left; 3786 ml cannot come from it.",
                "Read the volume again, or scan the other bottle too.",
            ),
        ),
        (
            pour("B5"),
            (
                "profile-confirmed",
                "Nobody has confirmed profile draft (hydrogen peroxide 7.5 %) against its label.",
                "Ask a supervisor or administrator to compare it with the label and confirm it.",
            ),
        ),
        (
            pour("B1", poured_ms=at("2026-03-01 10:00")),
            ("reason", "A pour recorded late needs a reason.", "Say in a few words why."),
        ),
    ],
)
def test_a_pour_that_must_not_be(recording: Recording, deed: PourFill, refusal: tuple[str, str, str]) -> None:
    refusals(recording)
    assert recording.refused(deed) == refusal
    assert recording.get(Bottle, "B1").left_ml == 3_785


def test_nothing_is_poured_of_a_retired_profile(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    recording.do(RetireProfile(profile="opa", reason="no longer bought"), SUPERVISOR)
    assert recording.refused(pour("B1")) == (
        "profile-retired",
        "Profile opa (ortho-phthalaldehyde 0.55 %) is retired: nothing new is poured from it.",
        "Take a bottle of a solution in use, or throw this one away.",
    )


def test_what_must_be_activated_is_poured_activated(recording: Recording) -> None:
    profile(recording, chemistry="hydrogen-peroxide-7.5", activation=True, activated_days=10)
    bottle(recording)
    assert recording.refused(pour("B1")) == (
        "not-activated",
        "hydrogen peroxide 7.5 % must be activated, and bottle B1 has not been.",
        "Activate it as its label says, record that, then pour it.",
    )
    recording.do(ActivateBottle(bottle="B1"))
    recording.later(DAY_MS)
    got = recording.get(Fill, fill(recording, "B1"))
    assert (got.use_by_ms, got.use_by_why) == (
        at("2026-03-12 09:00"),
        "activated life of 10 days from activation of bottle B1, counted to the minute",
    )


def test_a_full_basin_takes_no_second_fill(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    bottle(recording)
    assert recording.refused(pour("B2"), SECOND_TECHNICIAN) == (
        "basin-not-empty",
        "Fill F1 is in Basin 1: Tina Test poured it at 2026-03-02 09:00.",
        "If it is gone, discard F1 first; if solution was added, top it up.",
    )


def test_two_people_pour_one_bottle(recording: Recording) -> None:
    """One wins; the other is told, and nothing is half-written."""
    profile(recording)
    bottle(recording)
    other = recording.another_desk()
    recording.do(pour("B1"), TECHNICIAN)
    assert recording.refused(pour("B1", basin="n1/b2"), SECOND_TECHNICIAN, desk=other) == (
        "bottle-gone",
        "Bottle B1 (lot L1) is recorded as empty or thrown away.",
        "Scan the bottle that you have in hand.",
    )
    assert fill_in(recording.book(), "n1/b2") is None


def test_a_pour_can_be_recorded_late_but_not_into_another_fill(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    recording.later(3_600_000)
    recording.do(DiscardFill(fill="F1", reason="cloudy"))
    bottle(recording)
    recording.later(3_600_000)
    late = pour("B2", poured_ms=at("2026-03-02 09:30"), reason="written on the basin")
    assert recording.refused(late) == (
        "basin-not-empty",
        "Fill F1 was in Basin 1 until 2026-03-02 10:00.",
        "Give a time after that.",
    )
    recording.do(pour("B2", poured_ms=at("2026-03-02 10:30"), reason="written on the basin"))
    got = recording.get(Fill, "F2")
    assert (got.poured_ms, got.use_by_ms) == (at("2026-03-02 10:30"), at("2026-03-16 10:30"))


def test_topping_up_adds_its_lot_extends_nothing_and_asks_for_a_test(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    bottle(recording, lot="L2")
    now_ms = recording.later(DAY_MS)
    recording.do(top_up("F1", "B2"), SECOND_TECHNICIAN)
    got = recording.get(Fill, "F1")
    assert got.poured[1:] == (Poured("B2", "L2", 3_785, SECOND_TECHNICIAN, now_ms),)
    assert (got.use_by_ms, got.poured_ms) == (at("2026-03-16 09:00"), at("2026-03-02 09:00"))
    assert got.tested_after_ms == now_ms
    assert got.volume_ml() == 7_570


def test_topping_up_with_what_expires_sooner_ends_sooner(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    bottle(recording, "2026-03-09")
    recording.do(top_up("F1", "B2"))
    got = recording.get(Fill, "F1")
    assert (got.use_by_ms, got.use_by_why) == (
        at("2026-03-10 00:00") - 1,
        "expiry 2026-03-09 of bottle B2, that day counts",
    )


def test_topping_up_extends_nothing_though_the_site_counts_otherwise_by_now(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    bottle(recording)
    recording.set_policy(last_day=LastDay.COUNTS)
    recording.do(top_up("F1", "B2"))
    assert recording.get(Fill, "F1").use_by_ms == at("2026-03-16 09:00")


def test_topping_up_takes_the_same_solution(recording: Recording) -> None:
    refusals(recording)
    fill(recording, "B1")
    assert recording.refused(top_up("F1", "B3")) == (
        "one-solution",
        "Bottle B3 holds hydrogen peroxide 7.5 % (peroxide), fill F1 holds ortho-phthalaldehyde 0.55 % (opa): "
        "they must not be mixed.",
        "Pour bottles of one solution only.",
    )


def test_what_is_out_of_date_is_not_topped_up(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    bottle(recording)
    recording.clock.now_ms = at("2026-03-16 09:00")
    recording.do(top_up("F1", "B2"))  # equality is in date
    bottle(recording)
    recording.later(1)
    assert recording.refused(top_up("F1", "B3")) == (
        "fill-in-date",
        "Fill F1 was to be used by 2026-03-16 09:00 (reuse life of 14 days from pouring, counted to the minute).",
        "Discard it and pour a new one, even if a strip still passes.",
    )


def test_discarding_keeps_reason_volume_and_the_rule(recording: Recording) -> None:
    profile(recording)
    recording.set_policy(disposal_rule="To the drain with plenty of water.")
    fill(recording, bottle(recording))
    assert recording.refused(DiscardFill(fill="F1")) == (
        "reason",
        "Discarding fill F1 needs a reason.",
        "Say in a few words why.",
    )
    recording.do(DiscardFill(fill="F1", reason=" end of its reuse life ", volume_ml=3_500))
    gone = recording.get(Fill, "F1").discarded
    assert gone is not None
    assert (gone.by, gone.at_ms, gone.reason) == (TECHNICIAN, at("2026-03-02 09:00"), "end of its reuse life")
    assert (gone.volume_ml, gone.neutralised_g, gone.rule) == (3_500, None, "To the drain with plenty of water.")
    assert fill_in(recording.book(), BASIN) is None
    fill(recording, bottle(recording))


def test_two_people_discard_one_fill(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    other = recording.another_desk()
    recording.do(DiscardFill(fill="F1", reason="cloudy"))
    assert recording.refused(DiscardFill(fill="F1", reason="end of life"), SECOND_TECHNICIAN, desk=other) == (
        "fill-discarded",
        "Fill F1 was discarded by Tina Test at 2026-03-02 09:00: cloudy",
        "Look at the basin's page for what is in it now.",
    )


def test_no_fill_is_discarded_under_a_load(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    recording.put(Load(id="L1", basin=BASIN, fill="F1", began_ms=recording.clock.now_ms, by=TECHNICIAN))
    assert recording.refused(DiscardFill(fill="F1", reason="cloudy")) == (
        "load-in-fill",
        "Load L1 is recorded as being in fill F1 since 2026-03-02 09:00.",
        "Take its devices out, record that, then discard the fill.",
    )


def test_where_the_site_neutralises_glycine_is_asked_for(recording: Recording) -> None:
    """25 g for each US gallon of 3785 ml: common practice."""
    profile(recording)
    recording.set_policy(neutralise=True)
    fill(recording, bottle(recording), bottle(recording))
    assert to_neutralise_g(recording.book(), recording.get(Fill, "F1"), 7_570) == 50
    assert recording.refused(DiscardFill(fill="F1", reason="old", neutralised_g=49)) == (
        "neutralise",
        "Your site neutralises before the drain: 7570 ml of fill F1 take at least 50 g of glycine; 49 g are recorded.",
        "Add it, let it stand at least 5 minutes (from memory: the label decides), and record the grams. If it went to "
        "the drain without, say why.",
    )
    recording.do(DiscardFill(fill="F1", reason="old", neutralised_g=50))
    gone = recording.get(Fill, "F1").discarded
    assert gone is not None
    assert gone.neutralised_g == 50


def test_what_went_to_the_drain_without_is_recorded_with_why(recording: Recording) -> None:
    """A fact is never refused."""
    profile(recording)
    recording.set_policy(neutralise=True)
    fill(recording, bottle(recording))
    recording.do(DiscardFill(fill="F1", reason="basin fell over", not_neutralised="it was gone"))
    gone = recording.get(Fill, "F1").discarded
    assert gone is not None
    assert (gone.neutralised_g, gone.not_neutralised) == (None, "it was gone")


@pytest.mark.parametrize(
    ("neutraliser", "unknown"),
    [("", "what neutralises fill F1"), ("sodium thiosulfate", "how much sodium thiosulfate fill F1 takes")],
)
def test_what_was_done_is_asked_for_where_no_amount_is_known(
    recording: Recording, neutraliser: str, unknown: str
) -> None:
    profile(recording, chemistry="hydrogen-peroxide-7.5")
    fill(recording, bottle(recording))
    known = recording.get(Profile, recording.get(Fill, "F1").profile)
    recording.put(replace(known, neutraliser=neutraliser))
    recording.set_policy(neutralise=True)
    expected = (
        "neutralise",
        f"Your site neutralises before the drain, and its profile does not say {unknown}.",
        "Follow the label or the safety data sheet, and note what was done. If it went to the drain without, say why.",
    )
    assert recording.refused(DiscardFill(fill="F1", reason="old")) == expected
    assert recording.refused(DiscardFill(fill="F1", reason="old", how_neutralised=" ", neutralised_g=50)) == expected
    recording.do(DiscardFill(fill="F1", reason="old", how_neutralised="diluted, as the label says"))
    gone = recording.get(Fill, "F1").discarded
    assert gone is not None
    assert gone.how_neutralised == "diluted, as the label says"


def test_a_site_that_does_not_neutralise_is_asked_nothing(recording: Recording) -> None:
    profile(recording, chemistry="hydrogen-peroxide-7.5")
    fill(recording, bottle(recording))
    recording.do(DiscardFill(fill="F1", reason="old"))


def test_no_more_is_discarded_than_was_poured_and_much_less_with_why(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    poured_ml = recording.get(Fill, "F1").volume_ml()
    assert recording.refused(DiscardFill(fill="F1", reason="old", volume_ml=poured_ml + 1)) == (
        "volume",
        f"{poured_ml + 1} mL are more than the {poured_ml} mL that were poured into fill F1.",
        "Type the volume again; solution that was added and not recorded is recorded as topping-up first.",
    )
    assert recording.refused(DiscardFill(fill="F1", reason="old", volume_ml=0)) == (
        "volume",
        f"0 mL are far less than the {poured_ml} mL that were poured into fill F1.",
        "Type the volume again, or say what became of the rest.",
    )
    half = poured_ml // 2
    assert recording.refused(DiscardFill(fill="F1", reason="old", volume_ml=half - 1))[0] == "volume"
    recording.do(DiscardFill(fill="F1", reason="old", volume_ml=half - 1, rest="spilled on the floor"))
    gone = recording.get(Fill, "F1").discarded
    assert gone is not None
    assert (gone.volume_ml, gone.rest) == (half - 1, "spilled on the floor")


def blocked(recording: Recording, at_ms: int) -> tuple[str, str, str] | None:
    block = fill_block(recording.book(), recording.get(Fill, "F1"), at_ms)
    return None if block is None else (block.rule, block.text, block.next_step)


def test_a_fill_blocks_outside_its_time(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    assert blocked(recording, at("2026-03-02 09:00")) is None
    assert blocked(recording, at("2026-03-16 09:00")) is None  # equality is in date
    assert blocked(recording, at("2026-03-16 09:00") + 1) == (
        "fill-in-date",
        "Fill F1 was to be used by 2026-03-16 09:00 (reuse life of 14 days from pouring, counted to the minute).",
        "Discard it and pour a new one, even if a strip still passes.",
    )
    assert blocked(recording, at("2026-03-02 08:59")) == (
        "fill-in-date",
        "Fill F1 was poured at 2026-03-02 09:00, after that.",
        "Look which fill was in the basin then.",
    )


def test_a_failed_test_blocks_from_its_dip_on(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    strip_bottle = strips(recording)
    dipped_ms = recording.later(60_000)
    mec_test(recording, "F1", strip_bottle, "fail")
    assert blocked(recording, dipped_ms - 1) is None
    assert blocked(recording, dipped_ms) == (
        "fill-failed",
        "A MEC test of fill F1 failed at 2026-03-02 09:01: it is out of use, whatever a later test says.",
        "Discard it and pour a new one.",
    )


def test_what_was_discarded_blocks_from_then_on(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    gone_ms = recording.later(60_000)
    recording.do(DiscardFill(fill="F1", reason="cloudy"))
    assert blocked(recording, gone_ms - 1) is None
    assert blocked(recording, gone_ms) == (
        "fill-discarded",
        "Fill F1 was discarded by Tina Test at 2026-03-02 09:01: cloudy",
        "Look at the basin's page for what is in it now.",
    )


def test_a_single_use_fill_serves_one_load(recording: Recording) -> None:
    profile(recording, chemistry="chlorine-650-ppm", **SINGLE)
    fill(recording, bottle(recording))
    got = recording.get(Fill, "F1")
    assert (got.use_by_ms, got.use_by_why) == (at("2026-03-03 09:00"), "single use, at most a day from pouring")
    assert spent(recording.book(), got) is None
    recording.put(msgspec.structs.replace(got, loads=1))
    block = spent(recording.book(), recording.get(Fill, "F1"))
    assert block is not None
    assert (block.rule, block.text, block.next_step) == (
        "single-use",
        "Fill F1 is for a single use and has had its load.",
        "Discard it and pour a new one.",
    )


SINGLE: dict[str, Any] = {"manual": True, "mec_monitored": False, "min_mc": 20_000, "contact_ms": 600_000}


def test_a_fill_for_many_uses_is_never_spent(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    many = msgspec.structs.replace(recording.get(Fill, "F1"), loads=40)
    assert spent(recording.book(), many) is None


# What runs out


@pytest.mark.parametrize(
    ("now", "closed_on", "next_day"),
    [
        ("2026-03-02 09:00", (), "2026-03-03"),
        ("2026-03-06 09:00", (), "2026-03-09"),  # a Friday
        ("2026-03-08 09:00", (), "2026-03-09"),  # a Sunday
        ("2026-03-06 09:00", ("2026-03-09", "2026-03-10"), "2026-03-11"),
    ],
)
def test_the_next_working_day(recording: Recording, now: str, closed_on: tuple[str, ...], next_day: str) -> None:
    recording.set_policy(closed_on=closed_on)
    recording.clock.now_ms = at(now)
    assert next_working_day(recording.book()).isoformat() == next_day


def test_what_runs_out_over_the_weekend_is_listed_on_friday(recording: Recording) -> None:
    profile(recording)
    strip_bottle = strips(recording, open_days=6)  # until Sunday 2026-03-08 09:00
    bottle(recording, "2026-03-07")  # B1
    bottle(recording, "2026-03-08")  # B2: Sunday
    bottle(recording, "2026-03-09", lot="L3")  # B3: Monday, when somebody is there
    recording.do(pour("B1"))
    recording.clock.now_ms = at("2026-03-05 18:00")
    assert due_before_next_working_day(recording.book()) == []
    recording.clock.now_ms = at("2026-03-06 09:00")
    assert due_before_next_working_day(recording.book()) == [
        Due(
            "fill",
            "F1",
            at("2026-03-08 00:00") - 1,
            "Fill F1 in Basin 1 runs out at 2026-03-07 23:59 (expiry 2026-03-07 of bottle B1, that day counts).",
            "Have ortho-phthalaldehyde 0.55 % ready: B3 (lot L3, 3785 ml left) expires first. "
            "Discard F1 and pour a new fill.",
        ),
        Due(
            "strip-bottle",
            strip_bottle,
            at("2026-03-08 09:00"),
            "Strip bottle S1 for ortho-phthalaldehyde 0.55 % (lot T1) runs out at 2026-03-08 09:00.",
            "Order strips for ortho-phthalaldehyde 0.55 %: no other bottle is in date after that.",
        ),
        Due(
            "bottle",
            "B2",
            at("2026-03-09 00:00") - 1,
            "Bottle B2 of ortho-phthalaldehyde 0.55 % (lot L1, 3785 ml left) runs out at 2026-03-08 23:59.",
            "3785 ml in other bottles are in date after that.",
        ),
    ]


def test_what_has_run_out_stays_listed_and_says_what_to_order(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording, "2026-03-03"))
    bottle(recording, "2026-03-03", gtin=GTIN)
    strips(recording, open_days=1)
    strips(recording, open_days=90)
    recording.clock.now_ms = at("2026-03-04 09:00")
    found = {due.id: (due.text, due.next_step) for due in due_before_next_working_day(recording.book())}
    assert found == {
        "S1": (
            "Strip bottle S1 for ortho-phthalaldehyde 0.55 % (lot T1) ran out at 2026-03-03 09:00.",
            "S2 (lot T1) is in date after that.",
        ),
        "F1": (
            "Fill F1 in Basin 1 ran out at 2026-03-03 23:59 (expiry 2026-03-03 of bottle B1, that day counts).",
            "Order ortho-phthalaldehyde 0.55 %: no bottle is in date after that. Discard F1 and pour a new fill.",
        ),
        "B2": (
            "Bottle B2 of ortho-phthalaldehyde 0.55 % (lot L1, 3785 ml left) ran out at 2026-03-03 23:59.",
            "Order ortho-phthalaldehyde 0.55 %: nothing else is left.",
        ),
    }
