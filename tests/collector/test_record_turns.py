"""Rounds before the soak: begun once, steps attested once, references that name nobody."""

from __future__ import annotations

import pytest
from record_kit import HOUR_MS, MINUTE_MS, MONDAY, SECOND_TECHNICIAN, Recording
from ward_kit import B1, STEPS, Ward

from collector.record.errors import RefusedError
from collector.record.rounds.loads import StartLoad, TakeOut
from collector.record.rounds.quarantine import LiftQuarantine, QuarantineDevice
from collector.record.rounds.references import opaque
from collector.record.rounds.turns import AttestSteps, BeginTurn, NoteTurn
from collector.record.rounds.use import RecordUse
from collector.record.things import Attested, Stage, Step, Turn


@pytest.mark.parametrize(
    "reference",
    ["", " 10482 ", "ENC-10482", "V20260302-17", "2026-03-01/4", "5f0c9abd-cafe-4bad-8fed-0123456789ab", "a.b:1_2"],
)
def test_an_opaque_reference_is_kept(recording: Recording, reference: str) -> None:
    assert opaque(recording.book(), reference) == reference.strip()


NAME = (
    "opaque-reference",
    "The reference looks like a name: it is no plain number with at most three letters in a row.",
    "Scan or type the encounter's number, without the patient's name; if there is none, leave it empty.",
)
BIRTH = (
    "opaque-reference",
    "The reference holds a date that may be a date of birth.",
    "Scan or type the encounter's number, without a date; if there is none, leave it empty.",
)


@pytest.mark.parametrize(
    ("reference", "refusal"),
    [
        ("Smith", NAME),
        ("JSMITH2", NAME),
        ("Li", NAME),
        ("Jo Li 12", NAME),
        ("Müller1", NAME),
        ("14.07.1961", BIRTH),
        ("7/14/61", BIRTH),
        ("X-1961-07-14", BIRTH),
        ("19610714", BIRTH),
        ("14071961", BIRTH),
        ("A07141961", BIRTH),
        ("20260101", BIRTH),
    ],
)
def test_a_name_or_a_date_of_birth_is_refused(recording: Recording, reference: str, refusal: tuple[str, ...]) -> None:
    with pytest.raises(RefusedError) as refused:
        opaque(recording.book(), reference)
    assert (refused.value.rule, refused.value.text, refused.value.next_step) == refusal


def test_references_are_asked_wherever_they_are_typed(ward: Ward) -> None:
    assert ward.refused(BeginTurn(device="A1", came_from="Smith")) == NAME
    assert ward.refused(RecordUse(device="A1", encounter="14.07.1961")) == BIRTH


