"""From shift to shift: what is open of a day, the signed review, handover, and paper typed in later."""

from __future__ import annotations

from msgspec.structs import replace
from record_kit import DAY_MS, HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, SUPERVISOR
from ward_kit import B1, B2, Ward

from collector.record.rounds.lookbacks import CloseLookBack
from collector.record.rounds.quarantine import QuarantineDevice
from collector.record.rounds.unassigned import Answer, AnswerClosures
from collector.record.rounds.use import RecordUse, StoreDevice
from collector.record.shifts.day_review import OpenSubject, day_review
from collector.record.shifts.shifts import HandOver, SignReview, TranscribeDowntime
from collector.record.things import Fill, Handover, MecResult, NotKnown, Person, Review, Transcript

DAY = "2026-03-02"
KEY = f"{1:032x}:15"


def review(ward: Ward, day: str = DAY) -> list[tuple[str, str]]:
    return [(each.subject, each.text) for each in day_review(ward.recording.book(), day)]


def test_nothing_is_open(ward: Ward) -> None:
    """Released devices, good fills and read tests need nobody."""
    ward.released("A1")
    ward.do(RecordUse(device="A1", encounter="ENC-1"))
    assert review(ward) == []


def test_everything_that_is_open_of_a_day(ward: Ward) -> None:
    ward.recording.later(SECOND_MS)
    ward.lid(B1, "closed", 120)
    ward.lid(B1, "open", 10)
    ward.soaked("A1", minutes=5)
    ward.prepared("A2")
    ward.soaking("A3", basin=B2)
    ward.do(RecordUse(device="A2"))
    ward.tested(B1, result=None, read_ms=None)
    ward.recording.put(replace(ward.recording.get(Fill, "F1"), failed_ms=ward.now_ms))
    ward.recording.put(replace(ward.recording.get(Fill, "F2"), use_by_ms=MONDAY))
    assert review(ward) == [
        (f"closure:{KEY}", "Basin 1 was closed for 2 min from 2026-03-02 09:00: nobody has said what was in it."),
        ("load:L2", "A3 in Basin 2 since 2026-03-02 09:07, not taken out."),
        ("turn:T1", "A1: taken out 2026-03-02 09:07, soak not met, not released."),
        ("turn:T2", "A2: used 2026-03-02 09:07 without a reference of the encounter."),
        ("fill:F1", "Fill F1 in Basin 1: MEC test failed 2026-03-02 09:07, not discarded."),
        ("fill:F2", "Fill F2 in Basin 2: ran out 2026-03-02 09:00, not discarded."),
        ("mec-test:M3", "MEC test M3 of fill F1: dipped 2026-03-02 09:07, not read."),
        ("look-back:K1", "Look-back K1, opened 2026-03-02 09:07: A2 was used without having been released."),
        ("device:A2", "A2: in quarantine since 2026-03-02 09:07: A2 was used without having been released."),
    ]
    assert review(ward, "2026-03-01") == []


def test_the_next_day_asks_only_for_what_is_still_open(ward: Ward) -> None:
    """Yesterday's closures were yesterday's questions; a round that nobody finished still is one."""
    ward.recording.later(SECOND_MS)
    ward.lid(B1, "closed", 120)
    ward.lid(B1, "open", 10)
    ward.prepared("A1")
    ward.recording.later(DAY_MS)
    assert review(ward, "2026-03-03") == [("turn:T1", "A1: round begun 2026-03-02 09:02, not soaked.")]


def test_not_known_names_the_devices_that_it_may_concern(ward: Ward) -> None:
    ward.prepared("A1")
    ward.recording.later(SECOND_MS)
    ward.lid(B1, "closed", 120)
    ward.lid(B1, "open", 10)
    ward.do(AnswerClosures(closures=(KEY,), answer=Answer.NOT_KNOWN))
    assert review(ward)[0] == (
        f"closure:{KEY}",
        "Basin 1 was closed for 2 min from 2026-03-02 09:00: nobody knows what was in it. It may concern: A1.",
    )


