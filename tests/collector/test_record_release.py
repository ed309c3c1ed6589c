"""Rinses, drying, release, quarantine, storage and use."""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from record_kit import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    SECOND_MS,
    SECOND_TECHNICIAN,
    SUPERVISOR,
    TECHNICIAN,
    Recording,
)
from ward_kit import B1, PROFILE, SCOPE, Ward

from collector.record.rounds.loads import TakeOut
from collector.record.rounds.lookbacks import CloseLookBack
from collector.record.rounds.quarantine import LiftQuarantine, QuarantineDevice
from collector.record.rounds.release import Release, release_facts
from collector.record.rounds.rinses import (
    AttestDried,
    BeginRinse,
    EndRinse,
    RecordRinses,
    TimedRinse,
    rinses_needed,
)
from collector.record.rounds.turn_findings import turn_findings
from collector.record.rounds.turns import BeginTurn
from collector.record.rounds.use import RecordUse, StoreDevice
from collector.record.things import Attested, Device, Fill, LookBack, Quarantine, Rinsed, Rinses, Stage, Turn, Used


def codes(ward: Ward, turn: str) -> list[str]:
    return [each.code for each in turn_findings(ward.recording.book(), ward.recording.get(Turn, turn))]


# Rinses and drying


def test_rinses_are_timed_one_by_one(ward: Ward) -> None:
    ward.soaked("A1")
    began_ms = ward.now_ms
    ward.do(BeginRinse(device="A1", fresh_water=True))
    ward.recording.later(30 * SECOND_MS)
    assert ward.refused(BeginRinse(device="A1", fresh_water=True), SECOND_TECHNICIAN) == (
        "rinse-running",
        "Rinse 1 of A1 runs since 30 s, begun by Tina Test.",
        "End it first.",
    )
    assert ward.refused(AttestDried(device="A1")) == (
        "rinse-running",
        "A rinse of A1 still runs.",
        "End it, dry it, then attest it.",
    )
    ward.do(EndRinse(device="A1"))
    assert ward.turn("A1").rinses == (Rinsed("tina", began_ms, began_ms + 30_000, fresh=True),)
    assert ward.refused(EndRinse(device="A1")) == (
        "no-rinse",
        "No rinse of A1 runs.",
        "Begin one, in fresh water.",
    )


def test_a_rinse_in_used_water_or_ended_early_stays_on_record_and_does_not_count(ward: Ward) -> None:
    ward.soaked("A1")
    ward.do(BeginRinse(device="A1", fresh_water=False))
    ward.recording.later(MINUTE_MS)
    ward.do(EndRinse(device="A1"))
    ward.rinsed("A1", times=1, ms=59 * SECOND_MS)
    ward.rinsed("A1", times=2)
    ward.do(AttestDried(device="A1"))
    assert len(ward.turn("A1").rinses) == 4
    assert ward.refused(Release(devices=("A1",))) == (
        "rinses",
        "A1: 2 of 3 rinses in fresh water of at least 1 min are on record.",
        "Rinse it again, each time in fresh water, and time each rinse.",
    )
    ward.rinsed("A1", times=1)
    assert ward.refused(Release(devices=("A1",)))[:2] == (
        "dried",
        "A1: it was rinsed after its drying was recorded.",
    )
    ward.do(AttestDried(device="A1"))
    ward.do(Release(devices=("A1",)))


def test_the_device_maker_may_ask_for_more(ward: Ward) -> None:
    ward.recording.put(replace(SCOPE, rinses=Rinses(count=4, each_ms=30 * SECOND_MS), dry_ms=10 * MINUTE_MS))
    ward.finished("A1")
    facts, missing = release_facts(ward.recording.book(), ward.turn("A1"))
    assert (facts.rinse_count, facts.rinse_ms) == (4, MINUTE_MS)
    assert [each.text for each in missing] == [
        "A1: 3 of 4 rinses in fresh water of at least 1 min are on record.",
        "A1: it was dried for 0 s; its type asks for at least 10 min.",
    ]
    ward.rinsed("A1", times=1)
    ward.recording.later(10 * MINUTE_MS)
    ward.do(AttestDried(device="A1"))
    ward.do(Release(devices=("A1",)))


