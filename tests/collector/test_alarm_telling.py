"""Who is told of an alarm, in which order, until somebody has seen it; and the drill."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from kit import site
from msgspec.structs import replace
from record_kit import HOUR_MS, MINUTE_MS, SECOND_MS, SUPERVISOR
from route_kit import TAKES, Server, file_of
from ward_kit import B1, B2, Ward

from collector.alarms.engine import Alarms
from collector.alarms.notices import Notice, Outcome
from collector.alarms.routes import Routes
from collector.alarms.telling import UNSTORED_MS
from collector.alarms.thread import AlarmThread
from collector.conditions import Conditions
from collector.ledger import records
from collector.record.alarms.answers import SeeAlarm, SilenceAlarm
from collector.record.alarms.drills import ConfirmDrill
from collector.record.things import Alarm, Drill, Policy
from collector.settings import NotifySettings, Settings
from collector.verify import verify
from soak.alarms import Priority

ANNA, BEN, CARL = (
    NotifySettings("Anna", "anna.txt", least=Priority.MEDIUM, quiet="20:00-08:00"),
    NotifySettings("Ben", "ben.txt"),
    NotifySettings("Carl", "carl.txt", least=Priority.LOW, closed_days=True),
)


class Phones(Routes):
    """Routes that end here: what is sent is kept, what became of it is what the test says."""

    def __init__(self) -> None:
        self.sent: list[Notice] = []
        self.known: list[Outcome] = []

    def send(self, notice: Notice) -> None:
        self.sent.append(notice)

    def outcomes(self) -> list[Outcome]:
        known, self.known = self.known, []
        return known

    def listed(self) -> list[tuple[str, str]]:
        return [("Anna", "json line 2"), ("Ben", "json line 2")]

    def told(self) -> list[tuple[str, str]]:
        """Key and person of everything that was sent since this was last asked."""
        told = [(notice.key, notice.person) for notice in self.sent]
        self.sent.clear()
        return told


class Listed:
    """A ward whose alarms are told to three people."""

    def __init__(self, ward: Ward, **settings: object) -> None:
        self.ward, self.phones = ward, Phones()
        ward.lid(B2, "closed", 5)
        self.conditions = Conditions(ward.recording.clock)
        given: dict[str, object] = {"notify": [ANNA, BEN, CARL]} | settings
        self.settings: Settings = replace(site(), **given)
        self.alarms = self.new()

    def new(self) -> Alarms:
        recording = self.ward.recording
        return Alarms(recording.data, recording.clock, self.conditions, self.settings, self.phones)

    def look(self, later_ms: int = SECOND_MS) -> list[tuple[str, str]]:
        """Let time pass and look; whom it told."""
        self.ward.recording.later(later_ms)
        self.alarms.look()
        return self.phones.told()

    def early(self) -> str:
        """A lid opened early; the alarm's id."""
        self.ward.soaking("A1")
        self.ward.lid(B1, "closed", 60)
        self.ward.lid(B1, "open", 5)
        self.alarms.look()
        return self.ward.recording.all(Alarm)[-1].id

    def records(self, kind: str) -> list[dict[str, object]]:
        return [each.content() for each in records(self.ward.recording.desk.connection, kinds=(kind,))]


@pytest.fixture
def listed(ward: Ward) -> Iterator[Listed]:
    found = Listed(ward)
    found.look()
    yield found
    found.alarms.close()


def test_a_high_alarm_goes_on_until_somebody_has_seen_it(listed: Listed) -> None:
    alarm = listed.early()
    assert listed.phones.told() == [(alarm, "Anna")]
    assert listed.look(MINUTE_MS) == []
    assert listed.look(MINUTE_MS) == [(alarm, "Ben")]
    listed.ward.do(SilenceAlarm(alarm=alarm))  # is no seeing
    assert listed.look(2 * MINUTE_MS) == [(alarm, "Carl")]
    assert listed.look(2 * MINUTE_MS) == [(alarm, "Anna")]
    listed.ward.do(SeeAlarm(alarm=alarm))
    assert listed.look(2 * MINUTE_MS) == []
    assert [each["person"] for each in listed.records("alarm-told")] == ["Anna", "Ben", "Carl", "Anna"]


def test_a_site_sets_how_soon_it_goes_on(listed: Listed) -> None:
    policy = listed.ward.recording.get(Policy, "site")
    listed.ward.recording.put(replace(policy, alarm_next_person_ms=5 * MINUTE_MS))
    alarm = listed.early()
    listed.phones.told()
    assert listed.look(4 * MINUTE_MS) == []
    assert listed.look(MINUTE_MS) == [(alarm, "Ben")]


def test_after_a_restart_it_goes_on_where_it_was(listed: Listed) -> None:
    alarm = listed.early()
    listed.phones.told()
    listed.alarms.close()
    listed.alarms = listed.new()
    assert listed.look(MINUTE_MS) == []
    assert listed.look(MINUTE_MS) == [(alarm, "Ben")]


