"""Whom to believe: a retained receipt of data that were restored since, two collectors at once."""

from __future__ import annotations

from firmware.speakers import TWO_FOR_MS, Speakers
from soak.wire import Orders, Receipt, Sender

STREAM = "0" * 32
UTC = "2026-03-02T09:14:07.250Z"


def receipt(epoch: str | None, run: str = "r1", last: int = 9) -> Receipt:
    by = Sender(epoch, run, UTC, UTC) if epoch else None
    return Receipt({STREAM: [(1, last)]}, by=by)


def orders(epoch: str, run: str = "r1") -> Orders:
    return Orders(1, epoch, {}, Sender(epoch, run, UTC, UTC))


def test_a_retained_receipt_waits_until_somebody_with_the_same_data_speaks() -> None:
    one = Speakers()
    one.connected()
    assert one.receipts(receipt("e1"), 0, retained=True) == []
    assert one.receipts(receipt("e1", "r2", 4), 1, retained=False) == [receipt("e1"), receipt("e1", "r2", 4)]
    assert one.receipts(receipt("e1", "r2", 5), 2, retained=False) == [receipt("e1", "r2", 5)]
    one.connected()
    assert one.receipts(receipt("e1"), 0, retained=True) == []
    assert one.orders(orders("e1", "r2"), 1, retained=True) == []  # that was retained, too: nobody speaks
    assert one.orders(orders("e1", "r2"), 1, retained=False) == [receipt("e1")]


def test_a_retained_receipt_from_before_a_restore_is_forgotten() -> None:
    one = Speakers()
    one.connected()
    assert one.receipts(receipt("e1"), 0, retained=True) == []
    assert one.receipts(receipt("e2", "r2", 4), 1, retained=False) == [receipt("e2", "r2", 4)]
    assert one.receipts(receipt("e1"), 1, retained=True) == []
    assert not one.two(1)


def test_who_does_not_say_who_it_is_is_taken_as_it_comes() -> None:
    one = Speakers()
    assert one.receipts(receipt(None), 0, retained=True) == [receipt(None)]


def test_two_collectors_in_turn_are_noticed_and_a_restart_or_a_restore_is_none() -> None:
    one = Speakers()
    for run in ("r1", "r1", "r2", "r2", "r3"):
        one.receipts(receipt("e1", run), 0, retained=False)
    one.receipts(receipt("e2", "r4"), 0, retained=False)
    assert not one.two(0)
    one.orders(orders("e1", "r3"), 1_000, retained=False)
    assert one.two(1_000)
    assert one.two(1_000 + TWO_FOR_MS - 1)
    assert not one.two(1_000 + TWO_FOR_MS)
