"""Strip bottles and their controls; MEC tests with their windows; which test clears a load."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from record_kit import DAY_MS, SECOND_TECHNICIAN, SUPERVISOR, TECHNICIAN, Recording, at
from solutions_kit import OTHER_GTIN, STRIP, bottle, fill, mec_test, profile, strips

from collector.record.solutions.corrections import CorrectStripBottle
from collector.record.solutions.fills import DiscardFill, TopUpFill
from collector.record.solutions.mec import AbandonMecTest, BeginMecTest, ReadMecTest, mec_block, mec_test_for
from collector.record.solutions.pouring import FromBottle
from collector.record.solutions.strips import (
    EXAMPLE_CONTROLS,
    DiscardStripBottle,
    OpenStripBottle,
    ReceiveStripBottle,
    RecordControls,
    strips_to_use,
)
from collector.record.things import (
    ControlResult,
    Controls,
    Device,
    Fill,
    LookBack,
    MecPolicy,
    MecResult,
    MecTest,
    Person,
    Profile,
    Role,
    Stage,
    Strip,
    StripBottle,
    Turn,
)
from collector.record.things import Load as Loaded


def received(**more: Any) -> ReceiveStripBottle:
    fixed = {
        "profile": "opa",
        "lot": "T1",
        "expires": "2026-12-31",
        "open_days": 90,
        "strip": STRIP,
        "controls": EXAMPLE_CONTROLS,
    }
    return ReceiveStripBottle(**{**fixed, **more})


def begin(fill_id: str = "F1", strip_bottle: str = "S1") -> BeginMecTest:
    return BeginMecTest(fill=fill_id, strip_bottle=strip_bottle)


def ready(recording: Recording) -> None:
    """Fill F1 and strips S1."""
    profile(recording)
    fill(recording, bottle(recording))
    strips(recording)


# Strip bottles


def test_the_published_example_of_controls() -> None:
    """University of Toledo radiology policy 3364-135-028, B and C: three strips each; one part with one part water."""
    assert Controls(per_control=3, dilution="1:1") == EXAMPLE_CONTROLS


def test_open_life_counts_from_opening_and_never_past_expiry(recording: Recording) -> None:
    profile(recording)
    recording.do(received())
    recording.do(received(expires="2026-04-30"))
    assert recording.get(StripBottle, "S1").use_by_ms == at("2027-01-01 00:00") - 1
    recording.do(OpenStripBottle(strip_bottle="S1"))
    recording.do(OpenStripBottle(strip_bottle="S2"))
    assert recording.get(StripBottle, "S1").opened_ms == at("2026-03-02 09:00")
    assert recording.get(StripBottle, "S1").use_by_ms == at("2026-05-31 09:00")
    assert recording.get(StripBottle, "S2").use_by_ms == at("2026-05-01 00:00") - 1
    assert recording.refused(OpenStripBottle(strip_bottle="S1")) == (
        "strips-open",
        "Strip bottle S1 was opened at 2026-03-02 09:00.",
        "It may be used until 2026-05-31 09:00; nothing more is needed.",
    )


@pytest.mark.parametrize(
    ("said", "refusal"),
    [
        (
            {"expires": "2026-03-01"},
            (
                "strips-out-of-date",
                "Strips of lot T1 expired on 2026-03-01.",
                "Do not use them: set them aside, and take a bottle in date.",
            ),
        ),
        (
            {"strip": Strip(1_000, 120_000, 90_000)},
            (
                "strip-window",
                "Strips would have to be read by 1 min 30 s and not before 2 min.",
                "Copy the read window again from the instructions of the strips.",
            ),
        ),
        (
            {"profile": "blend"},
            (
                "mec-not-monitored",
                "No concentration is monitored for hydrogen peroxide 7.35 % with peracetic acid 0.23 %: its profile "
                "says so.",
                "Compare with the label; if it asks for tests, have the profile corrected.",
            ),
        ),
        (
            {"profile": "nothing"},
            (
                "unknown-profile",
                "There is no profile 'nothing'.",
                "Scan or type it again; if it is new, record the profile first.",
            ),
        ),
    ],
)
def test_strips_that_are_not_received(
    recording: Recording, said: dict[str, Any], refusal: tuple[str, str, str]
) -> None:
    profile(recording)
    profile(recording, "blend", OTHER_GTIN, "hydrogen-peroxide-7.35-peracetic-acid-0.23")
    assert recording.refused(received(**said)) == refusal


@pytest.mark.parametrize(("positives", "negatives"), [(2, 3), (3, 2), (0, 0)])
def test_controls_that_do_not_all_read_as_they_should_stand(
    recording: Recording, positives: int, negatives: int
) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    recording.do(received())
    recording.do(OpenStripBottle(strip_bottle="S1"))
    recording.do(RecordControls(strip_bottle="S1", positives_passed=positives, negatives_failed=negatives))
    assert recording.get(StripBottle, "S1").control_results == (
        ControlResult(TECHNICIAN, at("2026-03-02 09:00"), positives, negatives, passed=False),
    )
    recording.do(RecordControls(strip_bottle="S1", positives_passed=3, negatives_failed=3))
    assert recording.refused(begin()) == (
        "controls-failed",
        f"Control tests of strip bottle S1 failed at 2026-03-02 09:00: {positives} of 3 passed in full strength, "
        f"{negatives} of 3 failed in the dilution.",
        "Throw it away and open another; later controls do not undo these.",
    )
    assert recording.all(LookBack) == []  # nothing was tested with them


def test_controls_that_fail_later_question_what_passed_since_the_last_good_ones(recording: Recording) -> None:
    ready(recording)
    first = mec_test(recording, "F1", "S1")
    recording.later(DAY_MS)
    recording.do(RecordControls(strip_bottle="S1", positives_passed=3, negatives_failed=3))
    good_ms = recording.clock.now_ms
    recording.later(60_000)
    second = mec_test(recording, "F1", "S1")
    recording.do(RecordControls(strip_bottle="S1", positives_passed=3, negatives_failed=1))
    (look_back,) = recording.all(LookBack)
    assert (look_back.cause, look_back.fills) == ("strip-controls-failed", ("F1",))
    assert look_back.from_ms == recording.get(MecTest, second).dipped_ms > recording.get(MecTest, first).dipped_ms
    assert good_ms == at("2026-03-03 09:01:46")
    assert look_back.text == (
        "Control tests of strip bottle S1 (lot T1) failed: MEC tests that passed with its strips since "
        "2026-03-03 09:01 prove nothing."
    )


def test_controls_are_counted(recording: Recording) -> None:
    profile(recording)
    recording.do(received())
    controls = RecordControls(strip_bottle="S1", positives_passed=3, negatives_failed=3)
    assert recording.refused(controls) == (
        "strips-closed",
        "Strip bottle S1 has not been recorded as opened: its open life does not run yet.",
        "Record that it was opened, and write the date on it.",
    )
    recording.do(OpenStripBottle(strip_bottle="S1"))
    assert recording.refused(RecordControls(strip_bottle="S1", positives_passed=4, negatives_failed=3)) == (
        "controls",
        "Each control has 3 strips; 4 passing and 3 failing cannot be.",
        "Count the strips of each control again.",
    )
    recording.do(received(controls=Controls(per_control=0), reason="Instructions rev. 2, page 1: none."))
    recording.do(OpenStripBottle(strip_bottle="S2"))
    assert recording.refused(RecordControls(strip_bottle="S2", positives_passed=0, negatives_failed=0)) == (
        "controls",
        "The instructions of strip bottle S2 ask for no control tests, as it was received.",
        "Compare with its instructions; if they ask for some, receive the bottle again with their number.",
    )


def test_a_technician_who_receives_strips_without_controls_cites_their_instructions(recording: Recording) -> None:
    profile(recording)
    without = received(controls=Controls(per_control=0))
    for reason in ("", " "):
        assert recording.refused(msgspec.structs.replace(without, reason=reason)) == (
            "controls",
            "Without control tests nothing shows that these strips can fail.",
            "Type how many strips their instructions ask for; if they ask for none, write as the reason what they say "
            "and where, with their revision.",
        )
    recording.do(msgspec.structs.replace(without, reason=" Instructions rev. 2, page 1. "))
    assert recording.get(StripBottle, "S1").no_controls_why == "Instructions rev. 2, page 1."
    recording.do(without, SUPERVISOR)
    assert recording.get(StripBottle, "S2").no_controls_why == ""
    recording.do(received(reason="New lot."))
    assert recording.get(StripBottle, "S3").no_controls_why == ""


def test_strips_to_use_are_open_controlled_and_in_date(recording: Recording) -> None:
    profile(recording)
    strips(recording, open_days=90)  # S1
    strips(recording, open_days=30)  # S2
    recording.do(received())  # S3: closed
    strips(recording, open_days=20)  # S4: thrown away
    recording.do(DiscardStripBottle(strip_bottle="S4", reason="got wet"))
    strips(recording, per_control=0, open_days=10)  # S5
    assert [each.id for each in strips_to_use(recording.book(), "opa")] == ["S5", "S2", "S1"]
    recording.later(11 * DAY_MS)
    assert [each.id for each in strips_to_use(recording.book(), "opa")] == ["S2", "S1"]


def test_throwing_strips_away_needs_a_reason(recording: Recording) -> None:
    profile(recording)
    strips(recording)
    assert recording.refused(DiscardStripBottle(strip_bottle="S1")) == (
        "reason",
        "Throwing strip bottle S1 away needs a reason.",
        "Say in a few words why.",
    )
    recording.do(DiscardStripBottle(strip_bottle="S1", reason="used up"), SUPERVISOR)
    assert recording.refused(DiscardStripBottle(strip_bottle="S1", reason="used up"), SUPERVISOR) == (
        "strips-gone",
        "Strip bottle S1 (lot T1) is recorded as thrown away.",
        "Scan the bottle that you have in hand.",
    )


# MEC tests


def test_a_strip_is_dipped_and_its_window_follows_from_its_own_instructions(recording: Recording) -> None:
    """One second in the solution, then 90 to 120 s from taking it out."""
    ready(recording)
    recording.do(begin())
    assert recording.get(MecTest, "M1") == MecTest(
        id="M1",
        fill="F1",
        strip_bottle="S1",
        by=TECHNICIAN,
        dipped_ms=at("2026-03-02 09:00"),
        read_from_ms=at("2026-03-02 09:01:31"),
        read_until_ms=at("2026-03-02 09:02:01"),
    )


def strips_of_another_solution(recording: Recording) -> None:
    profile(recording, "peroxide", OTHER_GTIN, "hydrogen-peroxide-7.5")
    recording.put(msgspec.structs.replace(recording.get(StripBottle, "S1"), profile="peroxide"))


def strips_closed(recording: Recording) -> None:
    recording.put(msgspec.structs.replace(recording.get(StripBottle, "S1"), opened_ms=None))


def strips_without_controls(recording: Recording) -> None:
    recording.put(msgspec.structs.replace(recording.get(StripBottle, "S1"), control_results=()))


def strips_out_of_date(recording: Recording) -> None:
    recording.clock.now_ms = at("2026-05-31 09:00") + 1


def fill_discarded(recording: Recording) -> None:
    recording.do(DiscardFill(fill="F1", reason="cloudy"))


@pytest.mark.parametrize(
    ("before", "refusal"),
    [
        (
            strips_of_another_solution,
            (
                "strip-for-solution",
                "Strip bottle S1 is meant for hydrogen peroxide 7.5 % (peroxide); fill F1 is ortho-phthalaldehyde "
                "0.55 % (opa).",
                "Take strips that are meant for what is in the basin.",
            ),
        ),
        (
            strips_closed,
            (
                "strips-closed",
                "Strip bottle S1 has not been recorded as opened: its open life does not run yet.",
                "Record that it was opened, and write the date on it.",
            ),
        ),
        (
            strips_without_controls,
            (
                "controls-missing",
                "No control tests of strip bottle S1 are recorded.",
                "Dip 3 in full-strength solution in date and 3 in the dilution (dilution 1:1), and record how they "
                "read.",
            ),
        ),
        (
            strips_out_of_date,
            (
                "strips-out-of-date",
                "Strip bottle S1 (lot T1) was to be used by 2026-05-31 09:00 (open life of 90 days from opening, "
                "counted to the minute).",
                "Throw it away and open one in date.",
            ),
        ),
        (
            fill_discarded,
            (
                "fill-discarded",
                "Fill F1 was discarded at 2026-03-02 09:00.",
                "Test what is in the basin now.",
            ),
        ),
    ],
)
def test_a_test_that_must_not_be(recording: Recording, before: Any, refusal: tuple[str, str, str]) -> None:
    ready(recording)
    before(recording)
    assert recording.refused(begin()) == refusal


def test_strips_are_used_to_their_last_moment(recording: Recording) -> None:
    ready(recording)
    recording.clock.now_ms = at("2026-05-31 09:00")
    recording.do(begin())


def read(result: Any = "pass", test: str = "M1") -> ReadMecTest:
    return ReadMecTest(test=test, result=result)


def test_a_strip_is_read_within_its_window_and_at_its_edges(recording: Recording) -> None:
    ready(recording)
    recording.do(begin())
    recording.later(91_000 - 1)
    assert recording.refused(read()) == (
        "read-too-early",
        "The strip of MEC test M1 must not be read yet: its colour is not finished.",
        "Wait 1 ms, and read it by 09:02:01.",
    )
    recording.later(1)
    recording.do(read())
    recording.do(begin())
    recording.later(121_000)
    recording.do(read(test="M2"))
    got = recording.get(MecTest, "M2")
    assert (got.result, got.read_ms, got.read_by) == (MecResult.PASS, got.read_until_ms, TECHNICIAN)
    assert got.screened


def test_a_strip_read_too_late_says_nothing_not_even_a_fail(recording: Recording) -> None:
    ready(recording)
    recording.do(begin())
    recording.later(121_001)
    for result in ("pass", "fail", "doubtful"):
        assert recording.refused(read(result)) == (
            "read-too-late",
            "The strip of MEC test M1 was to be read by 09:02:01, 1 ms ago: its colour says nothing any more.",
            "Throw the strip away and dip a new one.",
        )
    assert recording.get(MecTest, "M1").result is None
    recording.do(begin())  # a new strip closes the old one as not read
    assert recording.get(MecTest, "M1").result is MecResult.NOT_READ
    assert recording.refused(read()) == (
        "mec-read",
        "MEC test M1 was recorded by Tina Test at 2026-03-02 09:02: not read. A reading stands.",
        "To test again, dip a new strip.",
    )


def test_a_strip_can_be_given_up(recording: Recording) -> None:
    ready(recording)
    recording.do(begin())
    assert recording.refused(AbandonMecTest(test="M1")) == (
        "reason",
        "Giving up MEC test M1 while it can still be read needs a reason.",
        "Say in a few words why.",
    )
    recording.do(AbandonMecTest(test="M1", reason="fell to the floor"))
    recording.do(begin())
    recording.later(200_000)
    recording.do(AbandonMecTest(test="M2"))
    assert [test.result for test in recording.all(MecTest)] == [MecResult.NOT_READ, MecResult.NOT_READ]
    assert recording.get(Fill, "F1").failed_ms is None


def test_two_people_test_one_fill(recording: Recording) -> None:
    ready(recording)
    other = recording.another_desk()
    recording.do(begin())
    assert recording.refused(begin(), SECOND_TECHNICIAN, desk=other) == (
        "mec-waiting",
        "Tina Test dipped a strip in fill F1 at 09:00:00: MEC test M1 waits to be read.",
        "Read that one by 09:02:01.",
    )


def test_two_people_read_one_strip(recording: Recording) -> None:
    ready(recording)
    other = recording.another_desk()
    recording.do(begin())
    recording.later(100_000)
    recording.do(read("fail"), SECOND_TECHNICIAN, desk=other)
    assert recording.refused(read("pass")) == (
        "mec-read",
        "MEC test M1 was recorded by Tom Test at 2026-03-02 09:01: fail. A reading stands.",
        "To test again, dip a new strip.",
    )


def test_who_is_not_screened_is_noted(recording: Recording) -> None:
    ready(recording)
    assert not recording.get(MecTest, mec_test(recording, "F1", "S1", who=SECOND_TECHNICIAN)).screened


def test_who_cannot_tell_colours_reads_no_pass(recording: Recording) -> None:
    ready(recording)
    recording.put(Person(id="rex", name="Rex Test", roles=(Role.TECHNICIAN,), colour_vision_passed=False))
    recording.do(begin(), "rex")
    recording.later(100_000)
    assert recording.refused(read(), "rex") == (
        "colour-vision",
        "Rex Test's colour vision screening is on file as not passed: strips are read by colour.",
        "Ask somebody else to read it by 09:02:01, or to dip a new strip.",
    )
    recording.do(read("doubtful"), "rex")  # what asks more care is never refused
    assert recording.get(Fill, "F1").failed_ms == at("2026-03-02 09:00")


def with_devices(recording: Recording, *spans: tuple[int, int]) -> None:
    """Device d1 … in a load of its own for each span of time in fill F1."""
    for number, (in_ms, out_ms) in enumerate(spans, 1):
        turn = Turn(
            id=f"T{number}",
            device=f"d{number}",
            began_ms=in_ms,
            stage=Stage.SOAKED,
            load=f"L{number}",
            basin="n1/b1",
            fill="F1",
            in_ms=in_ms,
            out_ms=out_ms,
        )
        load = Loaded(
            id=f"L{number}",
            basin="n1/b1",
            fill="F1",
            began_ms=in_ms,
            by=TECHNICIAN,
            turns=(turn.id,),
            ended_ms=out_ms,
        )
        recording.put(Device(id=f"d{number}", type="scope", turn=turn.id), turn, load)


@pytest.mark.parametrize(("result", "words"), [("fail", "failed"), ("doubtful", "is doubtful, which counts as a fail")])
def test_a_fail_takes_the_fill_out_of_use_and_looks_back_to_its_pour(
    recording: Recording, result: str, words: str
) -> None:
    ready(recording)
    dipped_ms = recording.later(7_200_000)
    with_devices(recording, (at("2026-03-02 09:30"), at("2026-03-02 09:50")))
    mec_test(recording, "F1", "S1", result)
    assert recording.get(Fill, "F1").failed_ms == dipped_ms
    (look_back,) = recording.all(LookBack)
    assert (look_back.cause, look_back.fills, look_back.turns) == ("mec-fail", ("F1",), ("T1",))
    assert look_back.from_ms == at("2026-03-02 09:00")
    assert look_back.text == (
        f"MEC test M1 of fill F1 {words}: everything soaked in it since its pour at 2026-03-02 09:00 is in question."
    )
    assert recording.get(Device, "d1").lookbacks == (look_back.id,)


def test_a_fail_looks_back_to_the_last_passing_test(recording: Recording) -> None:
    """A failed check calls into question every load since the last passing check, because concentration falls
    gradually (public role description citing SGNA, published at second hand)."""
    ready(recording)
    mec_test(recording, "F1", "S1")
    recording.clock.now_ms = at("2026-03-02 10:00")
    mec_test(recording, "F1", "S1")
    with_devices(
        recording,
        (at("2026-03-02 09:30"), at("2026-03-02 09:50")),
        (at("2026-03-02 10:10"), at("2026-03-02 10:30")),
    )
    recording.clock.now_ms = at("2026-03-02 11:00")
    mec_test(recording, "F1", "S1", "fail")
    (look_back,) = recording.all(LookBack)
    assert look_back.text == (
        "MEC test M3 of fill F1 failed: everything soaked in it since its last passing test M2 at 2026-03-02 10:00 "
        "is in question."
    )
    assert (look_back.from_ms, look_back.turns) == (at("2026-03-02 10:00"), ("T2",))


def test_a_repeat_never_erases_a_fail(recording: Recording) -> None:
    ready(recording)
    mec_test(recording, "F1", "S1", "fail")
    failed_ms = recording.get(Fill, "F1").failed_ms
    mec_test(recording, "F1", "S1", "pass")
    mec_test(recording, "F1", "S1", "fail")
    after = recording.get(Fill, "F1")
    assert after.failed_ms == failed_ms == at("2026-03-02 09:00")
    assert [test.result for test in recording.all(MecTest)] == [MecResult.FAIL, MecResult.PASS, MecResult.FAIL]
    assert len(recording.all(LookBack)) == 1
    assert mec_test_for(recording.book(), after, recording.get(Profile, "opa"), recording.clock.now_ms) is None


# Which test clears a load


def clears(recording: Recording, at_ms: int | None = None) -> str | None:
    found = mec_test_for(
        recording.book(),
        recording.get(Fill, "F1"),
        recording.get(Profile, "opa"),
        recording.clock.now_ms if at_ms is None else at_ms,
    )
    return found.id if found else None


def block(recording: Recording) -> tuple[str, str, str] | None:
    found = mec_block(
        recording.book(), recording.get(Fill, "F1"), recording.get(Profile, "opa"), recording.clock.now_ms
    )
    return None if found is None else (found.rule, found.text, found.next_step)


NOW = "Test the solution with a strip."


def test_a_pass_clears_from_its_reading_on(recording: Recording) -> None:
    ready(recording)
    assert clears(recording) is None
    mec_test(recording, "F1", "S1")
    read_ms = recording.clock.now_ms
    assert clears(recording, read_ms) == "M1"
    assert clears(recording, read_ms - 1) is None
    assert block(recording) is None


def test_the_newest_unused_pass_clears(recording: Recording) -> None:
    ready(recording)
    mec_test(recording, "F1", "S1")
    mec_test(recording, "F1", "S1")
    assert clears(recording) == "M2"
    recording.put(msgspec.structs.replace(recording.get(MecTest, "M2"), used_for="L1"))
    assert clears(recording) == "M1"
    recording.put(msgspec.structs.replace(recording.get(MecTest, "M1"), used_for="L2"))
    assert clears(recording) is None
    assert block(recording) == (
        "mec-tested",
        "MEC test M2 of fill F1, the last one, cleared load L1; each use needs its own.",
        NOW,
    )


@pytest.mark.parametrize(
    ("label_allows", "site_says", "cleared"),
    [
        (True, MecPolicy.DAILY, True),
        (True, MecPolicy.EACH_USE, False),
        (False, MecPolicy.DAILY, False),
        (False, MecPolicy.EACH_USE, False),
    ],
)
def test_once_a_day_is_enough_only_where_label_and_policy_say_so(
    recording: Recording, label_allows: bool, site_says: MecPolicy, cleared: bool
) -> None:
    profile(recording, mec_daily_allowed=label_allows)
    recording.set_policy(mec=site_says)
    fill(recording, bottle(recording))
    strips(recording)
    mec_test(recording, "F1", "S1")
    recording.put(msgspec.structs.replace(recording.get(MecTest, "M1"), used_for="L1"))
    assert (clears(recording, at("2026-03-03 00:00") - 1) == "M1") is cleared
    assert clears(recording, at("2026-03-03 00:00")) is None  # the next day


@pytest.mark.parametrize("daily", [True, False])
def test_no_test_holds_for_another_day(recording: Recording, daily: bool) -> None:
    profile(recording, mec_daily_allowed=daily)
    recording.set_policy(mec=MecPolicy.DAILY if daily else MecPolicy.EACH_USE)
    fill(recording, bottle(recording))
    strips(recording)
    mec_test(recording, "F1", "S1")
    recording.clock.now_ms = at("2026-03-03 00:00")
    assert clears(recording) is None
    assert block(recording) == (
        "mec-tested",
        "MEC test M1 of fill F1 was made on 2026-03-02: it holds for that day.",
        NOW,
    )


def test_topping_up_asks_for_a_test_also_where_daily_is_enough(recording: Recording) -> None:
    profile(recording, mec_daily_allowed=True)
    recording.set_policy(mec=MecPolicy.DAILY)
    fill(recording, bottle(recording))
    strips(recording)
    mec_test(recording, "F1", "S1")
    bottle(recording)
    recording.do(TopUpFill(fill="F1", bottles=(FromBottle("B2"),)))
    assert clears(recording) is None
    assert block(recording) == (
        "mec-tested",
        "Fill F1 was topped up at 09:01; no MEC test since.",
        NOW,
    )
    mec_test(recording, "F1", "S1")
    assert clears(recording) == "M2"


def test_a_new_fill_is_tested_before_its_first_use(recording: Recording) -> None:
    ready(recording)
    assert block(recording) == ("mec-tested", "Fill F1 has not been MEC tested since it was poured.", NOW)
    recording.do(begin())
    assert block(recording) == (
        "mec-tested",
        "MEC test M1 of fill F1 waits to be read.",
        "Read it from 09:01:31 to 09:02:01 against its bottle's own chart.",
    )
    recording.later(121_001)
    assert block(recording) == (
        "mec-tested",
        "MEC test M1 of fill F1 was not read within its window: it says nothing.",
        NOW,
    )


def test_a_fail_after_a_pass_clears_nothing_from_then_on(recording: Recording) -> None:
    ready(recording)
    mec_test(recording, "F1", "S1")
    passed_ms = recording.clock.now_ms
    recording.later(1_000)
    mec_test(recording, "F1", "S1", "doubtful")
    assert clears(recording) is None
    assert clears(recording, passed_ms) == "M1"  # what started before is for the look-back to judge
    assert block(recording) == ("mec-tested", "MEC test M2 of fill F1 failed.", NOW)


def test_nothing_is_asked_for_where_none_is_monitored(recording: Recording) -> None:
    """CDC Table 4 prints no MEC monitoring for hydrogen peroxide 7.35 % with peracetic acid 0.23 %."""
    profile(recording, chemistry="hydrogen-peroxide-7.35-peracetic-acid-0.23")
    fill(recording, bottle(recording))
    assert block(recording) is None


VOID = (
    "mec-tested",
    "MEC test M1 of fill F1 proves nothing: its strips were past their use-by, or their controls failed later.",
    NOW,
)


def test_a_pass_whose_strips_fail_their_controls_later_clears_nothing(recording: Recording) -> None:
    ready(recording)
    mec_test(recording, "F1", "S1")
    recording.later(60_000)
    recording.do(RecordControls(strip_bottle="S1", positives_passed=3, negatives_failed=2))
    assert clears(recording) is None
    assert block(recording) == VOID


def test_good_controls_in_between_keep_an_earlier_pass(recording: Recording) -> None:
    ready(recording)
    mec_test(recording, "F1", "S1")
    for negatives in (3, 2):
        recording.later(60_000)
        recording.do(RecordControls(strip_bottle="S1", positives_passed=3, negatives_failed=negatives))
    assert clears(recording) == "M1"


def test_a_pass_with_strips_that_were_out_of_date_as_corrected_clears_nothing(recording: Recording) -> None:
    ready(recording)
    mec_test(recording, "F1", "S1")
    recording.do(CorrectStripBottle(strip_bottle="S1", expires="2026-03-01", reason="misread"), SUPERVISOR)
    assert clears(recording) is None
    assert block(recording) == VOID


def test_strips_that_were_opened_before_anybody_recorded_it(recording: Recording) -> None:
    """Their open life counts from when they were opened, not from when somebody said so."""
    profile(recording)
    recording.do(received())
    opened_ms = at("2026-02-20 08:00")
    assert recording.refused(OpenStripBottle(strip_bottle="S1", opened_ms=opened_ms)) == (
        "reason",
        "Opening strip bottle S1 recorded late needs a reason.",
        "Say in a few words why.",
    )
    long_ago = OpenStripBottle(strip_bottle="S1", opened_ms=at("2025-11-01 08:00"), reason="Found open.")
    assert recording.refused(long_ago)[0] == "strips-out-of-date"
    recording.do(OpenStripBottle(strip_bottle="S1", opened_ms=opened_ms, reason="Found open."))
    assert recording.get(StripBottle, "S1").use_by_ms == at("2026-05-21 08:00")


# A dip that is recorded after it was timed beside the basin


def timed(recording: Recording, seconds_ago: int, reason: str = "Timed at the basin.") -> BeginMecTest:
    return BeginMecTest(
        fill="F1", strip_bottle="S1", dipped_ms=recording.clock.now_ms - seconds_ago * 1000, reason=reason
    )


def test_a_dip_told_later_counts_from_the_dip(recording: Recording) -> None:
    """Otherwise the strip would be read too late and pass for read in time."""
    ready(recording)
    recording.later(40_000)
    test = recording.get(MecTest, recording.do(timed(recording, 30)).id)
    out_ms = recording.clock.now_ms - 30_000 + STRIP.dip_ms
    assert (test.dipped_ms, test.read_from_ms, test.read_until_ms) == (
        recording.clock.now_ms - 30_000,
        out_ms + STRIP.read_from_ms,
        out_ms + STRIP.read_until_ms,
    )


def test_a_dip_told_later_has_its_limits(recording: Recording) -> None:
    ready(recording)
    assert recording.refused(timed(recording, 30))[0] == "dipped-before-pour"
    recording.later(600_000)
    assert recording.refused(timed(recording, 300))[0] == "read-too-late"
    assert recording.refused(timed(recording, -60))[0] == "time"
    assert recording.refused(timed(recording, 10, reason=""))[0] == "reason"
    assert recording.all(MecTest) == []
