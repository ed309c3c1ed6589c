"""From its opening to its end: what is held back, who was told, what became of each device, and when it may close."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from lookbackkit import B1, MINUTE_MS, SUPERVISOR, Ward, ask, morning, open_one

from collector.record import shelf
from collector.record.devices.devices import RetireDevice
from collector.record.rounds.lookback_answers import IssueList, ResolveDevices, TellInfectionPrevention
from collector.record.rounds.lookbacks import CloseLookBack, LookAgain
from collector.record.rounds.quarantine import LiftQuarantine
from collector.record.rounds.release import Release
from collector.record.rounds.use import RecordUse
from collector.record.things import LookBack, LookBackList, Outcome, Resolved, Stage, Stood, Told


@pytest.fixture
def ward(tmp_path: Path) -> Iterator[Ward]:
    """The morning, with look-back K1 of everything in fills of its solution open."""
    one = morning(tmp_path / "record")
    open_one(one, "profile-wrong", profile="opa")
    yield one
    one.close()
    one.recording.close()


def looked(ward: Ward) -> LookBack:
    return ward.recording.get(LookBack, "K1")


def resolve(ward: Ward, outcome: Outcome, *devices: str, note: str = "", reason: str = "") -> None:
    deed = ResolveDevices(look_back="K1", devices=devices, outcome=outcome, note=note, reason=reason)
    ward.do(deed, SUPERVISOR)


def told(ward: Ward) -> None:
    ward.do(TellInfectionPrevention(look_back="K1", whom="Infection prevention desk", how="by telephone"), SUPERVISOR)


def test_what_hangs_in_a_cabinet_is_quarantined_at_once(ward: Ward) -> None:
    held = ward.device("A1")
    assert held.quarantine is not None
    assert held.quarantine.by == "sam"
    assert held.quarantine.reason.startswith("Look-back K1: Profile opa")
    assert held.quarantine.next_action == "Take it out of cabinet 2 and reprocess it."
    assert (held.stored_in, held.lookbacks) == ("", ()), "its next round is held by nothing"
    assert ward.turn("A1").stage is Stage.ENDED


def test_what_was_used_is_listed_and_not_held(ward: Ward) -> None:
    assert (ward.device("A2").quarantine, ward.device("A2").lookbacks) == (None, ())
    assert looked(ward).concerned["T2"].encounter == "ENC-7"


def test_what_is_in_process_is_held(ward: Ward) -> None:
    assert (ward.device("A3").quarantine, ward.device("A3").lookbacks) == (None, ("K1",))
    ward.rinsed("A3")
    assert ward.refused(Release(devices=("A3",)), SUPERVISOR)[0] in ("dried", "look-back")


def test_a_technician_opens_none(ward: Ward) -> None:
    assert ward.refused(ask("lid-or-node", basin=B1))[0] == "role"


def test_nothing_concerned_is_a_finding_and_closes_at_once(ward: Ward) -> None:
    empty = open_one(ward, "used-without-release", device="A2")
    assert empty.concerned == {}
    ward.do(CloseLookBack(look_back=empty.id, conclusion="Every use had a release."), SUPERVISOR)
    assert not ward.recording.get(LookBack, empty.id).open()


def test_it_stays_open_while_a_device_is_unresolved_or_nobody_was_told(ward: Ward) -> None:
    close = CloseLookBack(look_back="K1", conclusion="The label was read wrongly.")
    step = (
        "Say what became of each device and record that infection prevention was told; or say as the reason "
        "why it is closed all the same."
    )
    assert ward.refused(close, SUPERVISOR) == (
        "look-back-unresolved",
        "Look-back K1: nobody has said what became of A1, A2, A3, and infection prevention has not been told.",
        step,
    )
    resolve(ward, Outcome.NO_RISK, "A1", "A2", "A3", note="The right label was on the bottle.")
    assert ward.refused(close, SUPERVISOR) == (
        "look-back-unresolved",
        "Look-back K1: infection prevention has not been told.",
        step,
    )
    told(ward)
    ward.do(close, SUPERVISOR)
    assert (looked(ward).open(), looked(ward).closed_although) == (False, "")


def test_a_reason_closes_it_all_the_same_and_stands_in_it(ward: Ward) -> None:
    told(ward)
    close = CloseLookBack(look_back="K1", conclusion="See K2.", reason="K2 holds the same devices.")
    ward.do(close, SUPERVISOR)
    assert looked(ward).closed_although == ("nobody has said what became of A1, A2, A3. K2 holds the same devices.")


def test_reprocessed_takes_a_later_round_that_met(ward: Ward) -> None:
    deed = ResolveDevices(look_back="K1", devices=("A3",), outcome=Outcome.REPROCESSED)
    refusal = (
        "not-reprocessed",
        "No later round of A3 has met: it has not been reprocessed.",
        "Reprocess it, then say so; the round itself is the evidence.",
    )
    assert ward.refused(deed, SUPERVISOR) == refusal
    ward.recording.later(MINUTE_MS)
    ward.tested(B1)
    ward.soaked("A3", minutes=11)  # not met: no reprocessing
    assert ward.refused(deed, SUPERVISOR) == refusal
    ward.recording.later(MINUTE_MS)
    ward.tested(B1)
    ward.finished("A3")
    assert ward.refused(Release(devices=("A3",)), SUPERVISOR)[0] == "look-back"
    ward.do(deed, SUPERVISOR)
    assert looked(ward).resolved["A3"] == Resolved(Outcome.REPROCESSED, "sam", ward.now_ms)
    ward.do(Release(devices=("A3",)), SUPERVISOR)


def test_what_came_out_of_the_cabinet_is_released_from_its_next_round(ward: Ward) -> None:
    ward.do(LiftQuarantine(device="A1", reason="It goes through again."), SUPERVISOR)
    ward.recording.later(MINUTE_MS)
    ward.tested(B1)
    ward.released("A1")
    resolve(ward, Outcome.REPROCESSED, "A1")


def test_destroyed_takes_a_device_that_is_out_of_service(ward: Ward) -> None:
    deed = ResolveDevices(look_back="K1", devices=("A2",), outcome=Outcome.DESTROYED)
    assert ward.refused(deed, SUPERVISOR) == (
        "not-withdrawn",
        "A2 is in service as far as the record has it.",
        "Retire A2 first, or quarantine it if it is only withdrawn for now.",
    )
    ward.do(RetireDevice(id="A2", reason="Scrapped."), SUPERVISOR)
    ward.do(deed, SUPERVISOR)
    resolve(ward, Outcome.WITHDRAWN, "A1")  # it is in quarantine
    assert looked(ward).unresolved() == ("A3",)


@pytest.mark.parametrize(
    ("outcome", "what"),
    [(Outcome.CULTURE, "the result of the culture"), (Outcome.NO_RISK, "why there is no risk")],
)
def test_some_outcomes_take_words(ward: Ward, outcome: Outcome, what: str) -> None:
    deed = ResolveDevices(look_back="K1", devices=("A2",), outcome=outcome, note=" ")
    assert ward.refused(deed, SUPERVISOR) == (
        "look-back-note",
        f"The note does not say {what}.",
        "Write it in a sentence; it stands in the list.",
    )


def test_a_culture_alone_frees_nothing(ward: Ward) -> None:
    resolve(ward, Outcome.CULTURE, "A3", note="Negative after 48 h.")
    assert ward.device("A3").lookbacks == ("K1",)


def test_another_outcome_takes_a_reason(ward: Ward) -> None:
    resolve(ward, Outcome.CULTURE, "A2", note="Negative.")
    deed = ResolveDevices(look_back="K1", devices=("A2",), outcome=Outcome.NO_RISK, note="It was never used.")
    assert ward.refused(deed, SUPERVISOR) == (
        "reason",
        "A2 was resolved as 'culture' by Sam Test; something else needs a reason.",
        "Say what is known now.",
    )
    resolve(ward, Outcome.NO_RISK, "A2", note="It was never used.", reason="The use was recorded by mistake.")
    assert looked(ward).resolved["A2"].outcome is Outcome.NO_RISK


def test_all_of_the_devices_or_none(ward: Ward) -> None:
    deed = ResolveDevices(look_back="K1", devices=("A1", "A9"), outcome=Outcome.CULTURE, note="Negative.")
    assert ward.refused(deed, SUPERVISOR) == (
        "not-in-look-back",
        "Look-back K1 does not concern A9.",
        "Choose devices of its list.",
    )
    assert looked(ward).resolved == {}


def test_who_was_told_stands_in_it(ward: Ward) -> None:
    blank = TellInfectionPrevention(look_back="K1", whom=" ", how="by telephone")
    assert ward.refused(blank, SUPERVISOR) == (
        "look-back-told",
        "It is not said who was told, or how.",
        "Fill in both, then record it.",
    )
    ahead = TellInfectionPrevention(look_back="K1", whom="Desk", how="by letter", told_ms=ward.now_ms + 1)
    assert ward.refused(ahead, SUPERVISOR)[0] == "time"
    told(ward)
    told(ward)
    one = Told("Infection prevention desk", "by telephone", ward.now_ms, "sam")
    assert looked(ward).told == (one, one)


def test_a_closed_one_takes_nothing_more_but_its_list(ward: Ward) -> None:
    ward.do(CloseLookBack(look_back="K1", conclusion="Done.", reason="A test."), SUPERVISOR)
    for deed in (
        LookAgain(look_back="K1"),
        ResolveDevices(look_back="K1", devices=("A2",), outcome=Outcome.CULTURE, note="Negative."),
        TellInfectionPrevention(look_back="K1", whom="Desk", how="by letter"),
    ):
        assert ward.refused(deed, SUPERVISOR)[0] == "look-back-closed"
    ward.do(IssueList(look_back="K1"), SUPERVISOR)


def test_rounds_named_one_by_one_are_not_looked_for_again(ward: Ward) -> None:
    ward.do(RecordUse(device="A3", encounter="ENC-9"))
    opened = ward.recording.all(LookBack)[-1]
    assert opened.cause == "used-without-release"
    assert opened.concerned["T3"].stood is Stood.USED
    assert ward.refused(LookAgain(look_back=opened.id), SUPERVISOR) == (
        "look-back-fixed",
        f"The rounds of look-back {opened.id} were named one by one: there is nothing else to find.",
        "If more is concerned, open another look-back for it.",
    )


def test_look_backs_of_earlier_versions_still_decode() -> None:
    old = (
        b'{"id":"K1","cause":"mec-fail","text":"A strip failed.","opened_ms":5,"by":"tina","from_ms":1,"until_ms":6,'
        b'"fills":["F1"],"turns":["T1"],"devices":["A1"],"closed":{"by":"sam","at_ms":9,"note":"Told."}}'
    )
    one = msgspec.json.decode(old, type=LookBack)
    assert (one.turns, one.concerned, one.open()) == (("T1",), {}, False)
    assert msgspec.json.decode(msgspec.json.encode(one)) == msgspec.json.decode(old)


def test_an_older_one_is_looked_at_again_by_its_fills(ward: Ward) -> None:
    ward.recording.put(
        LookBack(
            id="K9",
            cause="mec-fail",
            text="A strip failed.",
            opened_ms=ward.now_ms,
            by="tina",
            from_ms=0,
            until_ms=ward.now_ms,
            fills=("F1",),
            turns=("T1",),
            devices=("A1",),
        )
    )
    ward.do(LookAgain(look_back="K9"), SUPERVISOR)
    assert ward.recording.get(LookBack, "K9").turns == ("T1", "T3")


def test_its_list_keeps_what_stood_in_it(ward: Ward) -> None:
    ward.do(IssueList(look_back="K1"), SUPERVISOR)
    before = ward.recording.get(LookBackList, "KL1")
    told(ward)
    resolve(ward, Outcome.CULTURE, "A2", note="Negative.")
    assert shelf.find(ward.recording.desk.connection, LookBackList, "KL1") == before
