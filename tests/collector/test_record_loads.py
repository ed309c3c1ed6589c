"""Loads: started before or during a closure, added to, taken out; each device with a verdict of its own."""

from __future__ import annotations

from msgspec.structs import replace
from record_kit import MINUTE_MS, MONDAY, SECOND_MS, SECOND_TECHNICIAN, SUPERVISOR
from ward_kit import B1, B2, CONTACT_MS, PROFILE, SCOPE, STEPS, Ward, fill

from collector.record.book import Book
from collector.record.rounds.loads import AddDevice, AnnounceOpening, StartLoad, TakeOut
from collector.record.rounds.release import release_facts
from collector.record.rounds.soaks import soak_of
from collector.record.rounds.turn_findings import turn_findings
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.things import Device, Discarded, Fill, LastDay, Load, MecPolicy, MecTest, Override, Stage, Step
from soak.closure import Verdict


def missing(ward: Ward, device: str) -> list[str]:
    """Rules of what is missing before its release."""
    return [each.rule for each in release_facts(ward.recording.book(), ward.turn(device))[1]]


def verdict(ward: Ward, device: str) -> Verdict | None:
    return soak_of(ward.recording.book(), ward.turn(device)).verdict


AFTER_SOAK = ["rinses", "dried"]


def test_a_load_is_started_soaked_and_taken_out(ward: Ward) -> None:
    ward.prepared("A1", "A2")
    ward.do(StartLoad(basin=B1, devices=("A1", "A2")))
    assert ward.load() == Load(
        id="L1", basin=B1, fill="F1", began_ms=MONDAY, by="tina", turns=("T1", "T2"), mec_test="M1"
    )
    assert ward.recording.get(MecTest, "M1").used_for == "L1"
    assert ward.recording.get(Fill, "F1").loads == 1
    assert verdict(ward, "A1") is None
    ward.lid(B1, "closed", 720)
    assert verdict(ward, "A1") is Verdict.RUNNING
    ward.lid(B1, "closed", 10)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1, devices=("A1",)))
    assert ward.load().open()
    ward.do(TakeOut(basin=B1), SECOND_TECHNICIAN)
    out_ms = MONDAY + 740 * SECOND_MS
    assert ward.load().ended_ms == out_ms
    turn = ward.turn("A2")
    assert (turn.stage, turn.in_ms, turn.in_by, turn.out_ms, turn.out_by) == (
        Stage.SOAKED,
        MONDAY,
        "tina",
        out_ms,
        "tom",
    )
    assert (turn.closure, verdict(ward, "A2")) == (f"{1:032x}:15", Verdict.MET)
    assert missing(ward, "A1") == AFTER_SOAK


def test_an_early_opening_is_not_met(ward: Ward) -> None:
    ward.soaked("A1", minutes=11)
    assert verdict(ward, "A1") is Verdict.NOT_MET
    assert ward.turn("A1").closure == ""
    assert missing(ward, "A1") == ["soak", *AFTER_SOAK]


def test_said_during_the_closure_it_counts_from_the_closing(ward: Ward) -> None:
    ward.prepared("A1")
    ward.lid(B1, "closed", 60)
    ward.do(StartLoad(basin=B1, devices=("A1",), already_in=True))
    assert ward.turn("A1").in_ms == MONDAY
    ward.lid(B1, "closed", 700)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert missing(ward, "A1") == AFTER_SOAK


def test_a_lid_that_stood_closed_counts_for_nothing_that_is_about_to_go_in(ward: Ward) -> None:
    """The basin stood with its lid on for longer than the contact time before the device went in."""
    ward.prepared("A1")
    ward.lid(B1, "closed", 900)
    ward.do(StartLoad(basin=B1, devices=("A1",)))
    assert verdict(ward, "A1") is None
    ward.lid(B1, "closed", 10)
    ward.lid(B1, "open", 10)
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert verdict(ward, "A1") is Verdict.NOT_MET