def test_drying_is_attested_once_and_after_rinsing(ward: Ward) -> None:
    ward.soaked("A1")
    assert ward.refused(AttestDried(device="A1")) == (
        "rinse-first",
        "A1 has not been rinsed since its soak.",
        "Rinse it, then dry it.",
    )
    ward.rinsed("A1")
    ward.do(AttestDried(device="A1"))
    assert ward.refused(AttestDried(device="A1"), SECOND_TECHNICIAN) == (
        "dried-twice",
        "The drying of A1 was attested 2026-03-02 09:16 by Tina Test.",
        "Nothing more is needed for it.",
    )


def test_nothing_is_rinsed_before_it_was_taken_out(ward: Ward) -> None:
    ward.soaking("A1")
    assert ward.refused(BeginRinse(device="A1", fresh_water=True))[0] == "device-in-basin"
    ward.prepared("A2")
    assert ward.refused(BeginRinse(device="A2", fresh_water=True)) == (
        "stage",
        "A2 has not been soaked: its round T2 was begun 2026-03-02 09:00 by Tina Test.",
        "Attest its steps and start a load with it.",
    )


def timed(ward: Ward, *devices: str, times: int = 3, ms: int = MINUTE_MS, reason: str = "Timed there.") -> RecordRinses:
    """So many rinses one after the other, up to now."""
    first_ms = ward.now_ms - times * ms
    rinses = tuple(TimedRinse(first_ms + each * ms, first_ms + (each + 1) * ms) for each in range(times))
    return RecordRinses(devices=devices, rinses=rinses, fresh_water=True, reason=reason)


def test_rinses_that_were_timed_beside_the_basin_are_recorded_at_once(ward: Ward) -> None:
    ward.soaked("A1", "A2")
    ward.recording.later(4 * MINUTE_MS)
    ward.do(timed(ward, "A1", "A2"))
    for device in ("A1", "A2"):
        assert [each.ended_ms for each in ward.turn(device).rinses] == [
            ward.now_ms - 2 * MINUTE_MS,
            ward.now_ms - MINUTE_MS,
            ward.now_ms,
        ]
    ward.do(AttestDried(device="A1"))
    ward.recording.later(HOUR_MS)
    assert "rinses" not in [missing.rule for missing in release_facts(ward.recording.book(), ward.turn("A1"))[1]]


def test_a_short_rinse_among_timed_ones_does_not_count(ward: Ward) -> None:
    ward.soaked("A1")
    ward.recording.later(4 * MINUTE_MS)
    ward.do(timed(ward, "A1", ms=MINUTE_MS - 1))
    assert "rinses" in [missing.rule for missing in release_facts(ward.recording.book(), ward.turn("A1"))[1]]


def test_timed_rinses_follow_one_another_and_what_is_on_record(ward: Ward) -> None:
    ward.soaked("A1")
    ward.recording.later(4 * MINUTE_MS)
    now_ms = ward.now_ms
    assert ward.refused(timed(ward, "A1", reason=" "))[0] == "reason"
    for rinses in (
        [TimedRinse(now_ms - 1, now_ms + 1)],
        [TimedRinse(now_ms - 1, now_ms - 2)],
        [TimedRinse(now_ms - 5, now_ms - 5)],
        [TimedRinse(now_ms - 9, now_ms - 5), TimedRinse(now_ms - 6, now_ms)],
        [TimedRinse(now_ms - 90 * MINUTE_MS, now_ms)],
    ):
        deed = RecordRinses(devices=("A1",), rinses=tuple(rinses), fresh_water=True, reason="Timed there.")
        assert ward.refused(deed)[0] == "rinse-times"
    ward.do(timed(ward, "A1", times=1))
    assert ward.refused(timed(ward, "A1", times=1))[0] == "rinse-times"
    ward.do(BeginRinse(device="A1", fresh_water=True))
    assert ward.refused(timed(ward, "A1", times=1))[0] == "rinse-running"
    assert len(ward.turn("A1").rinses) == 2


# Release


def test_a_batch_is_released_by_a_named_person(ward: Ward) -> None:
    ward.finished("A1", "A2")
    assert ward.refused(Release(devices=("A1", "A2")), second_factor=False) == (
        "second-factor",
        "This takes a PIN or password besides the badge.",
        "Enter your PIN.",
    )
    ward.do(Release(devices=("A1", "A2"), note="Both looked at."))
    for device in ("A1", "A2"):
        turn = ward.turn(device)
        assert (turn.stage, turn.released) == (
            Stage.RELEASED,
            Attested("tina", ward.now_ms, "Both looked at."),
        )
        assert turn.closure
    assert ward.refused(Release(devices=("A1",)), SECOND_TECHNICIAN) == (
        "stage",
        "A1 was released 2026-03-02 09:19 by Tina Test.",
        "Record its use, or begin a new round with it.",
    )


