"""Each cause on one morning's record (`lookbackkit.morning`): which rounds it concerns, worked out by hand."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any, get_args

import pytest
from lookbackkit import B1, B2, DAY_MS, MINUTE_MS, MONDAY, SENSOR, SUPERVISOR, Ward, ask, found, morning, open_one
from msgspec.structs import replace

from collector.lookback.causes import CAUSES, FOR_PEOPLE, WORDS
from collector.lookback.reaching import by_software
from collector.record.basins.checks import RecordSensorCheck
from collector.record.rounds.lookbacks import CauseCode, LookAgain
from collector.record.rounds.unassigned import Answer, AnswerClosures, unassigned
from collector.record.rounds.use import RecordUse
from collector.record.things import Asked, Fill, LookBack, MecResult, Person, Poured, SensorCheck, Stage, Stood, Turn
from soak.quantity import in_words


@pytest.fixture
def ward(tmp_path: Path) -> Iterator[Ward]:
    """The morning."""
    one = morning(tmp_path / "record")
    yield one
    one.close()
    one.recording.close()


def test_the_deed_offers_the_causes_that_people_open() -> None:
    assert get_args(CauseCode) == tuple(each.code for each in FOR_PEOPLE)
    assert set(Asked.__struct_fields__) == WORDS.keys()
    assert {name for each in FOR_PEOPLE for name in (*each.needs, *each.may)} <= WORDS.keys()


CASES: list[tuple[str, dict[str, Any], list[str]]] = [
    ("strips-bad", {"strip_bottle": "S1"}, ["T1", "T2"]),
    ("strips-bad", {"strip_bottle": "S2"}, ["T3"]),
    ("strips-misread", {"person": "tom"}, ["T3"]),
    ("strips-misread", {"person": "ada"}, []),
    ("profile-wrong", {"profile": "opa"}, ["T1", "T2", "T3"]),
    ("profile-wrong", {"profile": "opa", "fill": "F2"}, ["T2"]),
    ("lot-recalled", {"lot": "L1"}, ["T1", "T2", "T3"]),
    ("rinse-water", {}, ["T1", "T2"]),
    ("rinse-water", {"basin": B1}, ["T1"]),
    ("leak", {}, ["T1", "T2", "T3"]),
    ("leak", {"device": "A2"}, ["T2"]),
    ("culture-positive", {"device": "A2"}, ["T2"]),
    ("training-lapsed", {"person": "sam"}, ["T1", "T2"]),  # who released them
    ("training-lapsed", {"person": "tom"}, ["T3"]),  # who read its strip; a use that somebody recorded is no such act
    ("lid-or-node", {"basin": B1}, ["T1", "T3"]),
    ("lid-or-node", {"node": "n1"}, ["T1", "T2", "T3"]),
    ("used-without-release", {"device": "A2"}, []),
]


@pytest.mark.parametrize(("cause", "asked", "rounds"), CASES)
def test_what_a_cause_concerns(ward: Ward, cause: str, asked: dict[str, Any], rounds: list[str]) -> None:
    look_back = open_one(ward, cause, **asked)
    assert found(look_back) == rounds
    assert sorted(look_back.concerned) == rounds
    assert look_back.asked == Asked(**asked)


def test_every_cause_has_a_case() -> None:
    elsewhere = {"mec-fail", "sensor-off", "reference-off", "fill-past-date", "software-fault"}
    assert {cause for cause, _, _ in CASES} | elsewhere == {each.code for each in FOR_PEOPLE}


def test_a_range_leaves_out_what_lay_outside_it(ward: Ward) -> None:
    first, third = ward.recording.get(Turn, "T1"), ward.recording.get(Turn, "T3")
    assert first.out_ms
    assert third.in_ms
    assert found(open_one(ward, "lid-or-node", basin=B1, from_ms=first.out_ms)) == ["T3"]
    assert found(open_one(ward, "lid-or-node", basin=B1, from_ms=first.out_ms - 1)) == ["T1", "T3"]
    assert found(open_one(ward, "lid-or-node", basin=B1, until_ms=third.in_ms)) == ["T1"]
    assert found(open_one(ward, "lid-or-node", basin=B1, until_ms=third.in_ms + 1)) == ["T1", "T3"]


def test_of_a_fill_too_what_came_out_at_the_very_moment_is_not_concerned(ward: Ward) -> None:
    first, third = ward.recording.get(Turn, "T1"), ward.recording.get(Turn, "T3")
    assert first.out_ms
    assert third.in_ms
    assert found(open_one(ward, "profile-wrong", profile="opa", from_ms=first.out_ms)) == ["T2", "T3"]
    assert found(open_one(ward, "profile-wrong", profile="opa", from_ms=first.out_ms - 1)) == ["T1", "T2", "T3"]
    assert found(open_one(ward, "profile-wrong", profile="opa", until_ms=third.in_ms)) == ["T1", "T2"]
    assert found(open_one(ward, "profile-wrong", profile="opa", until_ms=third.in_ms + 1)) == ["T1", "T2", "T3"]


def test_a_device_that_was_begun_anew_is_listed_and_not_held(ward: Ward) -> None:
    ward.prepared("A3")
    look_back = open_one(ward, "lid-or-node", basin=B1)
    assert look_back.concerned["T3"].stood is Stood.BEGUN_ANEW
    assert ward.device("A3").lookbacks == ()


def test_an_unknown_beginning_is_said(ward: Ward) -> None:
    look_back = open_one(ward, "lid-or-node", basin=B1)
    assert look_back.from_ms == 0
    assert "from the first record on, as its beginning is not known," in look_back.text


def test_a_failed_test_reaches_back_to_the_last_passing_one_and_no_further(ward: Ward) -> None:
    """M1 cleared T1, M3 passed after it: what M4's fail puts in question began with M3."""
    ward.recording.put(replace(ward.tested(B1), result=MecResult.FAIL))
    look_back = open_one(ward, "mec-fail", mec_test="M4")
    assert found(look_back) == ["T3"]
    assert look_back.fills == ("F1",)
    assert "since its last passing test M3 at 2026-03-02 09:34" in look_back.text


