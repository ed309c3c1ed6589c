"""The collector at work: no receipt without a commit, one message set aside, a store that fails for a while."""

from __future__ import annotations

import logging
import sqlite3
import threading
from typing import Any

import pytest
from kit import Collecting, arrived, batch, looking, reading, site, soak, state, stream_id

from collector.intake import Arrived, Intake
from collector.service import MOST_MESSAGES, Service
from soak.wire import Batch, Receipt, Topic, encode

A, B, C = stream_id(1), stream_id(2), stream_id(3)
GOOD = [reading(1_000, "open"), reading(2_000, "open")]


class Working:
    """A service whose broker is not there; what it would send is kept, with what the disk had at that moment."""

    def __init__(self, collecting: Collecting) -> None:
        self.collecting, self.sent = collecting, list[tuple[str, Receipt, int]]()
        self.service = Service(site(port=9), collecting.store, collecting.clock, collecting.data_dir)
        self.service._link.send_receipt = self._send  # type: ignore[method-assign]
        self.stop = threading.Event()

    def _send(self, node: str, receipt: Receipt) -> None:
        with looking(self.collecting.data_dir) as other:
            (stored,) = other.execute("SELECT ifnull(sum(stored), 0) FROM stream").fetchone()
        self.sent.append((node, receipt, stored))

    def take(self, *messages: Arrived) -> None:
        self.service._take(list(messages), self.stop)

    def receipts(self) -> dict[str, list[tuple[int, int]]]:
        return {stream: ranges for _, receipt, _ in self.sent for stream, ranges in receipt.streams.items()}


@pytest.fixture
def working(collecting: Collecting, monkeypatch: pytest.MonkeyPatch) -> Working:
    monkeypatch.setattr("collector.storing.RETRY_S", 0.001)
    return Working(collecting)


def _message(stream: str, readings: list[Any] | None = None) -> Arrived:
    return arrived(batch(readings or GOOD, stream=stream))


def test_when_a_receipt_goes_out_the_disk_has_what_it_covers(working: Working) -> None:
    working.take(_message(A), _message(B))
    assert [(node, stored) for node, _, stored in working.sent] == [("n1", 4)]
    assert working.receipts() == {A: [(1, 2)], B: [(1, 2)]}


@pytest.mark.parametrize(
    "error",
    [
        RuntimeError("a bug"),
        sqlite3.IntegrityError("UNIQUE constraint failed"),
        sqlite3.DataError("string or blob too big"),
        OverflowError("Python int too large to convert to SQLite INTEGER"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_one_message_that_this_program_fails_on_is_set_aside(
    working: Working, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, error: Exception
) -> None:
    """Whatever the fault in it: those before and after it in the same commit are kept and receipted."""
    take_batch = Intake._take_batch

    def failing(self: Intake, node: str, content: Batch) -> None:
        take_batch(self, node, content)
        if content.stream == B:
            raise error

    monkeypatch.setattr(Intake, "_take_batch", failing)
    working.take(_message(A), _message(B), _message(C))
    assert working.receipts() == {A: [(1, 2)], C: [(1, 2)]}
    assert [len(working.collecting.readings(stream)) for stream in (A, B, C)] == [2, 0, 2]
    assert working.collecting.parked() == [
        ("unexpected", "this program failed on it; the log has the trace. Please report it.")
    ]
    assert working.collecting.rows("SELECT reason, times FROM parked_count") == [("unexpected", 1)]
    (said,) = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert said.exc_info
    assert said.exc_info[1] is error
    monkeypatch.setattr(Intake, "_take_batch", take_batch)
    working.take(_message(B))  # sent again after the program was mended
    assert working.receipts()[B] == [(1, 2)]


def test_a_store_that_fails_for_a_while_is_tried_again(working: Working, monkeypatch: pytest.MonkeyPatch) -> None:
    """Full, locked, not answering: nothing is set aside and nothing receipted until it is on the disk."""
    take, failures = Intake.take, iter([sqlite3.OperationalError("database or disk is full")] * 3)

    def failing(self: Intake, messages: list[Arrived]) -> dict[str, Receipt]:
        receipts = take(self, messages) if not (error := next(failures, None)) else {}
        if error:
            assert working.sent == []
            raise error
        return receipts

    monkeypatch.setattr(Intake, "take", failing)
    working.take(_message(A))
    assert working.receipts() == {A: [(1, 2)]}
    assert working.collecting.parked() == []


def test_it_stops_while_nothing_can_be_stored(working: Working, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*_: object) -> dict[str, Receipt]:
        raise sqlite3.OperationalError("database is locked")

    monkeypatch.setattr(Intake, "take", failing)
    threading.Timer(0.05, working.stop.set).start()
    working.take(_message(A))
    assert working.sent == []


def test_it_survives_when_not_even_setting_aside_works(working: Working, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*_: object) -> None:
        raise RuntimeError("a bug")

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(Intake, "_take_batch", failing)
    monkeypatch.setattr(working.collecting.store, "park", full)
    working.take(_message(A))
    assert (working.sent, working.collecting.parked()) == ([], [])


def test_told_to_stop_it_takes_in_one_more_batch_of_messages(working: Working) -> None:
    """What waits has no receipt and comes again; who stops it need not wait for all of it."""
    lanes = working.service._link.lanes
    readings = [reading(1_000 * number, "open") for number in range(1, 901)]
    for number in range(10, 60):
        lanes.put(_message(stream_id(number), readings))
    lanes.put(_message(A))
    working.stop.set()
    working.service.run(working.stop)
    assert working.receipts()[A] == [(1, 2)]
    assert 40 < len(lanes.past) < 50
    assert len(working.receipts()) == 1 + 50 - len(lanes.past)


def test_fresh_messages_go_before_past_ones(working: Working) -> None:
    lanes = working.service._link.lanes
    readings = [reading(1_000 * number, "open") for number in range(1, 901)]
    for number in range(10, 30):
        lanes.put(_message(stream_id(number), readings))
    states = [Arrived(Topic.STATE.of("n1"), encode(state(ms=number))) for number in range(3_000)]
    for message in states:
        lanes.put(message)
    messages = working.service._next_messages()
    fresh = len([message for message in messages if message in states])
    assert 500 < fresh <= MOST_MESSAGES
    assert messages[:fresh] == states[:fresh]
    assert 0 < len(messages[fresh:]) < 10
    assert working.service._next_messages()[0] == states[fresh]


def test_a_damaged_page_stops_its_own_stream_and_no_other(working: Working, caplog: pytest.LogCaptureFixture) -> None:
    """A closure in progress cannot be read again: that is said, and the other basins are watched on."""
    collecting = working.collecting
    readings = [reading(1_000 * number, "closed") for number in range(1, 3_700)]
    for start in range(0, len(readings), 900):
        collecting.take(batch(readings[start : start + 900], start + 1))
    with collecting.store.transaction():
        collecting.store.db.conn.execute("DROP TRIGGER page_update")
        collecting.store.db.conn.execute("UPDATE page SET body = x'00'")
    caplog.clear()
    collecting.restart()
    working = Working(collecting)
    assert "A page was cut short or made longer." in caplog.text
    working.take(arrived(batch([reading(3_700_000, "open")], 3_700)), _message(B, soak(720_000)))
    assert working.receipts() == {B: [(1, 723)]}
    assert [reason for reason, _ in collecting.parked()] == ["unexpected"]
    assert [each.closure.verdict for each in collecting.closures()] == ["met"]