def test_all_of_a_batch_or_none(ward: Ward) -> None:
    ward.soaked("A1", "A2", "A3")
    ward.rinsed("A1")
    ward.do(AttestDried(device="A1"))
    ward.rinsed("A2")
    assert ward.refused(Release(devices=("A1", "A2", "A3"))) == (
        "dried",
        "A2: its drying is not on record. A3: 0 of 3 rinses in fresh water of at least 1 min are on record. "
        "Nothing was released.",
        "Dry it, then attest it.",
    )
    assert ward.turn("A1").stage is Stage.SOAKED


def test_a_corrected_fill_or_a_failed_test_after_the_soak(ward: Ward) -> None:
    """The facts are asked at the release: what has become known since counts."""
    ward.finished("A1")
    ward.recording.put(replace(ward.recording.get(Fill, "F1"), use_by_ms=ward.turn("A1").in_ms or 0))
    assert ward.refused(Release(devices=("A1",)))[0] == "fill-in-date"


def test_a_profile_without_rinses(ward: Ward) -> None:
    ward.finished("A1")
    ward.recording.put(replace(PROFILE, rinses=None))
    assert ward.refused(Release(devices=("A1",)))[0] == "rinses"


# Quarantine


def test_quarantine_ends_the_round(ward: Ward) -> None:
    ward.released("A1")
    assert ward.refused(QuarantineDevice(device="A1", next_action="Reprocess.")) == (
        "reason",
        "A1 goes into quarantine only with a reason.",
        "Say in a sentence what is wrong.",
    )
    assert ward.refused(QuarantineDevice(device="A1", reason="It fell.", next_action=" ")) == (
        "next-action",
        "Nobody would know what to do next.",
        "Say what to do about it.",
    )
    ward.do(QuarantineDevice(device="A1", reason="It fell.", next_action="Reprocess."))
    quarantine = Quarantine("tina", ward.now_ms, "It fell.", "Reprocess.")
    assert ward.device("A1").quarantine == quarantine
    assert (ward.turn("A1").stage, ward.turn("A1").quarantine) == (Stage.ENDED, quarantine)
    assert ward.refused(QuarantineDevice(device="A1", reason="It fell.", next_action="Reprocess.")) == (
        "quarantined",
        "A1 is in quarantine since 2026-03-02 09:16, put there by Tina Test: It fell.",
        "Nothing more is needed; a note on its round can add to it.",
    )


def test_lifting_needs_a_supervisor_and_a_reason_and_releases_nothing(ward: Ward) -> None:
    ward.finished("A1")
    lift = LiftQuarantine(device="A1", reason="Looked at.")
    assert ward.refused(lift, SUPERVISOR) == (
        "not-quarantined",
        "A1 is not in quarantine.",
        "Nothing needs to be lifted.",
    )
    ward.do(QuarantineDevice(device="A1", reason="It fell.", next_action="Look at it."))
    assert ward.refused(lift) == (
        "role",
        "Tina Test is a technician; this takes a supervisor.",
        "Ask a supervisor to do it.",
    )
    assert ward.refused(replace(lift, reason=""), SUPERVISOR) == (
        "reason",
        "The quarantine of A1 is lifted only with a reason.",
        "Say what was done about it.",
    )
    ward.do(lift, SUPERVISOR)
    assert ward.refused(Release(devices=("A1",))) == ("stage", "Round T1 of A1 has ended.", "Begin a round with A1.")


def test_quarantined_in_the_basin_it_ends_when_taken_out(ward: Ward) -> None:
    ward.soaking("A1")
    ward.do(QuarantineDevice(device="A1", reason="It leaks.", next_action="Send it for repair."))
    assert ward.turn("A1").stage is Stage.SOAKING
    ward.lid(B1, "closed", 780)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    assert (ward.turn("A1").stage, ward.load().open()) == (Stage.ENDED, False)


def test_release_against_quarantine_at_once(ward: Ward) -> None:
    """Two desks: whoever comes second is told what the first did."""
    ward.finished("A1", "A2")
    other = ward.recording.another_desk()
    ward.do(QuarantineDevice(device="A1", reason="It fell.", next_action="Reprocess."))
    assert ward.recording.refused(Release(devices=("A1",)), SECOND_TECHNICIAN, desk=other) == (
        "stage",
        "Round T1 of A1 has ended.",
        "Begin a round with A1.",
    )
    ward.recording.do(Release(devices=("A2",)), SECOND_TECHNICIAN, desk=other)
    ward.do(QuarantineDevice(device="A2", reason="It fell.", next_action="Reprocess."))
    assert ward.turn("A2").stage is Stage.ENDED


