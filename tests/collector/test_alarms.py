"""Alarms from readings and records: raised once, in time, cleared, seen, and on record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from kit import arrived, clock_at, site, state, stream_id
from msgspec.structs import replace
from record_kit import MINUTE_MS, SECOND_MS, SUPERVISOR, TECHNICIAN, Recording
from ward_kit import B1, B2, BOOTED, Ward

from collector.alarms import engine
from collector.alarms.ended import happened
from collector.alarms.engine import Alarms
from collector.alarms.held import Happened
from collector.alarms.routes import Routes
from collector.conditions import Conditions
from collector.orders import orders_for
from collector.reassess import Reassessment
from collector.rebuild import rebuild_folder
from collector.record.alarms.answers import SeeAlarm, SilenceAlarm
from collector.record.book import Book
from collector.record.rounds.loads import AddDevice, AnnounceOpening, TakeOut
from collector.record.rounds.use import RecordUse
from collector.record.shifts.shifts import HandOver
from collector.record.things import Alarm, Fill, Policy, Profile
from collector.verify import verify
from soak.alarms import KINDS, Priority
from soak.closure import Verdict
from soak.wire import BasinSide, HeldStream


class Watched:
    """A ward, and alarms that look when they are told to.

    Attributes:
        ward: The ward.
        conditions: What is wrong with the collector's surroundings.
    """

    def __init__(self, ward: Ward) -> None:
        self.ward, self.data = ward, ward.recording.data
        self.conditions = Conditions(ward.recording.clock)
        self.alarms, self.closed = self._new(), False

    def _new(self, *, past_until_ms: int | None = None) -> Alarms:
        clock = self.ward.recording.clock
        return Alarms(self.data, clock, self.conditions, site(), Routes([], clock), past_until_ms=past_until_ms)

    def restart(self) -> None:
        self.alarms.close()
        self.alarms = self._new()

    def rehearse(self) -> None:
        """An hour later, alarms begin in a rehearsal whose past was played before."""
        self.ward.recording.later(60 * MINUTE_MS)
        self.alarms.close()
        self.alarms = self._new(past_until_ms=self.ward.now_ms)
        self.alarms._looked = 0

    def close(self) -> None:
        if not self.closed:
            self.alarms.close()
            self.ward.close()
            self.ward.recording.close()
        self.closed = True

    def look(self) -> None:
        self.alarms.look()

    def lid(self, lid: str, seconds: int, mc: int | None = 21_000, basin: str = B1) -> None:
        """As the ward's, with a look every five seconds."""
        for _ in range(0, seconds, 5):
            self.ward.lid(basin, lid, 5, mc)
            self.look()

    def all(self, code: str = "") -> list[Alarm]:
        return [alarm for alarm in self.ward.recording.all(Alarm) if code in ("", alarm.code)]

    def one(self, code: str) -> Alarm:
        [alarm] = self.all(code)
        return alarm


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    recording = Recording(tmp_path / "data")
    ward = Ward(recording)
    ward.lid(B2, "closed", 5)
    found = Watched(ward)
    found.look()
    yield found
    found.close()


def test_a_lid_opened_early_is_a_high_alarm_until_somebody_has_seen_it(watched: Watched) -> None:
    watched.ward.soaking("A1", "A2")
    watched.lid("closed", 9 * 60)
    assert watched.all() == []
    watched.lid("open", 30)
    alarm = watched.one("opened-early")
    assert (alarm.priority, alarm.basin, alarm.late, alarm.ended_ms) == (Priority.HIGH, B1, False, None)
    assert alarm.text == "Basin 1: Opened with 8 min 59 s of 12 min proven without a break."
    assert alarm.evidence["load"] == "L1"
    assert alarm.evidence["closure"] == alarm.about
    watched.ward.do(SeeAlarm(alarm=alarm.id, done="Closed it again."))
    alarm = watched.one("opened-early")
    assert alarm.seen is not None
    assert (alarm.seen.by, alarm.seen.done) == (TECHNICIAN, "Closed it again.")
    assert alarm.ended_ms == watched.ward.now_ms
    watched.lid("closed", 13 * 60)
    watched.lid("open", 30)
    assert len(watched.all()) == 1