def test_a_review_is_signed_with_an_answer_to_everything(ward: Ward) -> None:
    ward.prepared("A1")
    ward.do(QuarantineDevice(device="A2", reason="It fell.", next_action="Reprocess."))
    assert ward.refused(SignReview(day=DAY)) == (
        "role",
        "Tina Test is a technician; this takes a supervisor.",
        "Ask a supervisor to do it.",
    )
    first = NotKnown("turn:T1", "not known")
    assert ward.refused(SignReview(day=DAY, answers=(first, NotKnown("device:A2", " "))), SUPERVISOR) == (
        "unanswered",
        "1 of 2 have no answer; the first is device:A2: A2: in quarantine since 2026-03-02 09:00: It fell.",
        "Answer each in words; 'not known' is an answer.",
    )
    assert ward.refused(SignReview(day=DAY, answers=(NotKnown("turn:T9", "done"),)), SUPERVISOR) == (
        "not-open",
        "turn:T9 is not open, or no longer: somebody may have settled it meanwhile.",
        "Load the review again, then sign it.",
    )
    answers = (first, NotKnown("device:A2", "It goes out tomorrow."))
    assert ward.refused(SignReview(day=DAY, answers=answers), SUPERVISOR, second_factor=False)[0] == "second-factor"
    ward.do(SignReview(day=DAY, answers=answers), SUPERVISOR)
    assert ward.recording.get(Review, DAY) == Review(
        id=DAY, by="sam", at_ms=MONDAY, answers=answers, open_subjects=("turn:T1", "device:A2")
    )
    assert [each for each, _ in review(ward)] == ["turn:T1", "device:A2"]
    assert ward.refused(SignReview(day=DAY, answers=answers), SUPERVISOR) == (
        "signed-already",
        "The review of 2026-03-02 was signed by Sam Test 2026-03-02 09:00.",
        "Write what has become known since as a note on the closure or round.",
    )


def test_days_that_cannot_be_signed(ward: Ward) -> None:
    assert ward.refused(SignReview(day="2026-03-03"), SUPERVISOR) == (
        "day-in-future",
        "2026-03-03 has not come yet.",
        "Sign a day that is over.",
    )
    assert ward.refused(SignReview(day="2026-02-30"), SUPERVISOR) == (
        "date",
        "'2026-02-30' is no date of the calendar.",
        "Type it as year-month-day, for instance 2027-03-31.",
    )
    ward.do(SignReview(day="2026-03-01"), SUPERVISOR)


def test_a_subject_is_asked_once(ward: Ward) -> None:
    """Whatever is open about it."""
    ward.soaked("A1")
    ward.do(RecordUse(device="A1"))
    subjects = [each.subject for each in day_review(ward.recording.book(), DAY)]
    assert sorted(set(subjects)) == sorted(subjects) == ["device:A1", "look-back:K1", "turn:T1"]
    ward.do(CloseLookBack(look_back="K1", conclusion="Told.", reason="A test closes it."), SUPERVISOR)
    assert OpenSubject("look-back:K1", "") not in day_review(ward.recording.book(), DAY)


def test_handover(ward: Ward) -> None:
    assert ward.refused(HandOver(note=" ")) == (
        "note",
        "The note is empty.",
        "Write what the next shift must know, then record it.",
    )
    ward.do(HandOver(note="Basin 2 needs a new fill."))
    assert ward.recording.all(Handover) == [
        Handover(id="H1", by="tina", at_ms=MONDAY, note="Basin 2 needs a new fill.")
    ]