# Storage


def test_hang_time_counts_from_the_release(ward: Ward) -> None:
    ward.released("A1")
    released_ms = ward.now_ms
    ward.recording.later(HOUR_MS)
    ward.do(StoreDevice(device="A1", cabinet="Cabinet 2 "))
    device = ward.device("A1")
    assert (device.stored_in, device.stored_ms, device.hang_until_ms) == (
        "Cabinet 2",
        released_ms + HOUR_MS,
        released_ms + 7 * DAY_MS,
    )
    assert ward.refused(StoreDevice(device="A1", cabinet="Cabinet 2")) == (
        "stored-already",
        "A1 is in Cabinet 2 since 2026-03-02 10:16.",
        "Nothing more is needed for it.",
    )
    ward.recording.later(HOUR_MS)
    ward.do(StoreDevice(device="A1", cabinet="Cabinet 3"))
    assert ward.device("A1").hang_until_ms == released_ms + 7 * DAY_MS
    ward.do(BeginTurn(device="A1"))
    assert ward.device("A1") == Device(id="A1", type="gastroscope", turn="T2")


def test_only_what_is_released_is_stored_and_the_type_may_set_no_hang_time(ward: Ward) -> None:
    ward.finished("A1")
    assert ward.refused(StoreDevice(device="A1", cabinet="Cabinet 2"))[0] == "stage"
    ward.do(Release(devices=("A1",)))
    ward.recording.put(replace(SCOPE, hang_days=None))
    ward.do(StoreDevice(device="A1", cabinet="Cabinet 2"))
    assert ward.device("A1").hang_until_ms is None


# Use


def test_a_released_device_is_used(ward: Ward) -> None:
    ward.released("A1")
    ward.do(StoreDevice(device="A1", cabinet="Cabinet 2"))
    ward.do(RecordUse(device="A1", encounter="ENC-1"))
    turn = ward.turn("A1")
    assert (turn.stage, turn.used) == (Stage.USED, Used("tina", ward.now_ms, "ENC-1", released=True))
    assert ward.device("A1") == Device(id="A1", type="gastroscope", turn="T1")
    assert ward.recording.all(LookBack) == []
    assert codes(ward, "T1") == []


def test_a_use_without_a_link_is_a_finding(ward: Ward) -> None:
    ward.released("A1")
    ward.do(RecordUse(device="A1"))
    assert codes(ward, "T1") == ["use-without-link"]
    assert ward.recording.all(LookBack) == []


@pytest.mark.parametrize("state", ["no round", "preparing", "soaking", "soaked", "used already", "ended"])
def test_a_use_without_release_is_recorded_whatever_the_state(ward: Ward, state: str) -> None:
    match state:
        case "preparing":
            ward.prepared("A1")
        case "soaking":
            ward.soaking("A1")
        case "soaked":
            ward.finished("A1")
        case "used already":
            ward.released("A1")
            ward.do(RecordUse(device="A1", encounter="ENC-1"))
        case "ended":
            ward.finished("A1")
            ward.do(QuarantineDevice(device="A1", reason="It fell.", next_action="Reprocess."))
            ward.do(LiftQuarantine(device="A1", reason="Looked at."), SUPERVISOR)
        case _:
            pass
    ward.do(RecordUse(device="A1", encounter="ENC-2"), SECOND_TECHNICIAN)
    turn, device = ward.turn("A1"), ward.device("A1")
    assert (turn.stage, turn.used) == (Stage.USED, Used("tom", ward.now_ms, "ENC-2", released=False))
    assert device.quarantine == Quarantine(
        "tom",
        ward.now_ms,
        "A1 was used without having been released.",
        "Reprocess it. A supervisor closes the look-back.",
    )
    (look_back,) = ward.recording.all(LookBack)
    assert (look_back.cause, look_back.turns, look_back.devices, look_back.open()) == (
        "used-without-release",
        (turn.id,),
        ("A1",),
        True,
    )
    assert "used-without-release" in codes(ward, turn.id)
    if state == "soaking":
        assert not ward.load().open()
    if state == "used already":
        first = ward.recording.get(Turn, "T1").used
        assert first is not None
        assert (turn.id, first.encounter, first.released) == ("T2", "ENC-1", True)