def test_what_is_about_to_go_in_may_be_prepared_under_a_closed_lid(ward: Ward) -> None:
    """The lid that is closed now is opened first; only the next closing counts."""
    ward.lid(B1, "closed", 60)
    ward.prepared("A1")
    ward.do(StartLoad(basin=B1, devices=("A1",)))
    assert ward.turn("A1").in_ms == MONDAY + MINUTE_MS


def test_a_soak_is_what_it_was_at_the_moment_that_is_asked_for(ward: Ward) -> None:
    ward.soaking("A1")
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 10)
    then = Book.looking(ward.recording.desk.connection, MONDAY + 10 * MINUTE_MS)
    assert (soak_of(then, ward.turn("A1")).verdict, verdict(ward, "A1")) == (Verdict.RUNNING, Verdict.MET)


def test_of_two_closures_that_met_the_better_one_counts(ward: Ward) -> None:
    """The first was closed before a step was on record; the device stayed in for a second one."""
    ward.do(BeginTurn(device="A1"))
    ward.do(StartLoad(basin=B1, devices=("A1",), override=True, reason="No time."), SUPERVISOR)
    ward.recording.later(SECOND_MS)
    ward.lid(B1, "closed", 780)
    ward.do(AttestSteps(device="A1", steps=STEPS, done_ms=MONDAY))
    ward.lid(B1, "open", 10)
    assert missing(ward, "A1") == ["steps", "steps", *AFTER_SOAK]
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert missing(ward, "A1") == AFTER_SOAK


def test_solution_added_after_the_soak_changes_nothing_for_it(ward: Ward) -> None:
    ward.soaked("A1")
    before = ward.recording.get(Fill, "F1")
    added = replace(before.poured[0], at_ms=ward.now_ms)
    ward.recording.put(replace(before, poured=(*before.poured, added), tested_after_ms=ward.now_ms))
    assert missing(ward, "A1") == AFTER_SOAK


def test_a_test_that_cleared_another_load_clears_not_this_one(ward: Ward) -> None:
    ward.soaked("A1")
    ward.recording.put(replace(ward.recording.get(MecTest, "M1"), used_for="L9"))
    assert missing(ward, "A1") == ["mec-test", *AFTER_SOAK]


def test_a_device_cannot_have_been_in_two_solutions(ward: Ward) -> None:
    """Basin 2 was closed while it soaked in basin 1."""
    ward.soaked("A1")
    out_ms = ward.now_ms
    ward.recording.clock.now_ms = out_ms - MINUTE_MS
    ward.lid(B2, "closed", 120)
    ward.prepared("A1")
    assert ward.refused(StartLoad(basin=B2, devices=("A1",), already_in=True)) == (
        "device-elsewhere",
        "A1 was in another solution until 2026-03-02 09:13: it cannot have been in this one since 2026-03-02 09:12.",
        "Scan the right device.",
    )


def test_already_in_with_the_lid_just_closed(ward: Ward) -> None:
    """The readings of a lid that was closed a moment ago have not come yet."""
    ward.prepared("A1")
    ward.recording.later(3 * SECOND_MS)
    ward.do(StartLoad(basin=B1, devices=("A1",), already_in=True))
    ward.recording.clock.now_ms = MONDAY
    ward.lid(B1, "closed", 730)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert verdict(ward, "A1") is Verdict.MET


