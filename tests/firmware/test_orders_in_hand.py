"""Orders: nonsense is refused, what was good before is kept until it runs out, and nothing else is refused."""

from __future__ import annotations

import pytest

from firmware.orders import OrdersInHand, Refusal, taken
from soak.requirement import Requirement, SensorTerms
from soak.wire import BasinOrders, Orders

A, B = "28-00000000000a", "28-00000000000b"
OURS = {"b1": frozenset({A}), "b2": frozenset({B})}
REQUIREMENT = Requirement(min_mc=20_000, contact_ms=720_000)
LATER = Requirement(min_mc=25_000, contact_ms=300_000)


def part(sensor: str = A, requirement: Requirement | None = REQUIREMENT, good_for_s: int = 60) -> BasinOrders:
    return BasinOrders(requirement, {sensor: SensorTerms(500)}, good_for_s)


def take(known: OrdersInHand | None, orders: Orders, now_ms: int) -> tuple[OrdersInHand, list[str]]:
    hand, refusals = taken(known, orders, now_ms, OURS)
    assert hand is not None
    return hand, [refusal.reason for refusal in refusals]


def test_each_basins_part_holds_until_it_runs_out_and_not_a_millisecond_longer() -> None:
    hand, refused = take(None, Orders(1, "e1", {"b1": part(), "b2": part(B, good_for_s=10)}), 5_000)
    assert refused == []
    assert hand.of("b1", 64_999) == part()
    assert hand.of("b1", 65_000) is None
    assert hand.of("b2", 14_999) == part(B, good_for_s=10)
    assert hand.of("b2", 15_000) is None
    assert hand.of("b3", 5_000) is None
    assert hand.hold(64_999)
    assert not hand.hold(65_000)


def test_an_older_version_of_the_same_epoch_is_refused_while_the_newer_one_holds() -> None:
    hand, _ = take(None, Orders(7, "e1", {"b1": part()}), 0)
    same, refused = take(hand, Orders(6, "e1", {"b1": part(requirement=LATER)}), 59_999)
    assert (same, refused) == (hand, ["orders-old"])
    again, refused = take(hand, Orders(7, "e1", {"b1": part()}), 30_000)
    assert refused == []
    assert again.of("b1", 89_999) == part()  # the same version again: heard of again
    after, refused = take(hand, Orders(6, "e1", {"b1": part(requirement=LATER)}), 60_000)
    assert refused == []  # nothing holds any more: better these than none
    assert after.of("b1", 60_000) == part(requirement=LATER)


def test_a_restored_collector_begins_anew_with_any_version() -> None:
    hand, _ = take(None, Orders(7, "e1", {"b1": part()}), 0)
    new, refused = take(hand, Orders(1, "e2", {"b1": part(requirement=LATER)}), 1)
    assert refused == []
    assert new.of("b1", 1) == part(requirement=LATER)


def test_orders_for_nobody_here_are_refused_and_those_for_nothing_withdraw_everything() -> None:
    hand, _ = take(None, Orders(7, "e1", {"b1": part()}), 0)
    same, refused = take(hand, Orders(8, "e1", {"x9": part()}), 1)
    assert (same, refused) == (hand, ["orders-not-ours"])
    assert taken(None, Orders(8, "e1", {"x9": part()}), 1, OURS) == (None, [Refusal("orders-not-ours", "basins=x9")])
    none, refused = take(hand, Orders(8, "e1", {}), 1)
    assert refused == []
    assert none.of("b1", 1) is None


def test_a_basin_that_is_not_here_any_more_spoils_nothing() -> None:
    hand, refused = take(None, Orders(1, "e1", {"b1": part(), "x9": part()}), 0)
    assert refused == []
    assert hand.of("b1", 0) == part()
    assert hand.of("x9", 0) is None


@pytest.mark.parametrize(
    ("nonsense", "said"),
    [
        (part(B), f"basin=b1 problem='it has no sensor {B}'"),
        (BasinOrders(REQUIREMENT, {}, 60), "basin=b1 problem='a requirement for no sensor'"),
    ],
)
def test_a_part_that_cannot_be_judged_by_is_refused_and_the_last_good_one_kept_until_it_runs_out(
    nonsense: BasinOrders, said: str
) -> None:
    hand, _ = take(None, Orders(1, "e1", {"b1": part(), "b2": part(B)}), 0)
    new, refusals = taken(hand, Orders(2, "e1", {"b1": nonsense, "b2": part(B, LATER)}), 30_000, OURS)
    assert refusals == [Refusal("orders-sensor", said)]
    assert new is not None
    assert new.of("b1", 59_999) == part()
    assert new.of("b1", 60_000) is None
    assert new.of("b2", 89_999) == part(B, LATER)


def test_no_requirement_at_all_is_a_good_order() -> None:
    hand, refused = take(None, Orders(1, "e1", {"b1": BasinOrders(None, {}, 60)}), 0)
    assert refused == []
    assert hand.of("b1", 0) == BasinOrders(None, {}, 60)