def cold(listed: Listed, seconds: int) -> list[tuple[str, str]]:
    """Solution too cold for so long, with a look every five seconds; whom it told."""
    for _ in range(0, seconds, 5):
        listed.ward.lid(B1, "closed", 5, 19_000)
        listed.alarms.look()
    return listed.phones.told()


def test_a_medium_alarm_goes_to_the_first_whom_it_reaches_and_to_the_list_when_it_rises(listed: Listed) -> None:
    listed.ward.soaking("A1")
    [(alarm, person)] = cold(listed, 60)
    assert person == "Anna"
    assert cold(listed, 2 * 60 + 20) == [(alarm, "Anna")]  # it has become a high one
    assert listed.phones.sent == []
    assert cold(listed, 2 * 60) == [(alarm, "Ben")]


def test_in_quiet_hours_and_on_closed_days_only_high_comes_through(listed: Listed) -> None:
    policy = listed.ward.recording.get(Policy, "site")
    listed.ward.recording.put(replace(policy, closed_on=("2026-03-02",)))
    listed.ward.soaking("A1")
    assert [person for _, person in cold(listed, 60)] == ["Carl"]
    [rising] = cold(listed, 2 * 60 + 20)
    assert rising[1] == "Anna"


def test_with_nobody_on_the_list_nothing_is_told(ward: Ward) -> None:
    listed = Listed(ward, notify=[])
    alarm = listed.early()
    assert listed.look(HOUR_MS) == []
    assert ward.recording.get(Alarm, alarm).told == 0
    listed.alarms.close()


def test_what_became_of_it_is_on_record(listed: Listed) -> None:
    alarm = listed.early()
    listed.phones.known = [Outcome(alarm, "Anna", "json line 2", True, "taken", 2, listed.ward.now_ms)]
    listed.look()
    [record] = listed.records("alarm-route")
    assert record["about"] == f"alarm/{alarm}"
    assert record["outcome"] == {
        "person": "Anna",
        "route": "json line 2",
        "ok": True,
        "detail": "taken",
        "tries": 2,
        "at_ms": listed.ward.now_ms - SECOND_MS,
        "over": True,
    }
    assert verify(listed.ward.recording.data).wrong is None


def test_a_drill_each_day_and_who_got_it(ward: Ward) -> None:
    ward.lid(B1, "closed", 5)
    listed = Listed(ward, drill_at="09:30")
    assert listed.look() == []
    sent = listed.look(HOUR_MS)
    assert sent == [("drill-2026-03-02", "Anna"), ("drill-2026-03-02", "Ben")]
    assert listed.look(HOUR_MS) == []
    listed.phones.known = [Outcome("drill-2026-03-02", "Ben", "json line 2", True, "taken", 1, ward.now_ms)]
    listed.look()
    ward.do(ConfirmDrill(drill="2026-03-02", person="Ben"), SUPERVISOR)
    drill = ward.recording.get(Drill, "2026-03-02")
    assert drill.told["Ben"]["json line 2"].ok
    assert drill.told["Anna"]["json line 2"].ok is None
    assert drill.confirmed["Ben"].by == SUPERVISOR
    listed.alarms.close()
    listed.alarms = listed.new()
    assert listed.look() == []
    assert [key for key, _ in listed.look(24 * HOUR_MS)] == ["drill-2026-03-03"] * 2
    listed.alarms.close()


def test_a_database_that_takes_nothing_in_is_told_though_it_cannot_be_recorded(listed: Listed) -> None:
    listed.conditions.set("disk-full", detail="no space left")
    assert listed.look() == []
    listed.ward.recording.later(UNSTORED_MS)
    listed.alarms.tell_unstored()
    first = [(notice.key, notice.person, notice.priority) for notice in listed.phones.sent]
    assert first == [("condition-disk-full", each, Priority.HIGH) for each in ("Anna", "Ben", "Carl")]
    assert "no space left" in listed.phones.sent[0].body
    listed.phones.told()
    listed.alarms.tell_unstored()
    assert listed.look() == []


def test_over_a_real_route(ward: Ward, tmp_path: Path) -> None:
    """The thread, the process that sends, and a server that takes it; the outcome comes back to the ledger."""
    server = Server(TAKES)
    try:
        person = replace(ANNA, urls_file=str(file_of(tmp_path / "anna.txt", server.url)))
        settings = replace(site(), notify=[person])
        conditions = Conditions(ward.recording.clock)
        alarms = AlarmThread(ward.recording.data, ward.recording.clock, conditions, settings)
        alarms.start()
        ends_s = time.monotonic() + 60
        while alarms._alarms is None:
            time.sleep(0.02)
        ward.soaking("A1")
        ward.lid(B1, "closed", 60)
        ward.lid(B1, "open", 5)
        connection = ward.recording.desk.connection
        while not (found := list(records(connection, kinds=("alarm-route",)))):
            assert time.monotonic() < ends_s
            alarms.wake()
            time.sleep(0.05)
        alarms.stop()
    finally:
        server.close()
    assert server.titles() == ["HIGH: lid opened early"]
    assert "Basin 1: Opened with" in server.got[0]["message"]
    assert found[0].content()["outcome"]["ok"] is True
    assert "s3cretmark" not in found[0].body
