"""What the node says and takes, driven by hand: no thread, no broker, a clock under control."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from firmware.conversation import (
    MOST_LARGE_UNTAKEN,
    MOST_UNTAKEN,
    STALLED_MS,
    STATE_EVERY_MS,
    Arrived,
    Connected,
    Conversation,
    Disconnected,
    Taken,
)
from firmware.errors import OutboxError
from firmware.outbox import Outbox
from firmware.window import RESEND_MS, Window
from soak import wire
from soak.ranges import Range, Ranges
from soak.reading import Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms

A = "28-00000000000a"
BOOT = "9f6c0000-0000-4000-8000-000000000001"
UTC = "2026-03-02T09:14:07.250Z"


class HandClock:
    """Both clocks and the synchronisation as the test sets them."""

    boot_id = BOOT

    def __init__(self, utc_ms: int = 1_700_000_000_000) -> None:
        self.ms, self.wall_ms, self.in_step = 60_000, utc_ms, True

    def boot_ms(self) -> int:
        return self.ms

    def utc_ms(self) -> int:
        return self.wall_ms

    def synced(self) -> bool:
        return self.in_step

    def real_s(self, ms: int) -> float:
        return ms / 1000

    def pass_ms(self, ms: int) -> None:
        self.ms += ms
        self.wall_ms += ms


class Bench:
    """A conversation over a real outbox; what it says is kept, and taken by the broker when the test says so."""

    def __init__(self, folder: Path, most: int = 20_000) -> None:
        self.clock, self.open = HandClock(), True
        self.outbox = Outbox(folder, self.clock)
        self.stream = self.outbox.begin("b1", [A])
        self.said: list[tuple[int, wire.Batch | wire.State]] = []
        self.lost: list[tuple[str, list[Range]]] = []
        self.troubles: list[str] = []
        self.basins: list[wire.BasinSide] = []
        outbox_lost = self.outbox.lost

        def lost(stream: str, ranges: Iterable[Range]) -> None:
            self.lost.append((stream, list(ranges)))
            outbox_lost(stream, ranges)

        self.outbox.lost = lost  # type: ignore[method-assign]
        self.talk = Conversation(
            "n1",
            self.clock,
            [self.outbox],
            lambda: [wire.SensorSeen(A, "b1")],
            window=Window(most=most),
            troubles=lambda: self.troubles,
            basins=lambda: self.basins,
            send=self.send,
        )

    def send(self, topic: str, payload: bytes, retain: bool) -> int:
        node, kind = wire.parse_topic(topic)
        message = wire.decode(kind, payload)
        assert node == "n1"
        assert retain is isinstance(message, wire.State)
        self.said.append((len(self.said) + 1, message))
        return len(self.said)

    def read(self, count: int) -> None:
        for _ in range(count):
            self.clock.pass_ms(1_000)
            self.outbox.append([("b1", Reading(self.clock.ms, Why.TICK, Lid.CLOSED, {A: 21_000}))])
        self.outbox.write()

    def speak(self) -> list[wire.Batch | wire.State]:
        """What it says now."""
        before = len(self.said)
        self.talk.speak(self.clock.ms)
        return [message for _, message in self.said[before:]]

    def batches(self) -> list[tuple[int, int]]:
        return [(one.first, one.last) for one in self.speak() if isinstance(one, wire.Batch)]

    def states(self) -> list[wire.State]:
        return [one for one in self.speak() if isinstance(one, wire.State)]

    def tell(self, event: Connected | Disconnected | Taken | Arrived) -> None:
        self.talk.handle(event, self.clock.ms)

    def take_all(self) -> None:
        for number, _ in self.said:
            self.tell(Taken(number))

    def receipt(self, *ranges: Range, lost: Iterable[Range] = (), epoch: str = "e1", retained: bool = False) -> None:
        by = wire.Sender(epoch, f"run of {epoch}", UTC, UTC)
        message = wire.Receipt({self.stream: list(ranges)}, None, {self.stream: list(lost)}, by)
        self.tell(Arrived(wire.Topic.RECEIPT.of("n1"), wire.encode(message), retained))

    def close(self) -> None:
        if self.open:
            self.open = False
            self.outbox.close()

    def held(self) -> list[Range]:
        return list(self.outbox.held(self.stream))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path / "data")
    yield one
    one.close()


def test_nothing_is_said_while_nobody_listens(bench: Bench) -> None:
    bench.read(3)
    assert bench.speak() == []
    assert bench.talk.next_due_ms(bench.clock.ms) is None
    bench.tell(Connected())
    assert bench.batches() == [(1, 3)]
    assert bench.talk.next_due_ms(bench.clock.ms) == bench.clock.ms + STATE_EVERY_MS


def test_what_the_broker_has_not_taken_is_on_its_way_and_not_sent_again(bench: Bench) -> None:
    """A slow line may need longer for a backlog than a receipt may take."""
    bench.tell(Connected())
    bench.read(5)
    assert bench.batches() == [(1, 5)]
    bench.clock.pass_ms(3 * RESEND_MS)
    assert bench.batches() == []
    bench.take_all()
    bench.clock.pass_ms(RESEND_MS - 1)
    assert bench.batches() == []
    bench.clock.pass_ms(1)
    assert bench.batches() == [(1, 5)]


def test_what_the_broker_took_and_dropped_is_sent_again_while_connected(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(5)
    assert bench.batches() == [(1, 5)]
    bench.take_all()
    bench.receipt((4, 5))
    bench.clock.pass_ms(RESEND_MS)
    assert bench.batches() == [(1, 3)]


def test_what_was_on_its_way_when_the_connection_went_is_sent_again_at_once(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(5)
    assert bench.batches() == [(1, 5)]
    bench.tell(Disconnected("gone"))
    assert bench.speak() == []
    bench.tell(Connected())
    assert bench.batches() == [(1, 5)]


def test_messages_that_went_with_the_connection_do_not_count_as_waiting_for_the_broker(bench: Bench) -> None:
    bench.tell(Connected())
    for _ in range(MOST_UNTAKEN):
        bench.read(1)
        bench.speak()
    bench.read(1)
    assert bench.batches() == []
    bench.tell(Disconnected("gone"))
    bench.tell(Connected())
    assert bench.batches() == [(1, MOST_UNTAKEN), (MOST_UNTAKEN + 1, MOST_UNTAKEN + 1)]


def test_a_backlog_never_fills_the_clients_memory_and_fresh_readings_go_first(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "data", most=1_000)
    bench.read(5_000)
    bench.tell(Connected())
    assert bench.batches() == [(1, 500), (501, 1_000)]
    bench.read(2)
    bench.receipt((1, 500))
    assert bench.batches() == [(5_001, 5_002), (1_001, 1_498)]
    for _ in range(MOST_UNTAKEN):
        bench.read(1)
        bench.receipt((1, 5_002))
        bench.speak()
    assert bench.batches() == []
    bench.take_all()
    bench.read(1)
    assert bench.batches()
    bench.close()


def test_a_broker_that_takes_nothing_is_noticed_though_it_is_connected(bench: Bench) -> None:
    bench.tell(Connected())
    bench.clock.pass_ms(10 * STALLED_MS)
    assert not bench.talk.stalled(bench.clock.ms)  # it had nothing to take
    bench.read(1)
    bench.speak()
    bench.clock.pass_ms(STALLED_MS - 1)
    assert not bench.talk.stalled(bench.clock.ms)
    bench.clock.pass_ms(1)
    assert bench.talk.stalled(bench.clock.ms)
    bench.take_all()
    assert not bench.talk.stalled(bench.clock.ms)


def test_a_receipt_for_what_was_never_sent_is_refused_and_reported(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(5)
    bench.receipt((1, 3))
    assert bench.held() == [(1, 5)]  # not one has left yet
    bench.speak()
    bench.receipt((1, 3), (9, 2**53 - 1))
    assert bench.held() == [(4, 5)]
    bench.clock.pass_ms(STATE_EVERY_MS)
    assert [state.refused for state in bench.states()] == [{"receipt-ahead": 2}]


def test_numbers_that_an_earlier_stream_never_had_are_refused_too(bench: Bench, tmp_path: Path) -> None:
    bench.read(5)
    bench.close()
    later = Bench(tmp_path / "data")
    later.stream = bench.stream
    later.tell(Connected())
    later.receipt((1, 6))
    assert later.held() == []  # an earlier start of the node may have sent those that there were
    assert later.talk.refused == {"receipt-ahead": 1}
    later.close()


def test_the_first_receipt_after_a_start_is_taken_before_anything_was_said(bench: Bench, tmp_path: Path) -> None:
    bench.read(5)
    bench.close()
    later = Bench(tmp_path / "data")
    later.stream = bench.stream
    later.tell(Connected())
    later.receipt((2, 5))
    assert later.held() == [(1, 1)]
    later.close()


def test_what_the_collector_recorded_as_lost_reaches_the_source_and_nothing_held_is_let_go(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(5)
    bench.speak()
    bench.receipt(lost=[(1, 2), (5, 99)])
    assert bench.lost == [(bench.stream, [(1, 2), (5, 5)])]
    assert bench.held() == [(1, 5)]


def test_a_retained_receipt_of_data_that_were_restored_since_releases_nothing(bench: Bench) -> None:
    """Readings 1 to 5 are in the old data alone; the restored ones have 1 and 2."""
    bench.tell(Connected())
    bench.read(5)
    bench.speak()
    bench.tell(Disconnected("gone"))
    bench.tell(Connected())
    bench.receipt((1, 5), epoch="e1", retained=True)
    assert bench.held() == [(1, 5)]
    bench.receipt((1, 2), epoch="e2")
    assert bench.held() == [(3, 5)]
    assert bench.batches() == [(3, 5)]


def test_a_retained_receipt_counts_as_soon_as_the_same_data_speak(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(5)
    bench.speak()
    bench.receipt((1, 4), retained=True)
    assert bench.held() == [(1, 5)]
    orders = wire.Orders(1, "e1", {}, wire.Sender("e1", "run of e1", UTC, UTC))
    bench.tell(Arrived(wire.Topic.ORDERS.of("n1"), wire.encode(orders)))
    assert bench.held() == [(5, 5)]


def test_two_collectors_in_turn_are_a_trouble(bench: Bench) -> None:
    bench.tell(Connected())
    for epoch in ("e1", "e2", "e1"):
        bench.receipt(epoch=epoch)
    assert bench.states()[0].troubles == ["two collectors speak to this node"]


def orders(version: int, sent: str, min_mc: int = 20_000) -> wire.Orders:
    part = wire.BasinOrders(Requirement(min_mc, 720_000), {A: SensorTerms(500)}, good_for_s=60)
    return wire.Orders(version, "e1", {"b1": part}, wire.Sender("e1", "r1", UTC, sent))


def tell_orders(bench: Bench, message: wire.Orders, *, retained: bool = False) -> None:
    bench.tell(Arrived(wire.Topic.ORDERS.of("n1"), wire.encode(message), retained))


def test_orders_that_make_no_sense_are_reported_and_the_last_good_ones_kept_until_they_run_out(bench: Bench) -> None:
    tell_orders(bench, orders(5, UTC))
    good = orders(5, UTC).basins["b1"]
    tell_orders(bench, orders(4, UTC, min_mc=30_000))
    bench.tell(Arrived(wire.Topic.ORDERS.of("n1"), b'{"version": 9, "epoch": "e1", "basins": {"b1": 7}}'))
    assert bench.talk.orders is not None
    assert bench.talk.orders.of("b1", bench.clock.ms + 59_999) == good
    assert bench.talk.orders.of("b1", bench.clock.ms + 60_000) is None
    bench.tell(Connected())
    assert bench.states()[0].refused == {"orders-old": 1, "wrong-shape": 1}


def test_retained_orders_are_as_old_as_they_say_where_the_clock_can_tell(bench: Bench) -> None:
    sent = "2023-11-14T22:13:20.000Z"  # HandClock's beginning
    bench.clock.pass_ms(50_000)
    tell_orders(bench, orders(5, sent), retained=True)
    assert bench.talk.orders is not None
    assert bench.talk.orders.of("b1", bench.clock.ms + 9_999) is not None
    assert bench.talk.orders.of("b1", bench.clock.ms + 10_000) is None
    bench.clock.in_step = False
    tell_orders(bench, orders(6, sent), retained=True)
    assert bench.talk.orders.of("b1", bench.clock.ms + 59_999) is not None


def test_once_the_clock_is_synchronised_the_state_and_the_next_batch_say_so_at_once(bench: Bench) -> None:
    """A Pi that booted in 1970: the collector dates the readings before backwards from this pair."""
    bench.clock.wall_ms, bench.clock.in_step = 5_000, False
    bench.tell(Connected())
    bench.read(3)
    said = bench.speak()
    assert {one.clock.synced for one in said} == {False}
    assert {one.clock.utc[:10] for one in said} == {"1970-01-01"}
    bench.clock.pass_ms(100)
    assert bench.speak() == []
    bench.clock.wall_ms, bench.clock.in_step = 1_772_442_847_250, True
    state = bench.states()[0]
    assert (state.clock.utc, state.clock.synced) == ("2026-03-02T09:14:07.250Z", True)
    assert state.clock.ms == bench.clock.ms
    bench.read(1)
    batch = bench.speak()[0]
    assert isinstance(batch, wire.Batch)
    assert (batch.boot, batch.clock.synced) == (BOOT, True)
    assert batch.readings[0].ms - said[1].readings[-1].ms == 1_100  # type: ignore[union-attr]


def test_a_stream_that_cannot_be_read_holds_up_nobody_else(bench: Bench, tmp_path: Path) -> None:
    bench.read(5)
    bench.close()
    later = Bench(tmp_path / "data")
    later.tell(Connected())
    later.read(2)
    read = later.outbox.batch

    def batch(stream: str, first: int, most: int) -> wire.Batch:
        if stream == bench.stream:
            raise OutboxError(tmp_path, "disk I/O error\nat block 7.")
        return read(stream, first, most)

    later.outbox.batch = batch  # type: ignore[method-assign]
    assert later.batches() == [(1, 2)]
    troubles = later.states()[0].troubles
    assert troubles == [f"stream {bench.stream} cannot be read: {f'{tmp_path}: disk I/O error at block 7.'[:100]}"]
    later.outbox.batch = read  # type: ignore[method-assign]
    assert later.batches() == [(1, 5)]
    assert later.states()[0].troubles == []
    later.close()


def test_troubles_are_said_at_once_and_a_text_of_several_lines_does_no_harm(bench: Bench) -> None:
    bench.tell(Connected())
    assert bench.states()[0].troubles == []
    bench.troubles = ["one\ntwo\x1b[31m" + "x" * 300]
    assert bench.states()[0].troubles == [("one two [31m" + "x" * 300)[:200]]
    assert bench.states() == []


def test_what_the_outbox_gave_up_is_said_and_is_no_longer_waited_for(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(5)
    assert bench.batches() == [(1, 5)]
    bench.take_all()
    held = Ranges([(4, 5)])
    bench.outbox.held = lambda _stream: held  # type: ignore[method-assign]
    bench.outbox.dropped = 3
    bench.clock.pass_ms(RESEND_MS)
    said = bench.speak()
    assert [one.dropped for one in said if isinstance(one, wire.State)] == [3]
    assert [(one.first, one.last) for one in said if isinstance(one, wire.Batch)] == [(4, 5)]
    bench.take_all()
    bench.clock.pass_ms(1)
    due_ms = bench.talk.next_due_ms(bench.clock.ms)
    assert due_ms is not None
    assert due_ms > bench.clock.ms + 1_000  # nothing that is gone is due for ever


def test_a_reading_that_goes_while_it_is_being_sent_is_passed_over(bench: Bench) -> None:
    bench.tell(Connected())
    bench.read(2)
    read = bench.outbox.batch

    def gone(stream: str, first: int, most: int) -> wire.Batch:
        raise LookupError(f"Reading {first} of stream {stream} is not held.")

    bench.outbox.batch = gone  # type: ignore[method-assign]
    assert bench.batches() == []
    bench.outbox.batch = read  # type: ignore[method-assign]
    assert bench.batches() == [(1, 2)]


def test_little_of_the_past_is_handed_over_at_a_time_and_what_happens_now_goes_past_it(bench: Bench) -> None:
    """On a slow line the client's queue is where live readings would wait."""
    bench.read(5_000)
    bench.tell(Connected())
    assert len(bench.batches()) == MOST_LARGE_UNTAKEN
    bench.read(1)
    assert bench.batches() == [(5_001, 5_001)]
    bench.tell(Taken(bench.said[1][0]))
    assert bench.batches() == [(2_001, 2_500)]