def test_a_use_from_quarantine_keeps_that_quarantine(ward: Ward) -> None:
    ward.released("A1")
    ward.do(QuarantineDevice(device="A1", reason="It fell.", next_action="Reprocess."))
    before = ward.device("A1").quarantine
    ward.do(RecordUse(device="A1", encounter="ENC-2"))
    assert ward.device("A1").quarantine == before
    (look_back,) = ward.recording.all(LookBack)
    assert (look_back.cause, look_back.text) == (
        "used-in-quarantine",
        "A1 was used while in quarantine: It fell.",
    )


def test_a_use_past_the_hang_time_or_during_a_look_back(ward: Ward) -> None:
    ward.released("A1", "A2")
    ward.do(StoreDevice(device="A1", cabinet="Cabinet 2"))
    ward.recording.put(replace(ward.device("A2"), lookbacks=("K9",)))
    ward.recording.later(7 * DAY_MS + 1)
    ward.do(RecordUse(device="A1", encounter="ENC-1"))
    ward.do(RecordUse(device="A2", encounter="ENC-2"))
    assert [(each.cause, each.text) for each in ward.recording.all(LookBack)] == [
        ("used-past-hang-time", "A1 was used after its hang time had ended 2026-03-09 09:19."),
        ("used-during-look-back", "A2 was used while K9 held it back."),
    ]
    assert ward.turn("A1").used == Used("tina", ward.now_ms, "ENC-1", released=True)


def test_a_use_recorded_late_lands_on_the_round_of_its_time(ward: Ward) -> None:
    """It was released then: that the next round has begun since makes it no use without release."""
    ward.released("A1")
    used_ms = ward.now_ms + HOUR_MS
    ward.recording.later(2 * HOUR_MS)
    ward.do(BeginTurn(device="A1"))
    ward.recording.later(HOUR_MS)
    ward.do(RecordUse(device="A1", encounter="ENC-1", used_ms=used_ms))
    assert ward.recording.get(Turn, "T1").used == Used("tina", used_ms, "ENC-1", released=True)
    assert codes(ward, "T1") == []
    assert (ward.device("A1").turn, ward.device("A1").quarantine) == ("T2", None)
    assert (ward.turn("A1").stage, ward.turn("A1").used, ward.turn("A1").came_from) == (Stage.PREPARING, None, "ENC-1")
    assert ward.recording.all(LookBack) == []


def test_a_use_without_its_time_after_the_next_round_began_is_one_without_release(ward: Ward) -> None:
    """Nothing tells it from a use of what is being reprocessed, so that the worse is taken for true."""
    ward.released("A1")
    ward.do(BeginTurn(device="A1"))
    ward.do(RecordUse(device="A1", encounter="ENC-1"))
    assert ward.turn("A1").used == Used("tina", ward.now_ms, "ENC-1", released=False)
    assert [each.cause for each in ward.recording.all(LookBack)] == ["used-without-release"]


def test_a_second_late_use_before_the_next_round_is_looked_back_at_and_holds_nothing(ward: Ward) -> None:
    """The round that has begun since reprocesses the device."""
    ward.released("A1")
    used_ms = ward.now_ms + HOUR_MS
    ward.recording.later(2 * HOUR_MS)
    ward.do(BeginTurn(device="A1"))
    ward.do(RecordUse(device="A1", encounter="ENC-1", used_ms=used_ms))
    ward.do(RecordUse(device="A1", encounter="ENC-2", used_ms=used_ms + MINUTE_MS))
    assert ward.recording.get(Turn, "T3").used == Used("tina", used_ms + MINUTE_MS, "ENC-2", released=False)
    (look_back,) = ward.recording.all(LookBack)
    assert (look_back.cause, look_back.turns, look_back.from_ms) == (
        "used-without-release",
        ("T3",),
        used_ms + MINUTE_MS,
    )
    assert (ward.device("A1").turn, ward.device("A1").quarantine) == ("T2", None)
    assert ward.turn("A1").stage is Stage.PREPARING