def test_no_alarm_where_the_opening_was_announced_the_soak_met_or_nothing_was_in(watched: Watched) -> None:
    watched.lid("closed", 5 * 60)  # nobody has said that anything is in it
    watched.lid("open", 30)
    watched.ward.soaking("A1")
    watched.lid("closed", 5 * 60)
    watched.ward.do(AnnounceOpening(basin=B1))
    watched.lid("open", 30)
    watched.ward.prepared("A2")
    watched.ward.do(AddDevice(basin=B1, devices=("A2",)))
    watched.lid("closed", 13 * 60)
    watched.lid("open", 30)
    watched.ward.do(TakeOut(basin=B1))
    assert watched.all() == []


def test_each_opening_of_a_load_is_an_alarm_of_its_own(watched: Watched) -> None:
    watched.ward.soaking("A1")
    for _ in range(2):
        watched.lid("closed", 3 * 60)
        watched.lid("open", 30)
    assert [alarm.code for alarm in watched.all()] == ["opened-early"] * 2


def test_cold_becomes_an_alarm_after_ten_seconds_and_high_when_nobody_acts(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 60)
    watched.lid("closed", 10, 19_900)
    assert watched.all() == []
    watched.lid("closed", 10, 19_900)
    alarm = watched.one("below-minimum")
    assert (alarm.priority, alarm.text) == (Priority.MEDIUM, "Basin 1: 19.9 °C, below the minimum of 20 °C.")
    for _ in range(3):  # what flickers is one alarm, not four
        watched.lid("closed", 20)
        watched.lid("closed", 20, 19_900)
    assert watched.one("below-minimum").cleared_ms is None
    watched.lid("closed", 3 * 60, 19_900)
    risen = watched.one("below-minimum")
    assert risen.priority is Priority.HIGH
    assert risen.risen_ms is not None
    assert risen.risen_ms - risen.raised_ms >= 3 * MINUTE_MS
    watched.lid("closed", 40)
    assert watched.one("below-minimum").ended_ms is not None


def test_cold_that_somebody_has_seen_does_not_rise(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 30, 19_900)
    watched.ward.do(SeeAlarm(alarm=watched.one("below-minimum").id))
    watched.lid("closed", 4 * 60, 19_900)
    assert watched.one("below-minimum").priority is Priority.MEDIUM


def test_a_site_sets_its_own_delays(watched: Watched) -> None:
    policy = watched.ward.recording.get(Policy, "site")
    watched.ward.recording.put(replace(policy, alarm_on_ms=MINUTE_MS, alarm_cold_rises_ms=MINUTE_MS))
    watched.ward.soaking("A1")
    watched.lid("closed", 50, 19_900)
    assert watched.all() == []
    watched.lid("closed", 80, 19_900)
    assert watched.one("below-minimum").priority is Priority.HIGH


@pytest.mark.parametrize(("mc", "code"), [(20_300, "guard-band"), (None, "sensor-fault")])
def test_what_cannot_be_proven_is_an_alarm_while_it_can_still_be_mended(
    watched: Watched, mc: int | None, code: str
) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 60)
    watched.lid("closed", 30, mc)
    assert watched.one(code).priority is Priority.MEDIUM
    watched.lid("closed", 40)
    assert watched.one(code).ended_ms is not None


def test_a_met_soak_may_cool_and_is_called_for_once_it_has_waited(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 13 * 60)
    watched.lid("closed", 60, 19_000)
    assert watched.all() == []
    watched.lid("closed", 10 * 60)
    assert watched.one("soak-waits").priority is Priority.LOW
    watched.lid("closed", 50 * 60)
    over = watched.one("over-immersed")
    assert over.priority is Priority.MEDIUM
    assert "the longest is 1 h" in over.text
    watched.lid("open", 10)
    watched.ward.do(TakeOut(basin=B1))
    watched.look()
    assert watched.one("soak-waits").ended_ms is not None
    assert watched.one("over-immersed").ended_ms is None  # somebody has to know: its maker's instructions decide
    watched.ward.do(SeeAlarm(alarm=over.id))
    assert watched.one("over-immersed").ended_ms is not None


def test_a_load_in_solution_that_has_failed(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 30)
    fill = watched.ward.recording.get(Fill, "F1")
    watched.ward.recording.put(replace(fill, failed_ms=watched.ward.now_ms))
    watched.look()
    alarm = watched.one("bad-fill")
    assert (alarm.priority, alarm.about, alarm.basin) == (Priority.HIGH, "L1", B1)
    assert "A MEC test of fill F1 failed" in alarm.text


