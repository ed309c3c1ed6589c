"""What nodes are told, so that each can judge its basins by itself."""

from __future__ import annotations

from collector.clock import UtcClock
from collector.store import Store
from soak.wire import BasinOrders, Orders

GOOD_FOR_S = 24 * 3_600
"""How long a node may rely on its orders without hearing again. Our own choice: a night without network, not two."""


def orders_for(store: Store, clock: UtcClock, node: str, version: int) -> Orders:
    """The orders of one node as the store has them now.

    Args:
        store: The store.
        clock: The collector's wall clock.
        node: The node.
        version: Rises with every change.
    """
    basins: dict[str, BasinOrders] = {}
    for basin_id, name in store.basins_of(node):
        in_force = [required for required in store.required(basin_id) if required.since_ms <= clock()]
        if in_force:
            basins[name] = BasinOrders(in_force[-1].requirement, in_force[-1].terms, GOOD_FOR_S)
    return Orders(version, store.site()["epoch"], basins)