def test_hang_time_quarantine_and_look_back_are_those_of_the_time_of_use(ward: Ward) -> None:
    ward.released("A1", "A2", "A3")
    used_ms = ward.now_ms + HOUR_MS
    ward.recording.later(7 * DAY_MS + HOUR_MS)
    ward.do(QuarantineDevice(device="A2", reason="It fell.", next_action="Reprocess."))
    ward.do(QuarantineDevice(device="A3", reason="It fell.", next_action="Reprocess."))
    ward.recording.later(HOUR_MS)
    ward.do(RecordUse(device="A1", encounter="ENC-1", used_ms=used_ms))
    ward.do(RecordUse(device="A2", encounter="ENC-2", used_ms=used_ms))
    assert ward.recording.all(LookBack) == []
    assert ward.turn("A2").used == Used("tina", used_ms, "ENC-2", released=True)
    quarantine = ward.device("A2").quarantine
    assert quarantine is not None
    assert quarantine.reason == "It fell."
    ward.do(RecordUse(device="A3", encounter="ENC-3", used_ms=ward.now_ms - MINUTE_MS))
    assert [each.cause for each in ward.recording.all(LookBack)] == ["used-in-quarantine"]


def test_a_time_of_use_that_contradicts_the_record_takes_a_reason(ward: Ward) -> None:
    ward.released("A1")
    released_ms = ward.now_ms
    text = ward.recording.book().local_text
    early = RecordUse(device="A1", encounter="ENC-1", used_ms=released_ms - MINUTE_MS)
    step = "Type the time again; if it was used then all the same, write how as the reason."
    assert ward.refused(early) == (
        "time",
        f"A1 was released {text(released_ms)}, after the time that was typed, {text(released_ms - MINUTE_MS)}.",
        step,
    )
    assert ward.refused(replace(early, used_ms=1)) == (
        "time",
        f"No round of A1 had begun by {text(1)}.",
        step,
    )
    assert ward.refused(replace(early, used_ms=released_ms + HOUR_MS)) == (
        "time",
        f"A use of A1 at {text(released_ms + HOUR_MS)} lies ahead.",
        "Type the time again.",
    )
    ward.do(replace(early, reason="It was needed at once."))
    assert ward.turn("A1").used == Used("tina", released_ms - MINUTE_MS, "ENC-1", released=False)
    assert [each.cause for each in ward.recording.all(LookBack)] == ["used-without-release"]
    assert ward.device("A1").quarantine is not None


def test_an_unknown_device_is_named(recording: Recording) -> None:
    assert recording.refused(RecordUse(device="Z9"), TECHNICIAN) == (
        "unknown-device",
        "There is no device 'Z9'.",
        "Scan or type it again; if it is new, record the device first.",
    )


def test_after_a_use_without_release_it_can_be_reprocessed_and_released(ward: Ward) -> None:
    ward.do(RecordUse(device="A1", encounter="ENC-2"))
    ward.do(LiftQuarantine(device="A1", reason="It goes to be reprocessed."), SUPERVISOR)
    ward.released("A1")
    assert ward.turn("A1").came_from == "ENC-2"
    ward.do(CloseLookBack(look_back="K1", conclusion="ENC-2 was told.", reason="A test closes it."), SUPERVISOR)


def test_the_hang_time_ends_also_where_nobody_recorded_the_cabinet(ward: Ward) -> None:
    ward.released("A1")
    until = ward.recording.book().local_text(ward.now_ms + 7 * DAY_MS)
    ward.recording.later(7 * DAY_MS + 1)
    ward.do(RecordUse(device="A1", encounter="E-1"))
    (look_back,) = ward.recording.all(LookBack)
    assert (look_back.cause, look_back.text) == (
        "used-past-hang-time",
        f"A1 was used after its hang time had ended {until}.",
    )


def test_the_kind_of_rinse_water_is_kept_as_it_was_said(ward: Ward) -> None:
    """Rinse water is a field of the HLD record (study guide for technicians, secondary source)."""
    ward.soaked("A1")
    ward.do(BeginRinse(device="A1", fresh_water=True, water=" sterile "))
    assert [each.water for each in ward.turn("A1").rinses] == ["sterile"]


def test_label_and_maker_may_name_two_kinds_of_water(ward: Ward) -> None:
    """Neither takes the other's place: which one holds, people decide."""
    ward.recording.put(replace(PROFILE, rinses=Rinses(3, MINUTE_MS, water="sterile")))
    ward.recording.put(replace(SCOPE, rinses=Rinses(1, 0, water="potable")))
    ward.soaked("A1")
    needed = rinses_needed(ward.recording.book(), ward.turn("A1"))
    assert needed == Rinses(3, MINUTE_MS, water="sterile and potable")
