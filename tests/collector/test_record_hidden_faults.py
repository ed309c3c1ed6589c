"""What turns out later to have been wrong: what it holds back, and what a concluded look-back leaves."""

from __future__ import annotations

import msgspec
from msgspec.structs import replace
from record_kit import MINUTE_MS, SUPERVISOR
from solutions_kit import STRIP
from ward_kit import PROFILE, Ward

from collector.ledger import Ledger, records
from collector.machine import ClosureJudged
from collector.projections import follow
from collector.record.book import Book
from collector.record.deed import HANDS, Deed
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.rounds.lookbacks import CloseLookBack
from collector.record.rounds.release import Release
from collector.record.solutions.strips import RecordControls
from collector.record.things import ControlResult, Controls, LookBack, Stage, StripBottle
from soak.closure import Verdict


class Suspect(Deed, frozen=True, kw_only=True):
    """A deed of the test's that finds something wrong with fills."""

    NAME = "suspect-fills"
    ROLES = HANDS

    fills: tuple[str, ...]

    def perform(self, book: Book) -> LookBack:
        """Open it."""
        return open_look_back(book, cause="test", text="A doubt.", from_ms=0, fills=self.fills)


def strips(ward: Ward) -> None:
    """The strip bottle of the ward's tests, whose controls passed."""
    opened_ms = ward.now_ms - 3_600_000
    ward.recording.put(
        StripBottle(
            id="S1",
            profile="opa",
            lot="T1",
            expires="2026-12-31",
            open_days=90,
            use_by_ms=ward.now_ms + 90 * 86_400_000,
            strip=STRIP,
            controls=Controls(3, "1:1"),
            opened_ms=opened_ms,
            control_results=(ControlResult("tina", opened_ms, 3, 3, passed=True),),
        )
    )


def test_controls_that_fail_after_the_soak_hold_it_back_even_once_the_look_back_is_closed(ward: Ward) -> None:
    strips(ward)
    ward.finished("A1")
    ward.do(RecordControls(strip_bottle="S1", positives_passed=2, negatives_failed=3))
    (look_back,) = ward.recording.all(LookBack)
    assert look_back.devices == ("A1",)
    ward.do(
        CloseLookBack(look_back=look_back.id, conclusion="The strips were damp.", reason="A test closes it."),
        SUPERVISOR,
    )
    assert ward.refused(Release(devices=("A1",)), SUPERVISOR) == (
        "mec-test",
        "A1: the strips of its MEC test turned out to prove nothing (past their use-by, or controls that failed).",
        "Do not use it. Begin a new round with it: cleaning, soak, rinses.",
    )
    ward.recording.put(replace(ward.recording.get(StripBottle, "S1"), control_results=()))
    ward.do(Release(devices=("A1",)), SUPERVISOR)


def judged_again(ward: Ward) -> None:
    """The profile now asks for 20 minutes, and the collector has judged the closures again."""
    ward.recording.put(replace(PROFILE, contact_ms=20 * MINUTE_MS))
    connection = ward.recording.desk.connection
    connection.execute("BEGIN IMMEDIATE")
    ledger = Ledger(connection, lambda: ward.now_ms)
    for record in list(records(connection, kinds=("closure",))):
        judged = msgspec.json.decode(record.body, type=ClosureJudged)
        closure = judged.closure
        assert closure.requirement is not None
        asked = replace(closure.requirement, contact_ms=20 * MINUTE_MS)
        closure = replace(closure, requirement=asked, verdict=Verdict.NOT_MET)
        follow(connection, ledger.append("closure", replace(judged, closure=closure, supersedes=[record.number])))
    connection.commit()


def held(ward: Ward) -> str:
    """A look-back over the rounds in the ward's first fill."""
    return ward.do(Suspect(fills=("F1",))).id


def test_a_release_that_no_longer_holds_ends_in_quarantine_when_its_look_back_is_closed(ward: Ward) -> None:
    ward.released("A1")
    look_back = held(ward)
    judged_again(ward)
    ward.do(
        CloseLookBack(look_back=look_back, conclusion="The label asks for 20 minutes.", reason="A test closes it."),
        SUPERVISOR,
    )
    quarantine = ward.device("A1").quarantine
    assert quarantine is not None
    assert (quarantine.reason, quarantine.next_action) == (
        "Its release does not hold by what is known since look-back K1: A1: its soak is not met.",
        "Reprocess it: cleaning, soak, rinses.",
    )
    assert (ward.device("A1").lookbacks, ward.turn("A1").stage) == ((), Stage.ENDED)


def test_a_release_that_holds_stays_one_when_its_look_back_is_closed(ward: Ward) -> None:
    ward.released("A1")
    look_back = held(ward)
    ward.do(
        CloseLookBack(look_back=look_back, conclusion="The strip was misread.", reason="A test closes it."), SUPERVISOR
    )
    assert (ward.device("A1").quarantine, ward.turn("A1").stage) == (None, Stage.RELEASED)