def test_a_failed_test_without_a_passing_one_reaches_back_to_the_pour(ward: Ward) -> None:
    ward.recording.put(replace(ward.tested(B1), result=MecResult.DOUBTFUL))
    for test in ("M1", "M3"):
        ward.recording.put(replace(ward.recording.get(type(ward.tested(B1)), test), result=MecResult.NOT_READ))
    look_back = open_one(ward, "mec-fail", mec_test="M4")
    assert found(look_back) == ["T1", "T3"]
    assert "since its pour" in look_back.text


def test_a_fill_past_its_date(ward: Ward) -> None:
    """T1 was out before the use-by, T3 went in after it."""
    third = ward.recording.get(Turn, "T3")
    assert third.in_ms
    fill = replace(ward.recording.get(Fill, "F1"), use_by_ms=third.in_ms - 1)
    ward.recording.put(fill)
    assert found(open_one(ward, "fill-past-date", fill="F1")) == ["T3"]


def test_a_recalled_lot_that_was_topped_up_concerns_what_came_after(ward: Ward) -> None:
    third = ward.recording.get(Turn, "T3")
    assert third.in_ms
    fill = ward.recording.get(Fill, "F1")
    topped_up = Poured(bottle="B9", lot="L9", volume_ml=500, by="tina", at_ms=third.in_ms - 1)
    ward.recording.put(replace(fill, poured=(*fill.poured, topped_up)))
    assert found(open_one(ward, "lot-recalled", lot="L9")) == ["T3"]


def test_a_recalled_lot_is_found_however_its_letters_were_typed(ward: Ward) -> None:
    """Of two bottles of one lot, one was typed in small letters: neither may be left out."""
    fill = ward.recording.get(Fill, "F2")
    ward.recording.put(replace(fill, poured=tuple(replace(each, lot="l 1") for each in fill.poured)))
    assert found(open_one(ward, "lot-recalled", lot="L1")) == ["T1", "T2", "T3"]


def test_a_basin_named_beside_a_node_takes_none_of_its_basins_away(ward: Ward) -> None:
    look_back = open_one(ward, "lid-or-node", basin=B1, node="n1")
    assert found(look_back) == ["T1", "T2", "T3"]
    assert look_back.text.startswith("Node n1 or the lid switch or node of ")
    look_back = open_one(ward, "rinse-water", basin=B1, node="n1")
    assert found(look_back) == ["T1", "T2"]
    assert look_back.text.startswith("Rinse water used at the basins of n1 and at ")


