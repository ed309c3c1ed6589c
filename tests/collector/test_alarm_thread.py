"""The alarms' thread: it looks by itself, goes on after failures, and says when it cannot."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator

import pytest
from kit import site
from ward_kit import B1, Ward

from collector.alarms import thread
from collector.alarms.thread import AlarmThread
from collector.conditions import Conditions
from collector.record.things import Alarm


@pytest.fixture
def running(ward: Ward) -> Iterator[tuple[AlarmThread, Conditions]]:
    conditions = Conditions(ward.recording.clock)
    alarms = AlarmThread(ward.recording.data, ward.recording.clock, conditions, site())
    alarms.start()
    yield alarms, conditions
    alarms.stop()


def until(so: Callable[[], object]) -> None:
    """Wait until it is so; the limit is only there for the test to end."""
    ends_s = time.monotonic() + 60
    while not so():
        assert time.monotonic() < ends_s
        time.sleep(0.02)


def codes(ward: Ward) -> list[str]:
    return [alarm.code for alarm in ward.recording.all(Alarm) if alarm.basin == B1]


def early(ward: Ward, alarms: AlarmThread) -> None:
    ward.soaking("A1")
    ward.lid(B1, "closed", 60)
    ward.lid(B1, "open", 10)
    alarms.wake()


def test_it_looks_by_itself(ward: Ward, running: tuple[AlarmThread, Conditions]) -> None:
    alarms, conditions = running
    until(lambda: alarms._alarms)
    early(ward, alarms)
    until(lambda: codes(ward) == ["opened-early"])
    alarms.watch()
    assert conditions.standing() == []


def test_what_keeps_it_from_looking_is_said_and_it_goes_on_afterwards(
    ward: Ward, running: tuple[AlarmThread, Conditions], monkeypatch: pytest.MonkeyPatch
) -> None:
    alarms, conditions = running
    until(lambda: alarms._alarms)
    assert alarms._alarms
    failing = True

    def failed(*_: object) -> None:
        if failing:
            raise sqlite3.OperationalError("database is locked")
        whole()

    whole = alarms._alarms.look
    monkeypatch.setattr(alarms._alarms, "look", failed)
    monkeypatch.setattr(thread, "STUCK_S", -1.0)
    early(ward, alarms)
    until(lambda: alarms._problem)
    alarms.watch()
    [condition] = conditions.standing()
    assert condition.code == "alarms-stuck"
    assert "database is locked" in condition.text
    failing = False
    monkeypatch.setattr(thread, "STUCK_S", 30.0)
    alarms.wake()
    until(lambda: codes(ward) == ["opened-early"] and not alarms._problem)
    alarms.watch()
    assert conditions.standing() == []