def test_paper_is_typed_in_once_and_marked(ward: Ward) -> None:
    lines = ("09:00 basin 1 A1 21.0 12 min",)
    paper = TranscribeDowntime(from_ms=MONDAY - 2 * HOUR_MS, until_ms=MONDAY - HOUR_MS, lines=lines)
    ward.do(paper)
    assert ward.recording.all(Transcript) == [
        Transcript(
            id="P1", by="tina", at_ms=MONDAY, from_ms=MONDAY - 2 * HOUR_MS, until_ms=MONDAY - HOUR_MS, lines=lines
        )
    ]
    assert ward.refused(replace(paper, from_ms=MONDAY - HOUR_MS - MINUTE_MS)) == (
        "transcribed-twice",
        "These lines were typed in 2026-03-02 09:00 by Tina Test (P1).",
        "Compare the paper with what is there; type only what is missing.",
    )
    ward.do(replace(paper, lines=("10:00 basin 1 A2 21.0 12 min",)))
    for from_ms, until_ms, words in (
        (MONDAY, MONDAY, "from 2026-03-02 09:00 to 2026-03-02 09:00"),
        (MONDAY, MONDAY + HOUR_MS, "from 2026-03-02 09:00 to 2026-03-02 10:00"),
    ):
        assert ward.refused(replace(paper, from_ms=from_ms, until_ms=until_ms)) == (
            "downtime",
            f"A downtime {words} cannot be: it must end after it began, and be over.",
            "Compare both times with the paper.",
        )


def test_a_day_that_went_on_after_its_signature_is_signed_again(ward: Ward) -> None:
    ward.prepared("A1")
    first = NotKnown("turn:T1", "Waits for the courier.")
    ward.do(SignReview(day=DAY, answers=(first,)), SUPERVISOR)
    ward.prepared("A2")
    second = NotKnown("turn:T2", "not known")
    assert ward.refused(SignReview(day=DAY, answers=(second,)), SUPERVISOR)[0] == "unanswered"
    ward.do(QuarantineDevice(device="A1", reason="It fell.", next_action="Reprocess."))
    third = NotKnown("device:A1", "It goes out tomorrow.")
    signed_ms = ward.recording.later(MINUTE_MS)
    ward.do(SignReview(day=DAY, answers=(second, third)), SUPERVISOR)
    assert ward.recording.get(Review, DAY) == Review(
        id=DAY,
        by="sam",
        at_ms=signed_ms,
        answers=(first, second, third),
        open_subjects=("turn:T1", "turn:T2", "device:A1"),
    )
    assert ward.refused(SignReview(day=DAY, answers=(second, third)), SUPERVISOR)[0] == "signed-already"


def test_a_hang_time_that_ended_is_asked_about(ward: Ward) -> None:
    ward.released("A1")
    ward.do(StoreDevice(device="A1", cabinet="cabinet 2"))
    until = ward.recording.book().local_text(ward.device("A1").hang_until_ms or 0)
    ward.recording.later(7 * DAY_MS)
    assert review(ward, "2026-03-09") == []
    ward.recording.later(1)
    ward.recording.later(HOUR_MS)
    assert review(ward, "2026-03-09") == [
        ("device:A1", f"A1: hang time in cabinet 2 ended {until}, neither used nor reprocessed.")
    ]
    assert review(ward, "2026-03-08") == []


def test_training_that_no_longer_holds_is_asked_about(ward: Ward) -> None:
    tina = ward.recording.get(Person, "tina")
    ward.recording.put(replace(tina, trained_on="2025-03-01", training_expires="2026-03-01"))
    assert review(ward, "2026-03-01") == []
    assert review(ward) == [("person:tina", "Tina Test: training on file held until 2026-03-01.")]
    ward.recording.put(replace(ward.recording.get(Person, "tina"), active=False))
    assert review(ward) == []


def test_a_strip_that_was_given_up_is_asked_about(ward: Ward) -> None:
    """Dipping until one passes must not stay unseen: a strip that was seen to fail is a fail."""
    ward.tested(B1, result=MecResult.NOT_READ)
    assert review(ward) == [
        ("mec-test:M3", "MEC test M3 of fill F1: dipped 2026-03-02 09:00, recorded as not read 2026-03-02 09:00.")
    ]
    assert review(ward, "2026-03-03") == []
