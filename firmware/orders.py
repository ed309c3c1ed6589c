"""The orders that a node goes by: the newest that make sense, each part until it runs out. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from soak.wire import BasinOrders, Orders


class Refusal(NamedTuple):
    """Orders, or a part of them, that the node does not go by.

    Attributes:
        reason: One word for counting.
        detail: For people.
    """

    reason: str
    detail: str


class BasinInHand(NamedTuple):
    """The orders for one basin, and from when they count, in milliseconds of the node's clock."""

    orders: BasinOrders
    received_ms: int

    def holds(self, now_ms: int) -> bool:
        """They have not run out; at the very end they have."""
        return now_ms < self.received_ms + self.orders.good_for_s * 1_000


class OrdersInHand(NamedTuple):
    """What the node goes by. Never changed, only replaced.

    Attributes:
        orders: The newest that made sense, as they came.
        received_ms: From when they count, in milliseconds of the node's clock.
        basins: Per basin the newest part that made sense; `of` knows whether it still holds.
    """

    orders: Orders
    received_ms: int
    basins: Mapping[str, BasinInHand]

    def of(self, basin: str, now_ms: int) -> BasinOrders | None:
        """The orders for a basin that still hold at `now_ms` of the node's clock; None where there are none."""
        part = self.basins.get(basin)
        return part.orders if part and part.holds(now_ms) else None

    def hold(self, now_ms: int) -> bool:
        """Any part still holds."""
        return any(part.holds(now_ms) for part in self.basins.values())


def taken(
    known: OrdersInHand | None, orders: Orders, received_ms: int, basins: Mapping[str, frozenset[str]]
) -> tuple[OrdersInHand | None, list[Refusal]]:
    """Take new orders in, as far as they make sense.

    Refused is only what is nonsense beyond doubt. A basin that this node does not have is none beside others that it
    has: it may have been there until a minute ago. No basin at all withdraws everything.

    Args:
        known: What the node goes by so far.
        orders: What has arrived.
        received_ms: From when they count, in milliseconds of the node's clock.
        basins: The node's basins and the sensors of each.

    Returns:
        What the node goes by from now on, and what it refused.
    """
    old = known is not None and known.orders.epoch == orders.epoch and orders.version < known.orders.version
    if known and old and known.hold(received_ms):
        return known, [Refusal("orders-old", f"version={orders.version} known={known.orders.version}")]
    if orders.basins and not orders.basins.keys() & basins.keys():
        return known, [Refusal("orders-not-ours", f"basins={','.join(sorted(orders.basins))[:80]}")]
    kept: dict[str, BasinInHand] = {}
    refusals: list[Refusal] = []
    for basin in orders.basins.keys() & basins.keys():
        part = orders.basins[basin]
        strange = sorted(part.sensors.keys() - basins[basin])
        if not strange and (part.sensors or part.requirement is None):
            kept[basin] = BasinInHand(part, received_ms)
            continue
        problem = f"it has no sensor {strange[0]}" if strange else "a requirement for no sensor"
        refusals.append(Refusal("orders-sensor", f"basin={basin} problem={problem!r}"))
        if known and basin in known.basins:
            kept[basin] = known.basins[basin]
    return OrdersInHand(orders, received_ms, kept), refusals