def test_a_closure_in_which_steps_were_recorded_proves_nothing(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    ward.lid(B1, "closed", 60)
    ward.do(AttestSteps(device="A1", steps=STEPS, done_ms=MONDAY))
    start = StartLoad(basin=B1, devices=("A1",), already_in=True)
    assert ward.refused(start) == (
        "closed-too-early",
        "The lid of Basin 1 was closed 1 min before steps and MEC test were on record: "
        "nothing can be released from this closure.",
        "Open the lid, see that all lies in, close it again, then start. Or a supervisor lets it start, with a reason.",
    )
    ward.do(replace(start, override=True, reason="No time."), SUPERVISOR)
    ward.lid(B1, "closed", 720)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert verdict(ward, "A1") is Verdict.MET
    assert missing(ward, "A1") == ["steps", "steps", *AFTER_SOAK]


def test_steps_must_be_on_record(ward: Ward) -> None:
    ward.do(BeginTurn(device="A1"))
    ward.do(AttestSteps(device="A1", steps=(Step.LEAK_TEST,)))
    assert ward.refused(StartLoad(basin=B1, devices=("A1",))) == (
        "steps",
        "A1: the step 'clean' is not on record.",
        "Whoever did it attests it before the lid is closed. Or a supervisor lets it start, with a reason.",
    )


def test_the_same_basin_takes_one_load(ward: Ward) -> None:
    ward.soaking("A1")
    ward.prepared("A2")
    assert ward.refused(StartLoad(basin=B1, devices=("A2",)), SECOND_TECHNICIAN) == (
        "basin-busy",
        "Basin 1 holds load L1 since 2026-03-02 09:00, started by Tina Test.",
        "Add the devices to that load, or take it out first.",
    )


def test_one_device_into_two_basins_at_once(ward: Ward) -> None:
    """Two people, two desks: one wins, the other is told who and when; nothing is half-written."""
    ward.prepared("A1", "A2")
    other = ward.recording.another_desk()
    ward.do(StartLoad(basin=B1, devices=("A1",)))
    both = StartLoad(basin=B2, devices=("A2", "A1"))
    assert ward.recording.refused(both, SECOND_TECHNICIAN, desk=other) == (
        "device-in-basin",
        "A1 is in Basin 1 since 2026-03-02 09:00 (load L1), put in by Tina Test.",
        "Take it out there first, or scan the right device.",
    )
    assert ward.turn("A2").stage is Stage.PREPARING


def test_what_cannot_go_in(ward: Ward) -> None:
    ward.prepared("A1")
    assert ward.refused(StartLoad(basin=B1, devices=("A1", "A1"))) == (
        "scanned-twice",
        "A1 was scanned twice.",
        "Scan each device once.",
    )
    assert ward.refused(StartLoad(basin=B1, devices=("A1", "A2"))) == (
        "stage",
        "A2 has no round: nobody has begun to reprocess it.",
        "Begin a round with A2.",
    )
    assert ward.refused(StartLoad(basin="n1/b9", devices=("A1",))) == (
        "unknown-basin",
        "There is no basin 'n1/b9'.",
        "Choose a basin of the list, or name it in the collector's settings.",
    )


def test_no_override_puts_a_device_into_a_solution_that_excludes_it(ward: Ward) -> None:
    ward.recording.put(
        replace(SCOPE, id="cystoscope", name="cystoscope", kind="urological"),
        replace(SCOPE, id="bronchoscope", name="bronchoscope", profiles=("paa", "glutaral")),
        Device(id="C1", type="cystoscope"),
        Device(id="D1", type="bronchoscope"),
    )
    ward.prepared("C1", "D1")
    start = StartLoad(basin=B1, devices=("C1",), override=True, reason="It is urgent.")
    assert ward.refused(start, SUPERVISOR) == (
        "device-excluded",
        "C1 is a urological device; the label of ortho-phthalaldehyde excludes those: "
        "residue can harm the next patient.",
        "Use another solution that a cystoscope permits.",
    )
    assert ward.refused(replace(start, devices=("D1",)), SUPERVISOR) == (
        "profile-not-permitted",
        "D1: its maker does not permit ortho-phthalaldehyde for a bronchoscope.",
        "Use a solution that it permits: paa, glutaral.",
    )


def test_a_basin_that_is_not_ready(ward: Ward) -> None:
    """The blocking thing is said; a supervisor starts it with PIN and reason, and it stays not releasable."""
    ward.prepared("A1")
    ward.recording.put(replace(ward.recording.get(MecTest, "M1"), used_for="L0"))
    start = StartLoad(basin=B1, devices=("A1",))
    rule, text, next_step = ward.refused(start)
    assert rule == "mec-tested"
    assert next_step.endswith(" Or a supervisor lets it start, with a reason.")
    assert ward.refused(replace(start, override=True, reason="Emergency.")) == (
        "override-role",
        f"Tina Test is no supervisor. What stands against it: {text}",
        next_step,
    )
    over = replace(start, override=True)
    assert ward.refused(over, SUPERVISOR, second_factor=False) == (
        "second-factor",
        "This takes a PIN or password besides the badge.",
        "Enter your PIN.",
    )
    assert ward.refused(over, SUPERVISOR) == (
        "reason",
        "A load that starts although something stands against it needs a reason.",
        "Say in a sentence why it cannot wait. What soaks in it can still not be released.",
    )
    ward.do(replace(over, reason="Emergency."), SUPERVISOR)
    assert ward.load().override == Override("sam", MONDAY, "Emergency.", (text,))
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert missing(ward, "A1") == ["mec-test", *AFTER_SOAK]
    (finding,) = turn_findings(ward.recording.book(), ward.turn("A1"))
    assert (finding.code, finding.text) == ("load-overridden", f"Its load started although: {text}")


def test_an_override_of_nothing_is_none(ward: Ward) -> None:
    ward.prepared("A1")
    ward.do(StartLoad(basin=B1, devices=("A1",), override=True, reason="To be sure."), SUPERVISOR)
    assert ward.load().override is None


def test_no_load_without_a_fill(ward: Ward) -> None:
    ward.prepared("A1")
    ward.recording.put(replace(fill(1, B1), discarded=Discarded("tina", MONDAY, "used up", 3_000)))
    start = StartLoad(basin=B1, devices=("A1",), override=True, reason="Emergency.")
    assert ward.refused(start, SUPERVISOR) == (
        "fill-in-basin",
        "No fill is recorded in Basin 1.",
        "Pour solution into it and record it.",
    )


def test_each_load_takes_a_test_of_its_own(ward: Ward) -> None:
    ward.soaked("A1")
    ward.prepared("A2")
    assert ward.refused(StartLoad(basin=B1, devices=("A2",)))[0] == "mec-tested"
    ward.tested(B1)
    ward.do(StartLoad(basin=B1, devices=("A2",)))
    assert ward.load("L2").mec_test == "M3"


def test_the_days_test_is_enough_where_label_and_site_say_so(ward: Ward) -> None:
    ward.recording.put(replace(PROFILE, mec_daily_allowed=True))
    ward.recording.set_policy(mec=MecPolicy.DAILY, last_day=LastDay.TO_THE_MINUTE)
    for device in ("A1", "A2"):
        ward.soaked(device)
        assert missing(ward, device) == AFTER_SOAK
    assert (ward.load("L1").mec_test, ward.load("L2").mec_test) == ("M1", "M1")
    assert ward.recording.get(MecTest, "M1").used_for == ""


def test_a_device_added_in_mid_soak_starts_the_time_again(ward: Ward) -> None:
    """The first needs the second closure too, for the first was opened early; one closure meets for both."""
    ward.soaking("A1")
    ward.lid(B1, "closed", 300)
    ward.prepared("A2")
    ward.do(AnnounceOpening(basin=B1))
    assert ward.load().openings_ms == (ward.now_ms,)
    ward.lid(B1, "open", 10)
    ward.do(AddDevice(basin=B1, devices=("A2",)))
    ward.recording.later(SECOND_MS)
    assert verdict(ward, "A1") is Verdict.NOT_MET
    ward.lid(B1, "closed", 60)
    assert (verdict(ward, "A1"), verdict(ward, "A2")) == (Verdict.RUNNING, Verdict.RUNNING)
    ward.lid(B1, "closed", 680)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert (missing(ward, "A1"), missing(ward, "A2")) == (AFTER_SOAK, AFTER_SOAK)
    assert ward.load().turns == ("T1", "T2")


def test_each_device_has_its_own_verdict(ward: Ward) -> None:
    """A1 is met before A2 is added; A2 is taken out too early."""
    ward.soaking("A1")
    ward.lid(B1, "closed", 780)
    ward.prepared("A2")
    ward.lid(B1, "open", 10)
    ward.do(AddDevice(basin=B1, devices=("A2",)))
    ward.lid(B1, "closed", 60)
    assert (verdict(ward, "A1"), verdict(ward, "A2")) == (Verdict.MET, Verdict.RUNNING)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert (verdict(ward, "A1"), verdict(ward, "A2")) == (Verdict.MET, Verdict.NOT_MET)


def test_a_device_taken_out_before_the_opening_that_counts_is_not_met(ward: Ward) -> None:
    """Its own time decides, not its load's."""
    ward.soaking("A1", "A2")
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1, devices=("A1",)))
    ward.recording.later(SECOND_MS)
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert (verdict(ward, "A1"), verdict(ward, "A2")) == (Verdict.NOT_MET, Verdict.MET)