def test_a_use_without_release(ward: Ward) -> None:
    ward.do(RecordUse(device="A3", encounter="ENC-9"))
    look_back = open_one(ward, "used-without-release", device="A3")
    assert found(look_back) == ["T3"]
    assert look_back.concerned["T3"].encounter == "ENC-9"


def test_training_counts_from_the_day_after_it_expired(ward: Ward) -> None:
    tina = ward.recording.get(Person, "tina")
    ward.recording.put(replace(tina, training_expires="2026-03-01"))
    assert found(open_one(ward, "training-lapsed", person="tina")) == ["T1", "T2", "T3"]
    ward.recording.put(replace(tina, training_expires="2026-03-02"))
    assert ward.refused(ask("training-lapsed", person="tina"), SUPERVISOR) == (
        "look-back-asks",
        "The training of Tina Test is on file until 2026-03-02: it has not lapsed.",
        "Give the beginning if they were not trained before that.",
    )


def test_margins_and_places_as_they_were_found(ward: Ward) -> None:
    rows = open_one(ward, "profile-wrong", profile="opa").concerned
    assert {turn: (row.stood, row.place) for turn, row in rows.items()} == {
        "T1": (Stood.CABINET, "cabinet 2"),
        "T2": (Stood.USED, ""),
        "T3": (Stood.IN_PROCESS, ""),
    }
    assert rows["T2"].encounter == "ENC-7"
    assert (rows["T1"].verdict, in_words(rows["T1"].contact_ms)) == ("met", "12 min")
    assert rows["T1"].allowance_mc == 500  # 21.000 °C measured, 20 °C asked, U 0.5 °C


def test_looking_again_adds_what_came_on_record_since(ward: Ward) -> None:
    look_back = open_one(ward, "lid-or-node", basin=B1)
    ward.recording.later(MINUTE_MS)
    ward.tested(B1)
    ward.soaked("A2")
    ward.recording.do(LookAgain(look_back=look_back.id), SUPERVISOR)
    again = ward.recording.get(LookBack, look_back.id)
    assert found(again) == ["T1", "T3", "T4"]
    assert again.concerned["T1"] == look_back.concerned["T1"]
    assert again.concerned["T4"].found_ms == again.looked_ms == ward.now_ms
    assert ward.device("A2").lookbacks == (look_back.id,)


@pytest.mark.parametrize(
    ("cause", "asked", "refusal"),
    [
        (
            "sensor-off",
            {"sensor": SENSOR},
            (
                "look-back-asks",
                "“A sensor reads wrong” needs to know more: by how much it was wrong.",
                "Fill it in, then look again.",
            ),
        ),
        (
            "leak",
            {"lot": "L1"},
            (
                "look-back-asks",
                "“A leak was found, or the leak tester was faulty” does not ask for the lot: it would not be "
                "looked at.",
                "Leave it out, or choose another cause.",
            ),
        ),
        (
            "mec-fail",
            {"mec_test": "M1"},
            (
                "look-back-asks",
                "MEC test M1 was recorded as 'pass': it did not fail.",
                "Choose the test that failed.",
            ),
        ),
        (
            "lid-or-node",
            {},
            ("look-back-asks", "Neither a basin nor a node is named.", "Name one of them."),
        ),
        (
            "lid-or-node",
            {"node": "n7"},
            ("look-back-asks", "No basin belongs to a node 'n7'.", "Take its name from the page of the site."),
        ),
        (
            "lot-recalled",
            {"lot": "l7"},
            (
                "look-back-asks",
                "No fill was poured from a bottle of lot 'l7'.",
                "Compare the lot with the bottle; it is on the page of solutions.",
            ),
        ),
        (
            "culture-positive",
            {"device": "A9"},
            (
                "unknown-device",
                "There is no device 'A9'.",
                "Scan or type it again; if it is new, record the device first.",
            ),
        ),
        (
            "leak",
            {"from_ms": 2_000_000_000_000},
            (
                "look-back-range",
                "2033-05-18 05:33 lies ahead: nothing has been soaked since.",
                "Type the beginning again.",
            ),
        ),
        (
            "leak",
            {"from_ms": 1_772_441_000_000, "until_ms": 1_772_440_000_000},
            (
                "look-back-range",
                "The range ends 2026-03-02 09:26, not after it begins, 2026-03-02 09:43.",
                "Exchange them, or leave one empty if it is not known.",
            ),
        ),
    ],
)
def test_what_cannot_be_looked_at_is_refused(
    ward: Ward, cause: str, asked: dict[str, Any], refusal: tuple[str, str, str]
) -> None:
    assert ward.refused(ask(cause, **asked), SUPERVISOR) == refusal


