"""Alarms under bad input: a chattering switch, wrong clocks, a basin that is gone, a locked database, many hands."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from kit import BOOT, SENSOR, arrived, batch, clock_at, site, stream_id
from msgspec.structs import replace
from record_kit import DAY_MS, MINUTE_MS, SECOND_MS, SUPERVISOR, TECHNICIAN, Recording
from ward_kit import B1, B2, BOOTED, Ward

from collector.alarms.engine import Alarms
from collector.conditions import Conditions
from collector.intake import Intake
from collector.record.alarms.answers import SeeAlarm, SilenceAlarm
from collector.record.errors import RefusedError
from collector.record.things import Alarm, Fill
from collector.schema import FILE_NAME
from collector.verify import verify
from soak.reading import Lid, Reading, Why
from soak.wire import HeldStream, State

YEAR_MS = 365 * DAY_MS


class Watched:
    """A ward and its alarms.

    Args:
        data: An empty folder.
        wrong_ms: By how much the node's wall clock is ahead.
        synced: The node says that it is synchronised.
    """

    def __init__(self, data: Path, wrong_ms: int = 0, *, synced: bool = True) -> None:
        self.ward = Ward(Recording(data))
        self.clock = self.ward.recording.clock
        self.wrong_ms, self.synced, self._sent = wrong_ms, synced, 0
        self.conditions = Conditions(self.clock)
        self.alarms = Alarms(data, self.clock, self.conditions)
        self.alarms.look()

    def close(self) -> None:
        self.alarms.close()
        self.ward.close()
        self.ward.recording.close()

    def all(self, code: str = "") -> list[Alarm]:
        return [alarm for alarm in self.ward.recording.all(Alarm) if code in ("", alarm.code)]

    def one(self, code: str) -> Alarm:
        [alarm] = self.all(code)
        return alarm

    def send(self, lids: list[tuple[int, Lid]], mc: int = 21_000) -> None:
        """Readings of basin 1 in a stream of their own: so long after now, in milliseconds, each."""
        began_ms = self.clock.now_ms
        readings = [Reading(began_ms + ms - BOOTED, Why.LID, lid, {SENSOR: mc}) for ms, lid in lids]
        clock = clock_at(readings[-1].ms, synced=self.synced, booted_utc_ms=BOOTED + self.wrong_ms)
        message = batch(readings, self._sent + 1, stream=stream_id(77), boot=BOOT, clock=clock)
        self._sent += len(readings)
        self.clock.now_ms = began_ms + lids[-1][0] + 1
        held = [HeldStream(stream_id(77), "b1", self._sent + 1, self._sent, BOOT)]
        self.ward._intake.take([arrived(message), arrived(State(True, "0.1.0", BOOT, clock, held))])

    def lid(self, lid: Lid, seconds: int, mc: int = 21_000) -> None:
        """A reading a second, and a look every five."""
        for _ in range(0, seconds, 5):
            self.send([(ms, lid) for ms in range(0, 5_000, 1_000)], mc)
            self.clock.now_ms += 999
            self.alarms.look()


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    found = Watched(tmp_path / "data")
    yield found
    found.close()


def test_a_switch_that_chatters_is_an_alarm_a_minute_at_most(watched: Watched) -> None:
    """At 50 Hz for two minutes, 6,000 edges: of one load one alarm that nobody has seen is raised in a minute."""
    watched.ward.soaking("A1")
    watched.lid(Lid.OPEN, 5)
    watched.lid(Lid.CLOSED, 60)
    for _ in range(120):
        watched.send([(ms, Lid.OPEN if ms // 20 % 2 == 0 else Lid.CLOSED) for ms in range(0, 1_000, 20)])
        watched.alarms.look()
    assert 2 <= len(watched.all("opened-early")) <= 3
    assert len(watched.all()) == len(watched.all("opened-early"))
    causes = [alarm.cause_ms for alarm in watched.all("opened-early")]
    assert all(after - before >= MINUTE_MS for before, after in zip(causes, causes[1:], strict=False))


def test_opened_again_after_somebody_has_seen_it_is_an_alarm_at_once(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid(Lid.OPEN, 5)
    watched.lid(Lid.CLOSED, 60)
    watched.lid(Lid.OPEN, 5)
    watched.ward.do(SeeAlarm(alarm=watched.one("opened-early").id))
    watched.lid(Lid.CLOSED, 10)
    watched.lid(Lid.OPEN, 5)
    assert len(watched.all("opened-early")) == 2


@pytest.mark.parametrize("synced", [False, True], ids=["not synchronised", "synchronised but wrong"])
@pytest.mark.parametrize("wrong_ms", [-YEAR_MS, YEAR_MS], ids=["behind", "ahead"])
def test_a_node_whose_clock_is_wrong_by_a_year(tmp_path: Path, wrong_ms: int, synced: bool) -> None:
    """Alarms are raised now, of causes that are dated by when they came."""
    watched = Watched(tmp_path / "data", wrong_ms, synced=synced)
    watched.ward.soaking("A1")
    began_ms = watched.clock.now_ms
    watched.lid(Lid.OPEN, 5)
    watched.lid(Lid.CLOSED, 60)
    watched.lid(Lid.CLOSED, 30, 19_000)
    assert [alarm.code for alarm in watched.all()] == ["below-minimum"]
    watched.lid(Lid.OPEN, 10)
    early = watched.one("opened-early")
    for alarm in watched.all():
        assert began_ms <= alarm.cause_ms <= alarm.raised_ms <= watched.clock.now_ms, alarm
        assert alarm.cleared_ms is None or began_ms <= alarm.cleared_ms <= watched.clock.now_ms, alarm
    assert not early.late
    watched.close()