def test_what_is_added_needs_a_usable_fill(ward: Ward) -> None:
    ward.soaking("A1")
    ward.prepared("A2")
    ward.recording.put(replace(ward.recording.get(Fill, "F1"), use_by_ms=MONDAY))
    add = AddDevice(basin=B1, devices=("A2",))
    ward.recording.later(MINUTE_MS)
    rule, text, _ = ward.refused(add)
    assert rule == "fill-in-date"
    ward.do(replace(add, override=True, reason="It cannot wait."), SUPERVISOR)
    assert ward.load().override == Override("sam", ward.now_ms, "It cannot wait.", (text,))


def test_nothing_is_announced_or_taken_out_of_an_empty_basin(ward: Ward) -> None:
    refusal = (
        "no-load",
        "No load is in Basin 2.",
        "Start one. If the lid has been opened already, assign the closure late.",
    )
    assert ward.refused(AnnounceOpening(basin=B2)) == refusal
    assert ward.refused(TakeOut(basin=B2)) == refusal
    assert ward.refused(AddDevice(basin=B2, devices=("A1",))) == refusal


def test_nothing_comes_out_through_a_closed_lid(ward: Ward) -> None:
    ward.soaking("A1")
    ward.lid(B1, "closed", 780)
    assert ward.refused(TakeOut(basin=B1)) == (
        "lid-closed",
        "The lid of Basin 1 is closed, seen 2026-03-02 09:13: nothing can have been taken out.",
        "Open the lid, take the devices out, then record it.",
    )
    ward.recording.later(MINUTE_MS)  # the node has fallen silent: nobody knows how the lid stands
    ward.do(TakeOut(basin=B1))