def test_a_culture_concerns_a_round_that_still_lies_in_the_solution(ward: Ward) -> None:
    """It began before the last negative culture, and nothing of it is over."""
    turn = ward.recording.get(Turn, "T2")
    ward.recording.put(replace(turn, out_ms=None, used=None, stage=Stage.SOAKING))
    look_back = open_one(ward, "culture-positive", device="A2", from_ms=ward.now_ms - 1_000)
    assert found(look_back) == ["T2"]


def checked(ward: Ward, indicated_mc: int = 20_600) -> int:
    """C1 was good a moment before T1 went in; C2, now, finds what the sensor reads too high; when that is."""
    good = SensorCheck(
        id="C1", sensor=SENSOR, basin=B1, at_ms=MONDAY - 1, by="sam", reference="R-1", correction_mc=0, u_mc=500
    )
    ward.recording.put(good)
    check = {"sensor": SENSOR, "basin": B1, "reference": "R-2", "reference_mc": 20_000, "u_mc": 500}
    ward.recording.do(RecordSensorCheck(indicated_mc=indicated_mc, **check), SUPERVISOR)
    return ward.now_ms


def test_a_sensor_found_off_by_a_check(ward: Ward) -> None:
    """0.6 °C too high, and an allowance of 0.5 °C: at once, nothing holds; grown evenly, only T3 is off by so much.

    From C1 to C2 pass 47 min. T1 came out after 13 (0.17 °C), T2 after 30 (0.39 °C), T3 after 47 (0.6 °C).
    """
    found_ms = checked(ward)
    ward.recording.later(DAY_MS)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=600)
    assert (look_back.from_ms, look_back.until_ms) == (MONDAY - 1, found_ms + 1)
    assert "read 0.6 °C too high: every soak since its last good check 2026-03-02 08:59" in look_back.text
    rows = look_back.concerned
    assert found(look_back) == ["T3", "T1", "T2"], "what flips either way stands first"
    assert {turn: (row.flips, row.flips_drifting) for turn, row in rows.items()} == {
        "T1": (True, False),
        "T2": (True, False),
        "T3": (True, True),
    }
    assert {row.allowance_mc for row in rows.values()} == {500}


def test_a_check_right_after_the_finding_is_not_taken_for_the_last_good_one(ward: Ward) -> None:
    """C3 found all well, for the correction was new: what came before C2 is still in question."""
    found_ms = checked(ward)
    ward.recording.later(MINUTE_MS)
    again = {"sensor": SENSOR, "basin": B1, "reference": "R-2", "reference_mc": 20_000, "u_mc": 500}
    ward.recording.do(RecordSensorCheck(indicated_mc=20_590, **again), SUPERVISOR)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=580)
    assert (look_back.from_ms, look_back.until_ms) == (MONDAY - 1, found_ms + 1)


@pytest.mark.parametrize("off_mc", [0, -600, 2_000])
def test_a_check_that_found_the_sensor_off_is_never_the_last_good_one(ward: Ward, off_mc: int) -> None:
    """By how much is not known, or was typed otherwise than C2 found it: C1 is still the last good one."""
    checked(ward)
    ward.recording.later(MINUTE_MS)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=off_mc)
    assert look_back.from_ms == MONDAY - 1
    assert sorted(found(look_back)) == ["T1", "T2", "T3"]
    assert "Check C2 found it off 2026-03-02 " in look_back.text
    assert look_back.until_ms > ward.now_ms


def test_an_error_found_again_weeks_after_a_check_leaves_out_no_soak_since(ward: Ward) -> None:
    """C0 found it off and put it right before any of the soaks; without another check it is found off once more."""
    old = SensorCheck(
        id="C0", sensor=SENSOR, basin=B1, at_ms=MONDAY - 60 * DAY_MS, by="sam", reference="R-1", correction_mc=0,
        u_mc=500, error_mc=600, u_before_mc=500,
    )  # fmt: skip
    ward.recording.put(old)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=600)
    assert sorted(found(look_back)) == ["T1", "T2", "T3"]
    assert "Check C0 found it off " in look_back.text


