"""What to send next: fresh first, backlog oldest first, never too much, and again until a receipt covers it."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware.window import LONGEST_RESEND_MS, RESEND_MS, Offer, Parcel, Window
from soak.ranges import Ranges

OLD, NOW = "0" * 32, "1" * 32


def offer(stream: str, *ranges: tuple[int, int], current: bool = False) -> Offer:
    return Offer(stream, Ranges(ranges), current)


def send(window: Window, now_ms: int, *offers: Offer) -> list[Parcel]:
    parcels = window.plan(now_ms, offers)
    for parcel in parcels:
        window.sent(parcel, now_ms)
    return parcels


def test_fresh_readings_go_before_the_backlog_which_goes_oldest_first() -> None:
    window = Window(batch=500)
    window.connected(0)
    assert send(window, 0, offer(OLD, (1, 1200)), offer(NOW, (1, 30), current=True)) == [
        Parcel(OLD, 1, 500),
        Parcel(OLD, 501, 1000),
        Parcel(OLD, 1001, 1200),
        Parcel(NOW, 1, 30),
    ]
    window = Window(most=600, batch=500)
    window.connected(0)
    first = send(window, 0, offer(OLD, (1, 1200)), offer(NOW, (1, 30), current=True))
    assert first == [Parcel(OLD, 1, 500), Parcel(OLD, 501, 600)]
    window.receipt(OLD, [(1, 500)], 10)
    assert send(window, 10, offer(OLD, (501, 1200)), offer(NOW, (1, 31), current=True)) == [
        Parcel(NOW, 31, 31),
        Parcel(OLD, 601, 1099),
    ]


def test_what_was_read_while_disconnected_is_backlog() -> None:
    window = Window()
    window.connected(0)
    send(window, 0, offer(NOW, (1, 5), current=True))
    window.connected(100_000)
    assert window.plan(100_000, [offer(OLD, (1, 9)), offer(NOW, (6, 100), current=True)])[0] == Parcel(OLD, 1, 9)


def test_holes_in_what_is_held_are_never_bridged() -> None:
    window = Window()
    assert send(window, 0, offer(OLD, (3, 4), (8, 9))) == [Parcel(OLD, 3, 4), Parcel(OLD, 8, 9)]


def test_never_more_under_way_than_allowed() -> None:
    window = Window(most=1000, batch=300)
    assert [parcel.last - parcel.first + 1 for parcel in send(window, 0, offer(OLD, (1, 5000)))] == [300, 300, 300, 100]
    assert window.under_way() == 1000
    assert send(window, 1, offer(OLD, (1, 5000))) == []
    window.receipt(OLD, [(1, 300)], 2)
    assert window.under_way() == 700
    assert send(window, 2, offer(OLD, (301, 5000))) == [Parcel(OLD, 1001, 1300)]


def test_what_no_receipt_covers_is_sent_again_when_it_is_due_and_not_before() -> None:
    window = Window()
    window.connected(0)
    held = offer(OLD, (1, 10))
    assert send(window, 0, held) == [Parcel(OLD, 1, 10)]
    assert window.next_due_ms() == RESEND_MS
    assert send(window, RESEND_MS - 1, held) == []
    assert window.receipt(OLD, [(4, 5)], 5000) == [(4, 5)]
    left = offer(OLD, (1, 3), (6, 10))
    assert send(window, RESEND_MS, left) == [Parcel(OLD, 1, 3), Parcel(OLD, 6, 10)]


def test_without_receipts_nothing_further_is_sent_beyond_what_is_allowed_however_long_it_lasts() -> None:
    window = Window(most=100, batch=50)
    window.connected(0)
    seen = Ranges()
    for now in range(0, 500_000, 1000):
        for parcel in send(window, now, offer(OLD, (1, 5000)), offer(NOW, (1, 1 + now // 1000), current=True)):
            if parcel.stream == OLD:
                seen.add(parcel.first, parcel.last)
        assert window.under_way() == 100
    assert list(seen) == [(1, 100)]


def test_single_readings_that_no_receipt_covered_are_sent_again_together() -> None:
    window = Window()
    window.connected(0)
    window.plan(0, [offer(NOW, current=True)])
    for now in range(1, 6):
        assert send(window, now * 1000, offer(NOW, (1, now), current=True)) == [Parcel(NOW, now, now)]
    assert send(window, 15_000, offer(NOW, (1, 5), current=True)) == [Parcel(NOW, 1, 5)]


def test_while_nobody_answers_it_asks_ever_more_rarely_and_at_once_when_somebody_does() -> None:
    window = Window()
    window.connected(0)
    held = offer(OLD, (1, 10))
    sent_ms = [now for now in range(0, 1_000_000, 1000) if send(window, now, held)]
    assert sent_ms[:5] == [0, 10_000, 30_000, 70_000, 150_000]
    assert {later - earlier for earlier, later in pairwise(sent_ms[4:])} == {LONGEST_RESEND_MS}
    window.receipt(OLD, [(1, 1)], 960_000)
    assert send(window, 960_000, offer(OLD, (2, 10))) == [Parcel(OLD, 2, 10)]


def test_a_new_connection_makes_what_was_under_way_due_soon() -> None:
    window = Window()
    held = offer(OLD, (1, 10))
    for now in (0, 10_000, 30_000, 70_000):
        send(window, now, held)
    window.connected(75_000)
    assert window.next_due_ms() == 75_000 + RESEND_MS
    assert send(window, 85_000, held) == [Parcel(OLD, 1, 10)]


def test_of_a_stream_still_being_written_only_what_was_sent_can_be_covered() -> None:
    """A receipt for readings that never left would release the only copy."""
    window = Window()
    window.connected(0)
    send(window, 0, offer(NOW, (1, 5), current=True))
    assert window.receipt(NOW, [(1, 9)], 1) == [(1, 5)]
    window.plan(2, [offer(NOW, (6, 9), current=True)])
    assert window.receipt(NOW, [(1, 9)], 3) == [(1, 5)]


def test_of_an_earlier_stream_everything_can_be_covered_for_an_earlier_start_may_have_sent_it() -> None:
    window = Window()
    window.plan(0, [offer(OLD, (1, 5))])
    assert window.receipt(OLD, [(1, 9)], 1) == [(1, 9)]


def test_a_receipt_that_makes_no_sense_is_refused_and_changes_nothing() -> None:
    window = Window()
    send(window, 0, offer(OLD, (1, 5)))
    with pytest.raises(ValueError, match="must not end"):
        window.receipt(OLD, [(1, 5), (9, 7)], 1)
    assert window.under_way() == 5


class Net:
    """Sender and collector with a network between them that loses what it is told to lose."""

    def __init__(self, most: int) -> None:
        self.window, self.most, self.now_ms = Window(most=most, batch=7), most, 0
        self.held = {OLD: Ranges([(1, 40)]), NOW: Ranges()}
        self.newest = 0
        self.stored: dict[str, Ranges] = {OLD: Ranges(), NOW: Ranges()}
        self.window.connected(0)

    def read(self, count: int) -> None:
        if count:
            self.held[NOW].add(self.newest + 1, self.newest + count)
            self.newest += count

    def send(self, arrives: bool) -> None:
        offers = [Offer(OLD, self.held[OLD], False), Offer(NOW, self.held[NOW], True)]
        for parcel in self.window.plan(self.now_ms, offers):
            assert not self.held[parcel.stream].missing(parcel.first, parcel.last), "only what is held is sent"
            assert parcel.last - parcel.first < 7
            self.window.sent(parcel, self.now_ms)
            if arrives:
                self.stored[parcel.stream].add(parcel.first, parcel.last)
        assert self.window.under_way() <= self.most

    def receipt(self) -> None:
        for stream, stored in self.stored.items():
            covered = Ranges(self.window.receipt(stream, stored, self.now_ms))
            assert all(not stored.missing(*each) for each in covered), "only what is stored is released"
            self.held[stream] = Ranges(
                piece for first, last in self.held[stream] for piece in covered.missing(first, last)
            )

    def all_stored(self) -> bool:
        return not self.stored[OLD].missing(1, 40) and not self.stored[NOW].missing(1, self.newest)


_STEPS = st.lists(
    st.tuples(st.integers(0, 30_000), st.integers(0, 3), st.booleans(), st.booleans(), st.booleans()), max_size=40
)


@settings(max_examples=300)
@given(st.integers(1, 60), _STEPS)
def test_whatever_the_network_loses_everything_arrives_in_the_end(
    most: int, steps: list[tuple[int, int, bool, bool, bool]]
) -> None:
    net = Net(most)
    for pause_ms, readings, arrives, answered, reconnected in steps:
        net.now_ms += pause_ms
        net.read(readings)
        if reconnected:
            net.window.connected(net.now_ms)
        net.send(arrives)
        if answered:
            net.receipt()
    for _ in range(400):  # from now on nothing is lost
        if net.all_stored() and not net.window.under_way():
            break
        due_ms = net.window.next_due_ms()
        net.now_ms = max(net.now_ms + 1, due_ms if due_ms is not None else 0)
        net.send(True)
        net.receipt()
    assert net.all_stored()
    assert not net.held[OLD].count()
    assert not net.held[NOW].count()


def test_what_the_broker_has_not_taken_is_not_due_and_its_time_counts_from_when_it_has() -> None:
    window = Window()
    window.connected(0)
    held = offer(OLD, (1, 10))
    window.plan(0, [held])
    window.sent(Parcel(OLD, 1, 10), 0, message=7)
    assert window.next_due_ms() is None
    assert send(window, 10 * RESEND_MS, held) == []
    window.taken(8, 10 * RESEND_MS)  # another message's
    assert window.next_due_ms() is None
    window.taken(7, 10 * RESEND_MS)
    assert window.next_due_ms() == 11 * RESEND_MS
    assert send(window, 11 * RESEND_MS - 1, held) == []
    assert send(window, 11 * RESEND_MS, held) == [Parcel(OLD, 1, 10)]


def test_a_collector_that_is_only_behind_is_not_asked_ever_more_often() -> None:
    """Fresh readings are answered at once, a backlog waits its turn: it is sent again after 10, 20 and 40 s."""
    window = Window()
    window.connected(0)
    sent_ms = []
    for now in range(0, 100_000, 1_000):
        number = now // 1_000 + 1
        parcels = send(window, now, offer(OLD, (1, 10)), offer(NOW, (number, number), current=True))
        sent_ms += [now for parcel in parcels if parcel.stream == OLD]
        window.receipt(NOW, [(1, number)], now + 500)
    assert sent_ms == [0, 10_000, 30_000, 70_000]


def test_what_is_not_held_any_more_leaves_the_window() -> None:
    """The oldest readings of a full outbox go without a receipt, while they are under way, too."""
    window = Window(most=10)
    window.connected(0)
    assert send(window, 0, offer(OLD, (1, 100))) == [Parcel(OLD, 1, 10)]
    left = offer(OLD, (8, 100))
    assert send(window, RESEND_MS, left) == [Parcel(OLD, 8, 10), Parcel(OLD, 11, 17)]
    assert window.under_way() == 10