def test_what_is_in_another_basin_is_not_taken_out_here(ward: Ward) -> None:
    ward.soaking("A1")
    ward.soaking("A2", basin=B2)
    assert ward.refused(TakeOut(basin=B1, devices=("A2",))) == (
        "not-in-load",
        "A2 is in Basin 2 (load L2), not in Basin 1.",
        "Take it out there, or scan the right device.",
    )


def test_time_in_solution_counts_across_closures(ward: Ward) -> None:
    """Lid open or not; the site's limit holds where the label prints none."""
    ward.recording.set_policy(longest_immersion_ms=20 * MINUTE_MS)
    ward.soaking("A1")
    ward.lid(B1, "closed", 600)
    ward.lid(B1, "open", 10)
    ward.lid(B1, "closed", 589)
    began_ms = MONDAY + SECOND_MS
    assert turn_findings(Book.looking(ward.recording.desk.connection, began_ms + 1_200_000), ward.turn("A1")) == ()
    ward.lid(B1, "open", 62)
    ward.do(TakeOut(basin=B1))
    (finding,) = turn_findings(ward.recording.book(), ward.turn("A1"))
    assert (finding.code, finding.text, finding.numbers) == (
        "over-immersed",
        "In solution for 21 min 1 s; the maximum immersion time is 20 min.",
        {"immersed_ms": 1_261_000, "longest_ms": 1_200_000},
    )