def test_a_beginning_after_the_finding_is_no_fault(ward: Ward) -> None:
    found_ms = checked(ward)
    ward.recording.later(DAY_MS)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=600, from_ms=found_ms + MINUTE_MS)
    assert found(look_back) == []


def test_an_old_finding_is_not_taken_for_a_new_one(ward: Ward) -> None:
    """It was off two months ago and put right; since then a check found all well: that one was the last good one."""
    good = SensorCheck(
        id="C1", sensor=SENSOR, basin=B1, at_ms=MONDAY - 1, by="sam", reference="R-1", correction_mc=0, u_mc=500
    )
    ward.recording.put(replace(good, id="C0", at_ms=MONDAY - 60 * DAY_MS, error_mc=600), replace(good, error_mc=10))
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=600)
    assert look_back.from_ms == MONDAY - 1
    assert sorted(found(look_back)) == ["T1", "T2", "T3"]


def test_an_error_equal_to_the_allowance_flips_nothing(ward: Ward) -> None:
    checked(ward, 20_500)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=500)
    assert not any(row.flips for row in look_back.concerned.values())


def test_a_sensor_that_read_too_low_takes_nothing_away(ward: Ward) -> None:
    checked(ward, 18_500)
    look_back = open_one(ward, "sensor-off", sensor=SENSOR, off_mc=-1_500)
    assert "read 1.5 °C too low" in look_back.text
    assert not any(row.flips for row in look_back.concerned.values())


def test_a_reference_that_was_wrong_concerns_what_its_checks_judged(ward: Ward) -> None:
    """R-1 was used for C1 only: from then up to C2, which was made with another."""
    found_ms = checked(ward, 20_300)
    ward.recording.later(MINUTE_MS)
    ward.tested(B1)
    ward.soaked("A2")
    look_back = open_one(ward, "reference-off", reference="r-1", off_mc=600)
    assert found(look_back) == ["T1", "T2", "T3"]
    assert all(row.flips for row in look_back.concerned.values())
    assert (look_back.from_ms, look_back.until_ms) == (MONDAY - 1, found_ms)
    assert ward.refused(ask("reference-off", reference="R-9", off_mc=600), SUPERVISOR)[1].startswith(
        "No sensor check was made with a reference 'R-9'"
    )


def test_a_fault_of_this_program_has_both_verdicts_with_their_dates(ward: Ward) -> None:
    number = version("soakledger")
    look_back = open_one(ward, "software-fault", software_from="0.0.1")
    assert found(look_back) == ["T1", "T2", "T3"]
    assert look_back.concerned["T1"].why == (
        f"Judged 'met' 2026-03-02 09:13 by soakledger {number}; by soakledger {number}, 2026-03-02 09:47, it is 'met'."
    )
    assert not any(row.flips for row in look_back.concerned.values())
    assert ward.refused(ask("software-fault", software_from="99"), SUPERVISOR) == (
        "look-back-asks",
        "No soak was judged by a version from 99 on.",
        f"Versions on record: soakledger {number}.",
    )


def test_soaks_too_many_to_judge_anew_are_said_to_be(ward: Ward, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(by_software, "_MOST_ANEW", 2)
    look_back = open_one(ward, "software-fault", software_from="0.0.1")
    assert "Its 3 soaks are too many to be judged anew here (at most 2 at once)" in look_back.text
    assert found(look_back) == ["T1", "T2", "T3"]


def test_closures_that_no_load_explains_are_counted(ward: Ward) -> None:
    """A lid that was on for two minutes over nobody knows what; one of ten seconds was only moved; one was empty."""
    ward.lid(B1, "closed", 120)
    ward.lid(B1, "open", 60)
    ward.lid(B1, "closed", 10)
    ward.lid(B1, "open", 60)
    assert open_one(ward, "lid-or-node", basin=B1).unexplained == 1
    assert open_one(ward, "lid-or-node", basin=B2).unexplained == 0
    first = next(each for each in unassigned(ward.recording.book(), B1, 0, ward.now_ms))
    ward.do(AnswerClosures(closures=(first.watched.key,), answer=Answer.EMPTY))
    assert open_one(ward, "lid-or-node", basin=B1).unexplained == 0


def test_causes_that_open_by_themselves_are_known_by_their_words() -> None:
    assert {each.code for each in CAUSES.values()} >= {"strip-controls-failed", "profile-corrected", "bottle-corrected"}
