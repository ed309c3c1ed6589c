"""Alarms under bad input: a chattering switch, wrong clocks, a basin that is gone, a locked database, many hands."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from functools import partial
from pathlib import Path
from random import Random

import pytest
from kit import BOOT, SENSOR, arrived, batch, clock_at, site, stream_id
from msgspec.structs import replace
from record_kit import DAY_MS, MINUTE_MS, TECHNICIAN, Recording
from ward_kit import B1, B2, BOOTED, Ward

from collector.alarms import due, engine
from collector.alarms.engine import Alarms
from collector.alarms.held import Held, Key
from collector.alarms.routes import Routes
from collector.conditions import Conditions
from collector.ledger import records
from collector.record import shelf
from collector.record.alarms.answers import SeeAlarm, SilenceAlarm
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.patch import patched
from collector.record.things import Alarm, Fill, Load
from collector.schema import FILE_NAME
from collector.settings import BasinSettings, SensorSettings
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
        self.data, self.ward = data, Ward(Recording(data))
        self.clock = self.ward.recording.clock
        self.wrong_ms, self.synced, self._sent = wrong_ms, synced, 0
        self.conditions = Conditions(self.clock)
        self.alarms = Alarms(data, self.clock, self.conditions, site(), Routes([], self.clock))
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

    def send(self, lids: list[tuple[int, Lid]], mc: int = 21_000, at_ms: int | None = None) -> None:
        """Readings of basin 1 in a stream of their own: so long after now, or after another moment, each."""
        began_ms = self.clock.now_ms if at_ms is None else at_ms
        readings = [Reading(began_ms + ms - BOOTED, Why.LID, lid, {SENSOR: mc}) for ms, lid in lids]
        clock = clock_at(readings[-1].ms, synced=self.synced, booted_utc_ms=BOOTED + self.wrong_ms)
        message = batch(readings, self._sent + 1, stream=stream_id(77), boot=BOOT, clock=clock)
        self._sent += len(readings)
        self.clock.now_ms = max(self.clock.now_ms, began_ms + lids[-1][0] + 1)
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
    """At 50 Hz for 70 s, 3,500 edges: of one load one alarm that nobody has seen is raised in a minute."""
    watched.ward.soaking("A1")
    watched.lid(Lid.OPEN, 5)
    watched.lid(Lid.CLOSED, 60)
    for second in range(70):
        watched.send([(ms, Lid.OPEN if ms // 20 % 2 == 0 else Lid.CLOSED) for ms in range(0, 1_000, 20)])
        if second % 5 == 0:
            watched.alarms.look()
    while watched.alarms.follow():
        pass
    early = watched.all("opened-early")
    assert len(early) == 2
    assert watched.all() == early
    assert early[1].cause_ms - early[0].cause_ms >= MINUTE_MS


def test_opened_again_after_somebody_has_seen_it_is_an_alarm_at_once(watched: Watched) -> None:
    watched.ward.soaking("A1")
    watched.lid(Lid.OPEN, 5)
    watched.lid(Lid.CLOSED, 60)
    watched.lid(Lid.OPEN, 5)
    watched.ward.do(SeeAlarm(alarm=watched.one("opened-early").id))
    watched.lid(Lid.CLOSED, 10)
    watched.lid(Lid.OPEN, 5)
    assert len(watched.all("opened-early")) == 2


@pytest.mark.parametrize(
    ("wrong_ms", "synced"),
    [(-YEAR_MS, False), (YEAR_MS, False), (-YEAR_MS, True), (20 * 60 * MINUTE_MS, True)],
    ids=["behind", "ahead", "behind and said to be right", "ahead and said to be right"],
)
def test_a_node_whose_clock_is_wrong(tmp_path: Path, wrong_ms: int, synced: bool) -> None:
    """Alarms are raised now, of causes that are dated by when they came."""
    watched = Watched(tmp_path / "data", wrong_ms, synced=synced)
    try:
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
        watched.lid(Lid.OPEN, 11 * 60)
        [left_open] = [alarm for alarm in watched.all("lid-left-open") if alarm.basin == B1]
        assert early.cause_ms <= left_open.cause_ms <= early.cause_ms + 10_000
    finally:
        watched.close()


def test_a_synchronised_clock_a_year_ahead_is_not_believed_and_the_soak_is_said_not_to_be_watched(
    tmp_path: Path,
) -> None:
    """Its readings are set aside, so nothing is known of the soak: that is an alarm."""
    watched = Watched(tmp_path / "data", YEAR_MS)
    try:
        watched.ward.soaking("A1")
        watched.lid(Lid.CLOSED, 10)
        watched.conditions.set("basin-silent", B1, "for more than 30 s")  # as the watch of the collector says
        watched.alarms.look()
        assert watched.one("readings-missing").basin == B1
    finally:
        watched.close()


def test_readings_that_come_late_are_not_taken_for_a_wrong_clock(watched: Watched) -> None:
    """After an outage of hours a load that began meanwhile is not said to have been opened early."""
    watched.lid(Lid.OPEN, 5)
    late_ms = watched.clock.now_ms
    watched.clock.now_ms += 3 * 60 * MINUTE_MS
    watched.ward.soaking("A1")
    watched.clock.now_ms += 2 * MINUTE_MS
    lids = [(ms, Lid.CLOSED if 5_000 < ms < 90_000 else Lid.OPEN) for ms in range(0, 100_000, 1_000)]
    watched.send(lids, at_ms=late_ms)
    watched.alarms.look()
    assert {alarm.code for alarm in watched.all()} <= {"lid-left-open"}


def test_a_basin_that_is_gone_from_the_settings(watched: Watched) -> None:
    """Its load was never taken out: what is known of it stays, nothing fails, and other basins are looked at."""
    watched.ward.soaking("A1")
    watched.lid(Lid.CLOSED, 30, 19_000)
    assert watched.one("below-minimum").cleared_ms is None
    watched.ward._store.apply(site(basins=[BasinSettings("n1", "b2", "Basin 2", {SENSOR: SensorSettings(u_c="0.5")})]))
    watched.alarms.look()
    watched.conditions.set("basin-silent", B1, "for more than 30 s")
    watched.alarms.look()
    assert watched.one("readings-missing").basin == B1
    recording, now_ms = watched.ward.recording, watched.clock.now_ms
    recording.put(replace(recording.get(Fill, "F2"), failed_ms=now_ms))
    recording.put(Load(id="L9", basin="n9/b9", fill="F9", began_ms=now_ms, by=TECHNICIAN, turns=("T9",)))
    recording.put(Load(id="L8", basin=B2, fill="F2", began_ms=now_ms, by=TECHNICIAN, turns=("T8",)))
    watched.alarms.look()
    assert watched.one("bad-fill").basin == B2


def test_a_database_that_is_locked_while_an_alarm_is_due(watched: Watched) -> None:
    """Raised once it is free, dated when it began."""
    watched.ward.soaking("A1")
    watched.lid(Lid.OPEN, 5)
    watched.lid(Lid.CLOSED, 60)
    watched.send([(0, Lid.OPEN)])
    opened_ms = watched.clock.now_ms - 1
    watched.alarms._connection.execute("PRAGMA busy_timeout = 1")
    with closing(sqlite3.connect(watched.data / FILE_NAME)) as other:
        other.execute("BEGIN IMMEDIATE")
        for _ in range(2):
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                watched.alarms.look()
        other.rollback()
    watched.clock.now_ms += 2 * MINUTE_MS
    watched.alarms.look()
    early = watched.one("opened-early")
    assert (early.cause_ms, early.raised_ms, early.late) == (opened_ms, watched.clock.now_ms, True)


def twice_standing(connection: sqlite3.Connection) -> list[str]:
    """Alarms that were raised, by the records, while another of the same code stood about the same thing."""
    alarms: dict[str, dict[str, object]] = {}
    found = []
    for record in records(connection):
        for alarm_id, patch in record.content().get("changes", {}).get("alarm", {}).items():
            alarms[alarm_id] = one = patched(alarms.get(alarm_id), patch)
            alike = [
                each["id"]
                for each in alarms.values()
                if "ended_ms" not in each and (each["code"], each["about"]) == (one["code"], one["about"])
            ]
            found += [f"record {record.number}: {alike} stand"] if len(alike) > 1 else []
    return found


def test_looks_among_the_deeds_of_many(watched: Watched) -> None:
    """People see and silence while two engines look: no two standing alarms of one code about one thing."""
    watched.ward.soaking("A1")
    watched.lid(Lid.OPEN, 5)
    over, failed = threading.Event(), list[BaseException]()

    def people(seed: int) -> None:
        dice = Random(seed)
        with Desk(watched.data, watched.clock) as desk:
            while not over.is_set():
                standing = shelf.find_all(desk.connection, Alarm, only_open=True)
                deed = dice.choice((SeeAlarm, SilenceAlarm))
                with suppress(RefusedError):
                    desk.do(deed(alarm=dice.choice(standing).id if standing else "W1"), TECHNICIAN)
                over.wait(0.005)

    def another() -> None:
        alarms = Alarms(watched.data, watched.clock, Conditions(watched.clock), site(), Routes([], watched.clock))
        while not over.is_set():
            alarms.look()
            over.wait(0.005)
        alarms.close()

    def guarded(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:
            failed.append(error)

    workers = [partial(people, 1), partial(people, 2), another]
    threads = [threading.Thread(target=guarded, args=(work,)) for work in workers]
    for each in threads:
        each.start()
    try:
        for _ in range(6):
            watched.lid(Lid.CLOSED, 20, 19_000)
            watched.lid(Lid.OPEN, 5)
            watched.lid(Lid.CLOSED, 40)
    finally:
        over.set()
        for each in threads:
            each.join()
    assert failed == []
    assert len(watched.all("opened-early")) >= 6
    assert twice_standing(watched.ward.recording.desk.connection) == []
    assert verify(watched.data).wrong is None


def test_what_takes_long_to_find_out_is_asked_for_a_little_at_a_time(
    watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looks at what is so now go on in between, and what is due stands until it was all asked for again."""
    asked = list[str]()

    def ask(held: Held) -> Iterator[Held | None]:
        for step in ("one", "two"):
            asked.append(step)
            yield None
        yield held

    late = Held(Key("mec-test-due", "F1"), "Basin 1: fill F1 has not been tested.", 1, B1)
    monkeypatch.setattr(due, "MOST_S", -1.0)
    looking = due.Due()
    assert [looking.look(lambda: ask(late)) for _ in range(3)] == [{}, {}, {late.key: late}]
    assert asked == ["one", "two"]
    assert looking.look(lambda: ask(late)) == {late.key: late}
    assert asked == ["one", "two"]  # not yet again
    monkeypatch.setattr(due, "DUE_EVERY_S", -1.0)
    monkeypatch.setattr(due, "MOST_S", 60.0)
    again = replace(late, text="Basin 1: fill F1 has still not been tested.")
    assert looking.look(lambda: ask(again)) == {late.key: again}

    def failing() -> Iterator[Held | None]:
        yield None
        raise sqlite3.OperationalError("disk I/O error")

    with pytest.raises(sqlite3.OperationalError):
        looking.look(failing)
    assert looking.look(lambda: ask(late)) == {late.key: late}


def test_many_records_at_once_are_followed_in_parts_between_which_is_looked(
    watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long past keeps nobody from an alarm about now, and none of its own is passed over."""
    watched.ward.soaking("A1")
    watched.alarms.look()
    for _ in range(4):
        watched.send([(ms, Lid.OPEN if ms < 5_000 else Lid.CLOSED) for ms in range(0, 80_000, 1_000)])
    watched.send([(0, Lid.OPEN)])
    fill = watched.ward.recording.get(Fill, "F1")
    watched.ward.recording.put(replace(fill, failed_ms=watched.clock.now_ms))
    monkeypatch.setattr(engine, "MOST_ALARMS", 1)
    assert watched.alarms.look()  # there is more
    assert [alarm.code for alarm in watched.all()] == ["opened-early", "bad-fill"]
    monkeypatch.setattr(engine, "MOST_S", -1.0)
    assert watched.alarms.follow()  # no time for any
    monkeypatch.undo()
    while watched.alarms.follow():
        pass
    assert len(watched.all("opened-early")) == 4
