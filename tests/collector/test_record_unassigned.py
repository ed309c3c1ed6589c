"""Closures that nobody has said anything about, and devices that are assigned late."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace
from record_kit import HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, SECOND_TECHNICIAN, SUPERVISOR
from ward_kit import B1, PROFILE, STEPS, Ward, fill

from collector.record.rounds.late import AssignLate
from collector.record.rounds.loads import TakeOut
from collector.record.rounds.release import Release
from collector.record.rounds.rinses import AttestDried
from collector.record.rounds.turn_findings import turn_findings
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.rounds.unassigned import (
    Answer,
    AnswerClosures,
    NoteClosure,
    closure_of,
    may_concern,
    unassigned,
)
from collector.record.things import Attested, ClosureNote, Device, Discarded, Fill, MecTest, Stage

KEY = f"{1:032x}:15"
"""The first closure of basin 1 that a test makes."""


def listed(ward: Ward) -> list[str]:
    return [each.watched.key for each in unassigned(ward.recording.book(), B1, 0, ward.now_ms)]


def closed(ward: Ward, minutes: int = 13) -> None:
    """The lid was closed, nobody said anything, and it was opened again."""
    ward.recording.later(SECOND_MS)
    ward.lid(B1, "closed", minutes * 60)
    ward.lid(B1, "open", 10)


def late(*devices: str, **changes: Any) -> AssignLate:
    given: dict[str, Any] = {"second_person": SECOND_TECHNICIAN, "reason": "The tablet was flat."} | changes
    return AssignLate(closure=KEY, devices=devices or ("A1",), **given)


# What was in it?


def test_what_nobody_has_assigned_is_listed(ward: Ward) -> None:
    """A lid that was only moved is not (the kit's ten seconds); nor is a load's closure."""
    closed(ward)
    assert listed(ward) == [KEY]
    ward.soaked("A1")
    assert listed(ward) == [KEY]


def test_said_to_be_empty(ward: Ward) -> None:
    closed(ward)
    ward.do(AnswerClosures(closures=(KEY,), answer=Answer.EMPTY))
    assert listed(ward) == []
    assert ward.recording.get(ClosureNote, KEY) == ClosureNote(
        id=KEY,
        basin=B1,
        at_ms=MONDAY + SECOND_MS,
        notes=(Attested("tina", ward.now_ms, "empty."),),
        assignment="empty",
    )
    other = AnswerClosures(closures=(KEY,), answer=Answer.NOT_KNOWN)
    assert ward.refused(other) == (
        "reason",
        "It was said that what was in Basin 1 from 2026-03-02 09:00 to 2026-03-02 09:13 is 'empty'; "
        "another answer needs a reason.",
        "Say how that is known now.",
    )
    ward.do(replace(other, reason="It was another basin."))
    assert listed(ward) == [KEY]


def test_not_known_stays_in_the_list_with_the_devices_that_it_may_concern(ward: Ward) -> None:
    """A1 was ready; A3 was begun later."""
    ward.prepared("A1")
    closed(ward)
    ward.do(AnswerClosures(closures=(KEY,), answer=Answer.NOT_KNOWN))
    ward.do(BeginTurn(device="A3"))
    assert listed(ward) == [KEY]
    found = closure_of(ward.recording.book(), KEY)
    assert [turn.device for turn in may_concern(ward.recording.book(), found)] == ["A1"]


def test_what_is_released_or_in_another_load_is_not_concerned(ward: Ward) -> None:
    """A1 was taken out before and is not released: it may have been put in again."""
    ward.soaked("A1")
    ward.finished("A2", basin="n1/b2")
    ward.do(Release(devices=("A2",)))
    ward.tested("n1/b2")
    ward.soaking("A3", basin="n1/b2")
    ward.recording.later(SECOND_MS)
    before_ms = ward.now_ms
    closed(ward)
    (found,) = unassigned(ward.recording.book(), B1, before_ms, ward.now_ms)
    assert [turn.device for turn in may_concern(ward.recording.book(), found)] == ["A1"]


def test_no_answer_for_a_load_or_an_unknown_closure(ward: Ward) -> None:
    ward.soaked("A1")
    key = ward.turn("A1").closure
    assert ward.refused(AnswerClosures(closures=(key,), answer=Answer.EMPTY)) == (
        "closure-assigned",
        "Load L1 was in Basin 1 from 2026-03-02 09:00 to 2026-03-02 09:13.",
        "Look at that load.",
    )
    assert ward.refused(AnswerClosures(closures=("x:1",), answer=Answer.EMPTY)) == (
        "unknown-closure",
        "There is no closure 'x:1'.",
        "Choose it from the list of closures: it may have been judged again.",
    )


def test_a_note_fits_on_every_closure(ward: Ward) -> None:
    closed(ward)
    ward.do(NoteClosure(closure=KEY, note="The lid was cleaned."))
    assert ward.recording.get(ClosureNote, KEY).notes == (Attested("tina", ward.now_ms, "The lid was cleaned."),)
    assert ward.refused(NoteClosure(closure=KEY, note="")) == (
        "note",
        "The note is empty.",
        "Write what happened, then record it.",
    )


# Late


def test_a_late_device_can_be_released_and_is_marked(ward: Ward) -> None:
    ward.prepared("A1")
    closed(ward)
    ward.do(late())
    said = Attested("tom", ward.now_ms, "The tablet was flat.")
    load, turn = ward.load(), ward.turn("A1")
    opened_ms = MONDAY + SECOND_MS + 780_000
    assert (load.late, load.began_ms, load.ended_ms, load.mec_test) == (said, MONDAY + SECOND_MS, opened_ms, "M1")
    assert (turn.stage, turn.late, turn.closure, turn.in_ms, turn.out_ms) == (
        Stage.SOAKED,
        said,
        KEY,
        MONDAY + SECOND_MS,
        opened_ms,
    )
    assert ward.recording.get(MecTest, "M1").used_for == "L1"
    assert ward.recording.get(ClosureNote, KEY).assignment == "L1"
    assert listed(ward) == []
    (finding,) = turn_findings(ward.recording.book(), turn)
    assert (finding.code, finding.text) == (
        "assigned-late",
        "Assigned after the lid was opened, confirmed by Tom Test: The tablet was flat.",
    )
    ward.rinsed("A1")
    ward.do(AttestDried(device="A1"))
    ward.do(Release(devices=("A1",)))


def test_a_device_that_was_forgotten_joins_the_load_that_was_there(ward: Ward) -> None:
    ward.prepared("A2")
    ward.soaking("A1")
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    ward.do(late("A2"))
    assert (ward.load().turns, ward.load().late) == (("T2", "T1"), None)
    assert ward.turn("A2").late is not None
    assert ward.recording.get(Fill, "F1").loads == 1


@pytest.mark.parametrize("person", ["tina", "olga"])
def test_it_takes_somebody_else_of_the_basins(ward: Ward, person: str) -> None:
    ward.prepared("A1")
    closed(ward)
    name = {"tina": "Tina Test", "olga": "Olga Test"}[person]
    assert ward.refused(late(second_person=person)) == (
        "second-person",
        f"{name} cannot confirm it: that takes somebody else who works at the basins.",
        "Ask another technician or a supervisor to confirm it with badge and PIN.",
    )
    assert AssignLate.SECOND_PERSON
    ward.do(late(second_person=SUPERVISOR))


def test_it_takes_a_reason(ward: Ward) -> None:
    ward.prepared("A1")
    closed(ward)
    assert ward.refused(late(reason="")) == (
        "reason",
        "Assigning after the lid was opened needs a reason.",
        "Say why it was not said before.",
    )


def test_not_once_the_lid_was_on_for_longer_than_the_maximum_immersion_time(ward: Ward) -> None:
    """At the limit it may be."""
    ward.prepared("A1")
    closed(ward, minutes=60)
    ward.recording.put(replace(PROFILE, longest_immersion_ms=HOUR_MS - SECOND_MS))
    assert ward.refused(late()) == (
        "late-too-long",
        "The lid was on for 1 h; the maximum immersion time is 59 min 59 s: "
        "nothing that is still fit for use can have been in it all the time.",
        "Quarantine the devices, and answer 'not known' for this closure if nobody knows what was in it.",
    )
    ward.recording.put(PROFILE)
    ward.do(late())


CANNOT = "It cannot be shown that it lay in there ready for it: reprocess it."


def test_a_round_that_was_begun_after_the_closing(ward: Ward) -> None:
    closed(ward)
    ward.prepared("A1")
    assert ward.refused(late()) == (
        "late-disagrees",
        "A1: its round was begun only 2026-03-02 09:13; the lid was closed 2026-03-02 09:00.",
        CANNOT,
    )


def test_steps_that_were_recorded_after_the_closing_or_never(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    closed(ward)
    assert ward.refused(late()) == (
        "late-disagrees",
        "A1: the step 'leak test' is not on record; the lid was closed 2026-03-02 09:00.",
        CANNOT,
    )
    ward.do(AttestSteps(device="A1", steps=STEPS, done_ms=MONDAY))
    assert ward.refused(late()) == (
        "late-disagrees",
        "A1: the step 'leak test' was recorded only 2026-03-02 09:13; the lid was closed 2026-03-02 09:00.",
        CANNOT,
    )


def test_a_device_that_was_elsewhere(ward: Ward) -> None:
    ward.prepared("A1")
    closed(ward)
    ward.change_turn("A1", began_ms=MONDAY)
    device = ward.device("A1")
    elsewhere = replace(
        ward.turn("A1"), id="T99", stage=Stage.ENDED, in_ms=MONDAY - MINUTE_MS, out_ms=MONDAY + 5 * MINUTE_MS
    )
    ward.recording.put(elsewhere, Device(id="A1", type=device.type, turn=device.turn))
    assert ward.refused(late()) == (
        "late-disagrees",
        "A1: it was in another solution until 2026-03-02 09:05; the lid was closed 2026-03-02 09:00.",
        CANNOT,
    )


def test_a_device_that_is_soaking_or_done(ward: Ward) -> None:
    ward.prepared("A1")
    closed(ward)
    ward.do(late())
    assert ward.refused(late()) == (
        "stage",
        "A1 was taken out 2026-03-02 09:13 by Tina Test and not released.",
        "Rinse, dry and release it; if its soak was not met, begin a new round with A1.",
    )


def test_no_fill_was_in_it(ward: Ward) -> None:
    ward.prepared("A1")
    closed(ward)
    gone = Discarded("tina", MONDAY + MINUTE_MS, "used up", 3_000)
    ward.recording.put(replace(fill(1, B1), discarded=gone))
    assert ward.refused(late()) == (
        "no-fill-then",
        "No fill was in Basin 1 from 2026-03-02 09:00 to 2026-03-02 09:13.",
        "Reprocess the devices.",
    )


def test_a_fill_for_a_single_use_has_had_it(ward: Ward) -> None:
    ward.recording.put(replace(PROFILE, single_use=True), replace(fill(1, B1), loads=1))
    ward.prepared("A1")
    closed(ward)
    assert ward.refused(late()) == (
        "single-use",
        "Fill F1 is for a single use and has had its load.",
        "Discard it and pour a new one.",
    )


def test_a_site_that_treats_every_closing_as_a_load_is_asked_about_short_ones_too(ward: Ward) -> None:
    assert listed(ward) == []
    ward.recording.set_policy(every_closing_is_a_load=True)
    assert len(listed(ward)) == 1  # the kit's ten seconds