def test_a_device_used_without_release(watched: Watched) -> None:
    watched.ward.soaked("A1")
    watched.look()
    watched.ward.do(RecordUse(device="A1", encounter="E-1"))
    watched.look()
    watched.look()
    alarm = watched.one("used-unreleased")
    assert (alarm.priority, alarm.ended_ms, alarm.evidence["device"]) == (Priority.HIGH, None, "A1")


def test_a_soak_of_which_nothing_is_heard(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 60)
    watched.conditions.set("node-silent", "n1", "for more than 30 s")
    watched.look()
    assert watched.one("readings-missing").basin == B1
    watched.conditions.clear("node-silent", subject="n1")
    watched.lid("closed", 20)
    assert watched.one("readings-missing").ended_ms is not None


def test_a_lid_left_open_over_solution(watched: Watched) -> None:
    watched.lid("open", 9 * 60)
    assert watched.all() == []
    watched.lid("open", 2 * 60)
    assert watched.one("lid-left-open").basin == B1
    watched.lid("closed", 10)
    assert watched.one("lid-left-open").ended_ms is not None


def test_nothing_is_raised_twice_after_a_restart(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 60)
    watched.lid("closed", 30, 19_900)
    watched.lid("open", 30)
    before = [(alarm.id, alarm.code) for alarm in watched.all()]
    assert before
    watched.restart()
    watched.lid("open", 60)
    assert [(alarm.id, alarm.code) for alarm in watched.all()] == before


def test_what_happened_while_nobody_looked_is_raised_late(watched: Watched) -> None:
    """A collector that was away, or readings that came late: never lost, and said to be late."""
    ward = watched.ward
    ward.soaking("A1")
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "closed", 60, 19_900)
    ward.lid(B1, "open", 10)
    ward.recording.later(10 * MINUTE_MS)
    watched.look()
    early, cold = watched.one("opened-early"), watched.one("below-minimum")
    assert early.late
    assert (early.ended_ms, early.raised_ms) == (None, ward.now_ms)
    assert cold.late
    assert cold.ended_ms is not None
    assert cold.cause_ms < ward.now_ms - 10 * MINUTE_MS
    watched.look()
    assert len(watched.all("opened-early")) == 1


def test_a_corrected_label_alarms_nobody_about_lids_that_were_opened_in_good_time(watched: Watched) -> None:
    """The look-back that the correction opens lists those soaks; what was early by the old label stays an alarm."""
    ward = watched.ward
    reassessment = Reassessment(ward._store, ward._intake)
    reassessment.look()
    ward.soaking("A1")
    ward.lid(B1, "closed", 13 * 60)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    ward.tested(B1)
    ward.soaking("A2")
    ward.lid(B1, "closed", 5 * 60)
    ward.lid(B1, "open", 10)
    ward.do(TakeOut(basin=B1))
    watched.look()
    ward.recording.put(replace(ward.recording.get(Profile, "opa"), min_mc=20_800))
    reassessment.look()
    while reassessment.step():
        pass
    watched.look()
    assert watched.one("opened-early").evidence["load"] == "L2"
    verdicts = [each.closure.verdict for each in Book.looking(ward._store.db.conn, ward.now_ms).closures(B1, 0, 10**14)]
    assert Verdict.MET not in verdicts


def test_a_load_recorded_after_its_soak_was_judged_is_looked_at_too(watched: Watched) -> None:
    ward = watched.ward
    ward.soaking("A1")
    ward.lid(B1, "closed", 5 * 60)
    ward.lid(B1, "open", 10)
    watched.alarms._looked = 0  # as if the readings had come before the load was told
    watched.look()
    assert len(watched.all("opened-early")) == 1


def test_in_a_rehearsal_the_past_is_on_record_when_it_happened(watched: Watched) -> None:
    ward = watched.ward
    ward.soaking("A1")
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "open", 10)
    opened_ms = ward.now_ms
    ward.do(TakeOut(basin=B1))
    watched.rehearse()
    watched.look()
    alarm = watched.one("opened-early")
    assert not alarm.late
    assert abs(alarm.raised_ms - opened_ms) <= 10 * SECOND_MS


def test_in_a_rehearsal_a_past_load_is_looked_at_once_all_is_said_of_it(watched: Watched) -> None:
    """Its closures are there before its first word: what is played next may say that the opening was announced."""
    ward = watched.ward
    ward.soaking("A1")
    ward.lid(B1, "closed", 60)
    ward.do(AnnounceOpening(basin=B1))
    ward.lid(B1, "open", 10)
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "open", 10)
    watched.rehearse()
    watched.look()
    assert watched.all() == []
    ward.do(TakeOut(basin=B1))
    watched.look()
    assert len(watched.all("opened-early")) == 1