def test_a_round_is_begun(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1", came_from="ENC-1"))
    assert ward.turn("A1") == Turn(id="T1", device="A1", began_ms=MONDAY, by="tina", came_from="ENC-1")


def test_one_round_at_a_time(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    assert ward.refused(BeginTurn(device="A1"), SECOND_TECHNICIAN) == (
        "round-open",
        "Round T1 of A1 was begun 2026-03-02 09:00 by Tina Test and goes on.",
        "Go on with that round.",
    )


def test_no_round_for_what_is_unknown_or_retired(ward: Ward) -> None:
    assert ward.refused(BeginTurn(device="Z9")) == (
        "unknown-device",
        "There is no device 'Z9'.",
        "Scan or type it again; if it is new, record the device first.",
    )
    device = ward.device("A1")
    ward.recording.put(type(device)(id="A1", type="gastroscope", retired=True))
    assert ward.refused(BeginTurn(device="A1")) == (
        "device-retired",
        "A1 was taken out of service for good.",
        "Scan the right device; if it is in service after all, a supervisor reinstates it.",
    )


def test_no_round_in_quarantine(ward: Ward) -> None:
    ward.do(QuarantineDevice(device="A1", reason="It leaks.", next_action="Send it for repair."), SECOND_TECHNICIAN)
    assert ward.refused(BeginTurn(device="A1")) == (
        "quarantined",
        "A1 is in quarantine since 2026-03-02 09:00, put there by Tom Test: It leaks.",
        "Next: Send it for repair. Then a supervisor lifts the quarantine.",
    )
    ward.do(LiftQuarantine(device="A1", reason="Repaired."), "sam")
    ward.do(BeginTurn(device="A1"))


def test_no_round_while_it_soaks(ward: Ward) -> None:
    ward.soaking("A1")
    ward.recording.later(MINUTE_MS)
    assert ward.refused(BeginTurn(device="A1"), SECOND_TECHNICIAN) == (
        "device-in-basin",
        "A1 is in Basin 1 since 2026-03-02 09:00 (load L1), put in by Tina Test.",
        "Take it out there first, or scan the right device.",
    )


def test_a_device_comes_from_where_it_was_used(ward: Ward) -> None:
    """The last round's use is where the next one comes from, unless another encounter is named."""
    ward.released("A1", "A2")
    ward.do(RecordUse(device="A1", encounter="ENC-7"))
    ward.do(RecordUse(device="A2", encounter="ENC-8"))
    ward.do(BeginTurn(device="A1"))
    ward.do(BeginTurn(device="A2", came_from="ENC-9"))
    assert (ward.turn("A1").came_from, ward.turn("A2").came_from) == ("ENC-7", "ENC-9")


def test_a_soak_that_was_not_used_is_begun_again(ward: Ward) -> None:
    """The round ends, its encounter stays; nothing that was attested is carried over."""
    ward.prepared("A1", came_from="ENC-1")
    ward.do(StartLoad(basin=B1, devices=("A1",)))
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert ward.refused(BeginTurn(device="A1", came_from="ENC-2")) == (
        "use-not-recorded",
        "A1 comes from ENC-2, but no use of its last round T1 is on record.",
        "Record that use first, with this reference; then begin the new round.",
    )
    ward.do(BeginTurn(device="A1"))
    again = ward.turn("A1")
    assert (again.id, again.came_from, again.steps) == ("T2", "ENC-1", {})
    assert ward.recording.get(Turn, "T1").stage is Stage.ENDED


def test_steps_are_attested_by_who_did_them_at_their_time(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    earlier = MONDAY - 10 * MINUTE_MS
    ward.do(AttestSteps(device="A1", steps=(Step.CLEAN,), done_ms=earlier, note="twice"), SECOND_TECHNICIAN)
    ward.do(AttestSteps(device="A1", steps=(Step.LEAK_TEST,)))
    steps = ward.turn("A1").steps
    assert steps == {"clean": Attested("tom", earlier, "twice", MONDAY), "leak test": Attested("tina", MONDAY)}
    assert (steps["clean"].on_record_ms, steps["leak test"].on_record_ms) == (MONDAY, MONDAY)


def test_a_step_counts_once(ward: Ward) -> None:
    ward.prepared("A1")
    refusal = (
        "step-twice",
        "The step 'clean' of A1 was attested by Tina Test for 2026-03-02 09:00.",
        "Attest only what you did yourself and what is not on record yet.",
    )
    assert ward.refused(AttestSteps(device="A1", steps=(Step.CLEAN,)), SECOND_TECHNICIAN) == refusal
    ward.do(BeginTurn(device="A2"))
    assert ward.refused(AttestSteps(device="A2", steps=(Step.CLEAN, Step.CLEAN))) == (
        refusal[0],
        refusal[1].replace("A1", "A2"),
        refusal[2],
    )


def test_only_steps_of_its_type(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    assert ward.refused(AttestSteps(device="A1", steps=(Step.NO_BUBBLES,))) == (
        "step-not-asked",
        "A gastroscope does not take the step 'no bubbles'.",
        "Attest the steps of its type: leak test, clean.",
    )


def test_a_step_cannot_lie_ahead_or_in_the_last_soak(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    assert ward.refused(AttestSteps(device="A1", steps=STEPS, done_ms=MONDAY + HOUR_MS)) == (
        "step-in-future",
        "2026-03-02 10:00 has not come yet.",
        "Attest a step once it is done, with the time at which it was.",
    )
    ward.do(AttestSteps(device="A1", steps=STEPS))
    ward.do(StartLoad(basin=B1, devices=("A1",)))
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 60)
    ward.do(TakeOut(basin=B1))
    ward.do(BeginTurn(device="A1"))
    assert ward.refused(AttestSteps(device="A1", steps=STEPS, done_ms=MONDAY + MINUTE_MS)) == (
        "step-too-early",
        "A1 was in a solution until 2026-03-02 09:14: a step of this round cannot have been done 2026-03-02 09:01.",
        "Attest the step with the time at which it was done in this round.",
    )


def test_no_steps_without_a_round_or_after_the_soak(ward: Ward) -> None:
    assert ward.refused(AttestSteps(device="A1", steps=STEPS)) == (
        "stage",
        "A1 has no round: nobody has begun to reprocess it.",
        "Begin a round with A1.",
    )
    ward.soaked("A1")
    assert ward.refused(AttestSteps(device="A1", steps=STEPS)) == (
        "stage",
        "A1 was taken out 2026-03-02 09:13 by Tina Test and not released.",
        "Rinse, dry and release it; if its soak was not met, begin a new round with A1.",
    )


def test_a_note_fits_on_every_round(ward: Ward) -> None:
    ward.prepared("A1")
    assert ward.refused(NoteTurn(turn="T1", note=" ")) == (
        "note",
        "The note is empty.",
        "Write what happened, then record it.",
    )
    ward.do(NoteTurn(turn="T1", note="The phone rang."))
    assert ward.turn("A1").notes == (Attested("tina", MONDAY, "The phone rang."),)
