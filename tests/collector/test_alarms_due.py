"""What is due, runs out or grows at the site."""

from __future__ import annotations

import shutil
from typing import NamedTuple

import pytest
from kit import BOOT, clock_at
from msgspec.structs import replace
from record_kit import DAY_MS, HOUR_MS, MINUTE_MS
from ward_kit import B1, B2, BOOTED, PROFILE, Ward

from collector.alarms.due import due_held
from collector.alarms.held import Held
from collector.conditions import Condition
from collector.read import NodeNow
from collector.record.book import Book
from collector.record.rounds.unassigned import Answer, AnswerClosures
from collector.record.things import Fill, MecPolicy, Policy
from soak.wire import State

NOBODY: tuple[NodeNow, ...] = ()


def held(
    ward: Ward, nodes: tuple[NodeNow, ...] = NOBODY, conditions: tuple[Condition, ...] = ()
) -> dict[tuple[str, str], Held]:
    book = Book.looking(ward.recording.desk.connection, ward.now_ms)
    return {tuple(each.key): each for each in due_held(book, nodes, conditions, ward.recording.data) if each}


def changed(ward: Ward, number: int, **changes: object) -> None:
    ward.recording.put(replace(ward.recording.get(Fill, f"F{number}"), **changes))


def test_nothing_is_due_at_a_site_where_all_is_well(ward: Ward) -> None:
    assert held(ward) == {}


def test_a_fill_that_runs_out_before_the_next_working_day(ward: Ward) -> None:
    changed(ward, 1, use_by_ms=ward.now_ms + HOUR_MS)
    [(key, found)] = held(ward).items()
    assert key == ("fill-runs-out", "F1")
    assert found.basin == B1
    assert found.text.startswith("Fill F1 in Basin 1 runs out at ")


def test_a_fill_not_tested_since_it_was_topped_up(ward: Ward) -> None:
    changed(ward, 2, tested_after_ms=ward.now_ms)
    ward.recording.later(14 * MINUTE_MS)
    assert held(ward) == {}
    ward.recording.later(MINUTE_MS)
    [(key, found)] = held(ward).items()
    assert key == ("mec-test-due", "F2")
    assert found.text == "Basin 2: fill F2 has not been tested since it was poured or topped up."
    ward.tested(B2)
    assert held(ward) == {}


def test_a_daily_test_on_working_days_only(ward: Ward) -> None:
    ward.recording.put(
        replace(PROFILE, mec_daily_allowed=True),
        replace(ward.recording.get(Policy, "site"), mec=MecPolicy.DAILY, closed_on=("2026-03-04",)),
    )
    assert held(ward) == {}
    ward.recording.later(DAY_MS)
    assert set(held(ward)) == {("mec-test-due", "F1"), ("mec-test-due", "F2")}
    ward.recording.later(DAY_MS)
    assert held(ward) == {}


def test_a_sensor_that_was_never_checked(ward: Ward) -> None:
    ward.recording.put(replace(ward.recording.get(Policy, "site"), sensor_check_days=90))
    assert set(held(ward)) == {("sensor-check-due", B1), ("sensor-check-due", B2)}


def test_closures_of_earlier_days_until_they_are_answered_or_their_day_is_signed(ward: Ward) -> None:
    ward.lid(B1, "closed", 5 * 60)
    ward.lid(B1, "open", 10)
    assert held(ward) == {}  # today's are nobody's fault yet
    ward.recording.later(DAY_MS)
    found = held(ward)["unassigned-waiting", "site"]
    assert found.text == "1 closure of an earlier day waits to be assigned, and no review of the day is signed."
    book = Book.looking(ward.recording.desk.connection, ward.now_ms)
    [closure] = [
        each.key for each in book.closures(B1, ward.now_ms - 2 * DAY_MS, ward.now_ms) if each.closure.closed_ms > 60_000
    ]
    ward.do(AnswerClosures(closures=(closure,), answer=Answer.EMPTY))
    assert ("unassigned-waiting", "site") not in held(ward)


def node(ward: Ward, *, synced: bool) -> tuple[NodeNow, ...]:
    clock = clock_at(ward.now_ms - BOOTED, booted_utc_ms=BOOTED, synced=synced)
    return (NodeNow("n1", ward.now_ms, True, State(up=True, boot=BOOT, clock=clock)),)


def test_a_clock_that_is_not_synchronised(ward: Ward) -> None:
    assert held(ward, node(ward, synced=True)) == {}
    assert set(held(ward, node(ward, synced=False))) == {("clock-unsynchronised", "n1")}


def test_an_outbox_that_grows(ward: Ward) -> None:
    grows = Condition("outbox-growing", "n1", "900 more than 2 min ago", ward.now_ms)
    assert set(held(ward, conditions=(grows,))) == {("outbox-growing", "n1")}


@pytest.mark.parametrize("code", ["certificate-ending", "certificate-ended", "authority-ending"])
def test_a_certificate_that_ends(ward: Ward, code: str) -> None:
    """One alarm for all of them: only what is about "site" and the like ends by itself, and addresses have colons."""
    ends = Condition(code, "/etc/soakledger/tls/broker.pem", "on 2026-05-01, in 50 days", ward.now_ms)
    shown = Condition(code, "shown at 127.0.0.1:8883", "on 2026-05-01, in 50 days", ward.now_ms - 1)
    found = held(ward, conditions=(ends, shown))
    assert set(found) == {("certificate-ends", "site")}
    assert found["certificate-ends", "site"].cause_ms == ward.now_ms - 1
    assert all(each.subject in found["certificate-ends", "site"].text for each in (ends, shown))


class _Usage(NamedTuple):
    total: int
    used: int
    free: int


@pytest.mark.parametrize(("free", "due"), [(10, False), (9, True)])
def test_a_disk_nearly_full(ward: Ward, monkeypatch: pytest.MonkeyPatch, free: int, due: bool) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: _Usage(100, 100 - free, free))
    assert (("disk-nearly-full", "site") in held(ward)) == due