def test_in_a_rehearsal_nothing_is_due_while_its_past_is_declared(watched: Watched) -> None:
    ward = watched.ward
    ward.recording.put(replace(ward.recording.get(Profile, "opa"), mec_monitored=True))
    ward.recording.put(replace(ward.recording.get(Fill, "F1"), tested_after_ms=ward.now_ms))
    watched.rehearse()
    watched.look()
    assert watched.all() == []
    ward.do(HandOver(note="It begins."))
    watched.look()
    assert watched.one("mec-test-due").about == "F1"


def test_seeing_what_is_over_or_seen_is_told(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 60)
    watched.lid("open", 10)
    alarm = watched.one("opened-early")
    watched.ward.do(SilenceAlarm(alarm=alarm.id))
    assert watched.one("opened-early").silenced(watched.ward.now_ms)
    assert not watched.one("opened-early").silenced(watched.ward.now_ms + 2 * MINUTE_MS)
    watched.ward.do(SeeAlarm(alarm=alarm.id))
    rule, text, _ = watched.ward.refused(SeeAlarm(alarm=alarm.id), SUPERVISOR)
    assert (rule, text) == ("alarm-over", f"Alarm {alarm.id} (lid opened early) is over since 0 s.")
    assert watched.ward.refused(SilenceAlarm(alarm=alarm.id))[0] == "alarm-over"
    assert watched.ward.refused(SeeAlarm(alarm="W99"))[0] == "unknown-alarm"


def test_two_who_see_it_at_once(watched: Watched) -> None:
    """The first counts; the second is told, and may add what they did."""
    watched.ward.soaking("A1")
    watched.lid("closed", 30, 19_900)
    alarm = watched.one("below-minimum")
    watched.ward.do(SeeAlarm(alarm=alarm.id, done="Warming it."))
    assert watched.ward.refused(SeeAlarm(alarm=alarm.id), SUPERVISOR)[0] == "alarm-seen"
    watched.ward.do(SeeAlarm(alarm=alarm.id, done="Moved the load."), SUPERVISOR)
    seen = watched.one("below-minimum").seen
    assert seen is not None
    assert seen.by == TECHNICIAN
    assert seen.done.startswith("Warming it. ")
    assert seen.done.endswith("Moved the load.")


def test_nodes_are_told_what_they_cannot_know_themselves(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 30, 19_900)
    assert watched.alarms.orders() == {}  # its own rule has signalled that at once
    fill = watched.ward.recording.get(Fill, "F1")
    watched.ward.recording.put(replace(fill, failed_ms=watched.ward.now_ms))
    watched.look()
    [order] = watched.alarms.orders()[B1]
    assert (order.code, order.priority, order.silenced, order.good_for_s) == ("bad-fill", Priority.HIGH, False, 60)
    assert watched.alarms.changed() == {"n1"}
    assert watched.alarms.changed() == set()
    watched.ward.do(SilenceAlarm(alarm=watched.one("bad-fill").id))
    watched.look()
    assert watched.alarms.orders()[B1][0].silenced
    assert watched.alarms.changed() == {"n1"}
    orders = orders_for(watched.ward._store, watched.ward.recording.clock, "n1", 1, watched.alarms.orders())
    told = orders.basins["b1"]
    assert told.load is not None
    assert (told.load.load, told.load.devices, told.load.adding) == ("L1", 1, False)
    assert "A MEC test of fill F1 failed" in told.fill_problem
    assert told.alarms == [*watched.alarms.orders()[B1]]
    assert (orders.basins["b2"].load, orders.basins["b2"].alarms) == (None, [])
    watched.ward.do(AnnounceOpening(basin=B1))
    again = orders_for(watched.ward._store, watched.ward.recording.clock, "n1", 2, {}).basins["b1"].load
    assert again is not None
    assert again.adding


def test_the_chain_holds_and_a_rebuild_gives_the_same_alarms(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 30, 19_900)
    watched.lid("closed", 4 * 60, 19_900)
    watched.lid("open", 30)
    watched.ward.do(SeeAlarm(alarm=watched.one("opened-early").id))
    assert verify(watched.data).wrong is None
    watched.close()
    assert rebuild_folder(watched.data, keep=False).differing == []