# -------------------------------------------------------------------------------------------------- basins and orders


def test_what_changes_at_a_basin_is_said_at_once_and_a_lid_that_only_moves_with_the_next(bench: Bench) -> None:
    bench.talk.handle(Connected(), bench.clock.ms)
    assert bench.states()[0].basins == []
    bench.basins = [wire.BasinSide("b1", load=True, shows="soaking", moved_ms=1)]
    assert bench.states()[0].basins == bench.basins
    for moved_ms in range(2, 50):
        bench.basins = [wire.BasinSide("b1", load=True, shows="soaking", moved_ms=moved_ms)]
        assert bench.states() == []
    bench.clock.pass_ms(STATE_EVERY_MS)
    assert bench.states()[0].basins == bench.basins
    bench.basins = [wire.BasinSide("b1", load=True, shows="high alarm", alarm="opened-early", since_ms=60)]
    assert bench.states()[0].basins[0].alarm == "opened-early"


def test_the_collector_was_heard_when_it_spoke_and_not_when_the_broker_repeats_it(bench: Bench) -> None:
    payload = wire.encode(wire.Receipt({}))
    bench.talk.handle(Arrived(wire.Topic.RECEIPT.of("n1"), payload, retained=True), 5)
    assert bench.talk.heard_ms is None
    bench.talk.handle(Arrived(wire.Topic.RECEIPT.of("n1"), b"nonsense"), 6)
    assert bench.talk.heard_ms is None
    bench.talk.handle(Arrived(wire.Topic.RECEIPT.of("n1"), payload), 7)
    assert bench.talk.heard_ms == 7
