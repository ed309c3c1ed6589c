"""What was mistyped of bottles and strip bottles: put right later, and looked back on where it matters."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from record_kit import DAY_MS, SUPERVISOR, TECHNICIAN, Recording, at
from solutions_kit import bottle, fill, mec_test, profile, strips

from collector.record.solutions.bottles import EmptyBottle, OpenBottle
from collector.record.solutions.corrections import CorrectBottle, CorrectStripBottle
from collector.record.solutions.fills import DiscardFill, PourFill
from collector.record.solutions.pouring import FromBottle
from collector.record.things import Bottle, Fill, LookBack, StripBottle


def corrected(**more: Any) -> CorrectBottle:
    return CorrectBottle(**{"bottle": "B1", "reason": "read wrongly", **more})


def loaded(recording: Recording) -> None:
    """Fill F1 has had a load."""
    recording.put(msgspec.structs.replace(recording.get(Fill, "F1"), loads=1))


def test_a_corrected_bottle_reaches_its_fill(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    recording.do(corrected(lot="L9", expires="2026-03-05"), SUPERVISOR)
    assert (recording.get(Bottle, "B1").lot, recording.get(Bottle, "B1").expires) == ("L9", "2026-03-05")
    after = recording.get(Fill, "F1")
    assert after.poured[0].lot == "L9"
    assert (after.use_by_ms, after.use_by_why) == (
        at("2026-03-06 00:00") - 1,
        "expiry 2026-03-05 of bottle B1, that day counts",
    )
    assert recording.all(LookBack) == []  # nothing was soaked in it


def test_a_corrected_volume_changes_what_is_left(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    recording.do(PourFill(basin="n1/b1", bottles=(FromBottle("B1", 1_000),)))
    recording.do(corrected(volume_ml=3_000), SUPERVISOR)
    assert (recording.get(Bottle, "B1").volume_ml, recording.get(Bottle, "B1").left_ml) == (3_000, 2_000)
    recording.do(corrected(volume_ml=900), SUPERVISOR)
    assert recording.get(Bottle, "B1").left_ml == 0
    recording.do(EmptyBottle(bottle="B1"))
    recording.do(corrected(volume_ml=5_000), SUPERVISOR)
    assert recording.get(Bottle, "B1").left_ml == 0


def test_a_fill_that_was_past_its_end_is_looked_back_on(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    loaded(recording)
    recording.later(5 * DAY_MS)
    recording.do(corrected(expires="2026-03-04"), SUPERVISOR)
    (look_back,) = recording.all(LookBack)
    assert (look_back.cause, look_back.fills) == ("bottle-corrected", ("F1",))
    assert (look_back.from_ms, look_back.until_ms) == (at("2026-03-05 00:00") - 1, recording.clock.now_ms)
    assert look_back.text == (
        "Bottle B1 (lot L1) was corrected: fill F1 was to be used by 2026-03-04 23:59 (expiry 2026-03-04 of bottle B1, "
        "that day counts), and may have been used after that."
    )


def test_a_fill_that_was_gone_by_then_is_not(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    loaded(recording)
    recording.later(DAY_MS)
    recording.do(DiscardFill(fill="F1", reason="old"))
    recording.later(5 * DAY_MS)
    recording.do(corrected(expires="2026-03-04"), SUPERVISOR)
    assert recording.all(LookBack) == []
    recording.do(corrected(expires="2026-03-02"), SUPERVISOR)
    assert [each.cause for each in recording.all(LookBack)] == ["bottle-corrected"]


def test_a_later_expiry_looks_back_on_nothing(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording, "2026-03-04"))
    loaded(recording)
    recording.later(5 * DAY_MS)
    recording.do(corrected(expires="2027-03-04"), SUPERVISOR)
    assert recording.get(Fill, "F1").use_by_ms == at("2026-03-16 09:00")
    assert recording.all(LookBack) == []


@pytest.mark.parametrize(
    ("said", "refusal"),
    [
        ({"reason": "", "lot": "L9"}, ("reason", "Correcting bottle B1 needs a reason.", "Say in a few words why.")),
        (
            {"lot": "L1"},
            ("no-change", "Nothing would change by that.", "Look whether it has been recorded already."),
        ),
        (
            {"bottle": "B9", "lot": "L9"},
            (
                "unknown-bottle",
                "There is no bottle 'B9'.",
                "Scan or type it again; if it is new, record the bottle first.",
            ),
        ),
        (
            {"expires": "2026-02-30"},
            (
                "date",
                "'2026-02-30' is no date of the calendar.",
                "Type it as year-month-day, for instance 2027-03-31.",
            ),
        ),
    ],
)
def test_a_correction_that_is_not_recorded(
    recording: Recording, said: dict[str, Any], refusal: tuple[str, str, str]
) -> None:
    profile(recording)
    bottle(recording)
    assert recording.refused(corrected(**said), SUPERVISOR) == refusal


def test_corrections_take_a_keeper_and_a_second_factor(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    assert recording.refused(corrected(lot="L9"), TECHNICIAN)[0] == "role"
    assert recording.refused(corrected(lot="L9"), SUPERVISOR, second_factor=False)[0] == "second-factor"


def test_strips_that_were_past_their_end_are_looked_back_on(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    strips(recording)
    mec_test(recording, "F1", "S1")
    recording.later(5 * DAY_MS)
    dipped_ms = recording.clock.now_ms
    mec_test(recording, "F1", "S1")
    deed = CorrectStripBottle(strip_bottle="S1", open_days=3, lot="T9", reason="read wrongly")
    recording.do(deed, SUPERVISOR)
    after = recording.get(StripBottle, "S1")
    assert (after.open_days, after.lot, after.use_by_ms) == (3, "T9", at("2026-03-05 09:00"))
    (look_back,) = recording.all(LookBack)
    assert (look_back.cause, look_back.fills, look_back.from_ms) == ("strips-corrected", ("F1",), dipped_ms)
    assert look_back.text == (
        "Strip bottle S1 (lot T9) was corrected: its use-by was 2026-03-05 09:00, and MEC tests passed with its strips "
        "after that."
    )


def test_strips_corrected_to_a_later_end_look_back_on_nothing(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    strips(recording, open_days=30)
    mec_test(recording, "F1", "S1")
    recording.do(CorrectStripBottle(strip_bottle="S1", open_days=60, reason="read wrongly"), SUPERVISOR)
    assert recording.get(StripBottle, "S1").use_by_ms == at("2026-05-01 09:00")
    assert recording.all(LookBack) == []
    assert recording.refused(CorrectStripBottle(strip_bottle="S1", open_days=90), SUPERVISOR) == (
        "reason",
        "Correcting strip bottle S1 needs a reason.",
        "Say in a few words why.",
    )


def test_a_mistyped_opening_is_put_right(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    earlier_ms = at("2026-02-01 08:00")
    assert recording.refused(corrected(opened_ms=earlier_ms), SUPERVISOR) == (
        "not-yet",
        "B1 has not been recorded as opened: there is no time to correct.",
        "Record that it was opened, with its time.",
    )
    recording.do(OpenBottle(bottle="B1"))
    assert recording.refused(corrected(opened_ms=recording.clock.now_ms + 1), SUPERVISOR) == (
        "time",
        "B1 opened at 2026-03-02 09:00 lies ahead.",
        "Type the time again.",
    )
    recording.do(corrected(opened_ms=earlier_ms), SUPERVISOR)
    assert recording.get(Bottle, "B1").use_by_ms == at("2026-04-17 08:00")  # 75 days


def test_strips_opened_earlier_than_was_typed_question_what_passed_with_them(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    strips(recording)
    mec_test(recording, "F1", "S1")
    said = CorrectStripBottle(strip_bottle="S1", opened_ms=at("2025-11-01 08:00"), reason="The date stands on it.")
    recording.do(said, SUPERVISOR)
    assert recording.get(StripBottle, "S1").use_by_ms == at("2026-01-30 08:00")
    assert [each.cause for each in recording.all(LookBack)] == ["strips-corrected"]


def test_a_fill_from_a_bottle_past_its_open_life_as_corrected_never_was_in_date(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    recording.do(OpenBottle(bottle="B1"))
    recording.do(PourFill(basin="n1/b1", bottles=(FromBottle("B1"),)))
    loaded(recording)
    recording.do(corrected(opened_ms=at("2025-12-01 08:00")), SUPERVISOR)
    after = recording.get(Fill, "F1")
    assert (after.use_by_ms, after.use_by_why) == (
        at("2026-02-14 08:00"),
        "opened-container use life of 75 days from opening, counted to the minute; bottle B1 was poured after that",
    )
    assert [(each.cause, each.fills) for each in recording.all(LookBack)] == [("bottle-corrected", ("F1",))]