def test_the_other_basin_is_left_in_peace(watched: Watched) -> None:
    watched.ward.soaking("A1", basin=B2)
    watched.lid("closed", 60)
    watched.lid("open", 10)
    assert watched.all() == []


def test_every_kind_says_what_to_do() -> None:
    for kind in KINDS.values():
        assert kind.name
        assert kind.todo.endswith(".")


def says(watched: Watched, **side: object) -> None:
    """The node says how it stands at basin b1, with no stream of its own missing."""
    ward = watched.ward
    ms = ward.now_ms - BOOTED
    held = [(stream_id(number), ward._number[basin], ward._number[basin] - 1) for basin, number in ((B1, 1), (B2, 2))]
    said = state(ms=ms)
    streams = [
        HeldStream(stream, f"b{number}", oldest, newest) for number, (stream, oldest, newest) in enumerate(held, 1)
    ]
    clock = clock_at(ms, booted_utc_ms=BOOTED)
    said = replace(said, clock=clock, streams=streams, basins=[BasinSide("b1", **side)])  # type: ignore[arg-type]
    ward._intake.take([arrived(said)])


def test_the_button_at_the_basin_says_that_somebody_was_there(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid("closed", 30, 19_900)
    says(watched, load=True, alarm="below-minimum")
    watched.look()
    assert watched.one("below-minimum").seen is None
    says(watched, load=True, alarm="sensor-fault", seen_ms=1_000)  # pressed at another one
    watched.look()
    assert watched.one("below-minimum").seen is None
    watched.ward.recording.later(SECOND_MS)
    says(watched, load=True, alarm="below-minimum", seen_ms=1_000)
    watched.look()
    seen = watched.one("below-minimum").seen
    assert seen is not None
    assert (seen.by, seen.done) == ("basin-button", "pressed the button at the basin")
    watched.lid("closed", 4 * 60, 19_900)
    assert watched.one("below-minimum").priority is Priority.MEDIUM


def test_a_press_is_not_for_an_alarm_of_something_earlier(watched: Watched) -> None:
    """What came late is over at the basin: whoever presses there sees what the node signals now."""
    watched.ward.soaking("A1")
    watched.ward.lid(B1, "closed", 60)
    watched.ward.lid(B1, "open", 10)
    watched.ward.recording.later(10 * MINUTE_MS)
    watched.look()
    assert watched.one("opened-early").late
    says(watched, load=True, alarm="opened-early", seen_ms=1_000)
    watched.look()
    assert watched.one("opened-early").seen is None


def test_a_load_that_only_the_button_told_of(watched: Watched) -> None:
    watched.lid("closed", 60)
    watched.lid("open", 10)
    says(watched, load=True, alarm="opened-early")  # of a load that the record has ended meanwhile
    watched.look()
    assert watched.all() == []
    watched.ward.recording.later(SECOND_MS)
    says(watched, load=True, alarm="opened-early", said_ms=1_000)
    watched.look()
    alarm = watched.one("opened-early")
    assert (alarm.priority, alarm.about) == (Priority.HIGH, B1)
    watched.lid("closed", 10)
    says(watched, load=True)
    watched.look()
    alarm = watched.one("opened-early")
    assert alarm.cleared_ms is not None
    assert alarm.ended_ms is None  # until somebody has seen it
    watched.ward.do(SeeAlarm(alarm=alarm.id))
    assert watched.one("opened-early").ended_ms is not None


def test_who_starts_again_before_anything_was_kept_goes_on_from_the_first_start(watched: Watched) -> None:
    """A collector killed in its first minute: what is stored between its two starts is not passed over."""
    watched.ward.soaking("A1")
    watched.ward.lid(B1, "closed", 60)
    watched.ward.lid(B1, "open", 10)
    watched.restart()
    watched.look()
    assert len(watched.all("opened-early")) == 1


def test_a_record_that_this_program_fails_on_keeps_no_other_from_being_looked_at(
    watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(book: Book, kind: str, *given: Any, **more: Any) -> Iterator[Happened]:
        if kind == "start-load":
            raise ValueError(kind)
        return happened(book, kind, *given, **more)

    monkeypatch.setattr(engine, "happened", failing)
    watched.ward.soaking("A1")
    watched.lid("closed", 60)
    watched.lid("open", 10)
    assert watched.one("opened-early").evidence["load"] == "L1"