def test_what_came_out_before_the_lid_was_put_back_can_be_recorded(ward: Ward) -> None:
    """Hands in gloves put the lid back first and go to the tablet then."""
    ward.soaking("A1")
    ward.lid(B1, "closed", 13 * 60)
    opened_ms = ward.now_ms
    ward.lid(B1, "open", 20)
    ward.lid(B1, "closed", 40)
    assert ward.refused(TakeOut(basin=B1)) == (
        "lid-closed",
        "The lid of Basin 1 is closed, seen 2026-03-02 09:14: nothing comes out through it. It was last opened at "
        "2026-03-02 09:13.",
        "If they came out then, say so; if they are still in it, open the lid, take them out, then record it.",
    )
    ward.do(TakeOut(basin=B1, at_last_opening=True))
    turn = ward.turn("A1")
    assert (turn.out_ms, turn.stage, ward.load().ended_ms) == (opened_ms, Stage.SOAKED, opened_ms)
    assert turn.closure


def test_what_went_in_after_the_last_opening_has_not_come_out(ward: Ward) -> None:
    ward.soaking("A1")
    ward.lid(B1, "closed", 60)
    assert ward.refused(TakeOut(basin=B1, at_last_opening=True))[:2] == (
        "lid-closed",
        "The lid of Basin 1 is closed, seen 2026-03-02 09:01: nothing can have been taken out.",
    )


def test_with_the_lid_open_it_comes_out_now_whatever_is_said(ward: Ward) -> None:
    """Solution works on a device that still lies in it with the lid open."""
    ward.soaking("A1")
    ward.lid(B1, "closed", 13 * 60)
    ward.lid(B1, "open", 40)
    ward.do(TakeOut(basin=B1, at_last_opening=True))
    assert ward.turn("A1").out_ms == ward.now_ms


def test_a_fill_that_runs_out_before_the_soak_could_end_is_not_started_in(ward: Ward) -> None:
    """It must be in date until the opening: the technician is told before, not when it is to be released."""
    ward.soaking("A1")
    ward.prepared("A2", "A3")
    ward.recording.put(replace(ward.recording.get(Fill, "F1"), use_by_ms=ward.now_ms + CONTACT_MS - 1))
    refusal = (
        "fill-in-date",
        "Fill F1 runs out at 09:12 (reuse life of 14 days): a soak of 12 min that starts now would end after that.",
        "Discard it and pour a new one, even if a strip still passes. Or a supervisor lets it start, with a reason.",
    )
    assert ward.refused(AddDevice(basin=B1, devices=("A2",))) == refusal
    ward.do(TakeOut(basin=B1))
    ward.tested(B1)
    assert ward.refused(StartLoad(basin=B1, devices=("A2",))) == refusal
    ward.recording.put(replace(ward.recording.get(Fill, "F1"), use_by_ms=ward.now_ms + CONTACT_MS))
    ward.do(StartLoad(basin=B1, devices=("A2",)))


def test_a_lid_that_stood_longer_than_anything_may_lie_in_it_is_no_soak(ward: Ward) -> None:
    """Ticked by mistake for a device on the bench, "already in" would make a night under the lid its soak."""
    ward.prepared("A1")
    ward.lid(B1, "closed", 61 * 60)
    said = StartLoad(basin=B1, devices=("A1",), already_in=True)
    assert ward.refused(said) == (
        "immersed-too-long",
        "The lid of Basin 1 has been on for 1 h 1 min; the maximum immersion time is 1 h.",
        "Open the lid. What is about to go in is started without 'already in'; what did lie in it all the time is "
        "quarantined.",
    )
    ward.recording.put(replace(PROFILE, longest_immersion_ms=61 * MINUTE_MS))
    ward.do(said)
