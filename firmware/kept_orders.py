"""The orders in hand, kept on the node's disk with how much of their life has gone, so that a restart forgets nothing.

Within one boot the uninterrupted clock knows their age exactly, whatever the wall clock says. Over a reboot only a wall
clock that was synchronised before and is again knows it. Else the age counted so far goes on, and the reboot is charged
with as much as may not have been written down: orders that nobody renews run out, however often the node restarts.

Alarms are not kept: they live a minute, and the collector repeats what stands.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Mapping
from pathlib import Path

import msgspec

from firmware.clock import Clock, read_anchor
from firmware.orders import BasinInHand, OrdersInHand
from host.private_file import write_private
from soak.decoding import from_json
from soak.wire import BasinName, BasinOrders, BootId, NodeName, Orders

log = logging.getLogger(__name__)

FILE_NAME = "orders.json"
KEEP_EVERY_MS = 600_000
"""So often their age is written down again, and so much a reboot costs where no clock knows better. Our own choice: a
small write, a hundred and fifty times a day at most."""

RETRY_MS = 60_000
_FORMAT = 1
_MOST_BYTES = 1_000_000
_UNDATED = (
    "orders from before the restart are in use; how old they are is only estimated until the clock is synchronised"
)


class _Part(msgspec.Struct, frozen=True):
    """One basin's orders.

    Attributes:
        orders: What they say.
        age_ms: How old they were when this was written.
        received_utc_ms: When they came, on a synchronised wall clock; None where there has been none.
    """

    orders: BasinOrders
    age_ms: int
    received_utc_ms: int | None = None


class _Kept(msgspec.Struct, frozen=True):
    """The file's second line; the first is its SHA-256."""

    format: int
    node: NodeName
    boot: BootId
    ms: int
    orders: Orders
    parts: dict[BasinName, _Part]


class KeptOrders:
    """The file. Used by one thread at a time, but for `trouble`.

    Args:
        folder: The node's data.
        node: Its name.
        basins: Its basins and the sensors of each.
        clock: Its clocks.

    Attributes:
        trouble: What is wrong with it, in a few words; empty while all is well.
    """

    def __init__(self, folder: Path, node: str, basins: Mapping[str, frozenset[str]], clock: Clock) -> None:
        self.trouble = ""
        self._file, self._node, self._basins, self._clock = folder / FILE_NAME, node, basins, clock
        self._dates: dict[str, int | None] = {}  # of what is in hand: when it came, on a synchronised clock
        self._loaded: OrdersInHand | None = None  # their age is not known for sure yet
        self._written: OrdersInHand | None = None
        self._tried_ms: int | None = None

    def load(self) -> OrdersInHand | None:
        """What was in hand, each part as old as it is by now; None where there is nothing that can be used."""
        try:
            if not self._file.exists():
                return None
            with self._file.open("rb") as file:
                kept = _parsed(file.read(_MOST_BYTES), self._node)
        except (OSError, ValueError, msgspec.MsgspecError) as error:
            self.trouble = f"the orders kept on disk cannot be used ({error}); new ones are waited for"
            log.warning("kept orders not used file=%s problem=%r", self._file, str(error))
            return None
        now, same = read_anchor(self._clock), kept.boot == self._clock.boot_id
        parts: dict[str, BasinInHand] = {}
        undated = False
        for name, part in kept.parts.items():
            if not part.orders.sensors.keys() <= self._basins.get(name, frozenset()):
                continue  # basin or sensors have changed since
            if same:
                age_ms = part.age_ms + max(0, now.boot_ms - kept.ms)
            elif now.synced and part.received_utc_ms is not None:
                age_ms = max(part.age_ms, now.utc_ms - part.received_utc_ms)
            else:
                age_ms, undated = part.age_ms + KEEP_EVERY_MS, True
            parts[name] = BasinInHand(part.orders, now.boot_ms - age_ms)
            self._dates[name] = part.received_utc_ms
        hand = OrdersInHand(kept.orders, max((each.received_ms for each in parts.values()), default=0), parts)
        if undated:
            self._loaded, self.trouble = hand, _UNDATED
        log.info("kept orders in use basins=%s holds=%s", ",".join(parts), hand.hold(now.boot_ms))
        return hand

    def mind(self, hand: OrdersInHand | None) -> OrdersInHand | None:
        """Write down what is in hand where that is due. Says what is wrong instead of failing.

        Returns:
            What is to be gone by: the same, or with ages that a synchronised clock knows better.
        """
        if hand is None:
            return None
        if self._loaded is not None and hand is not self._loaded:
            self._loaded, self.trouble = None, ""
        if self._loaded is not None and self._clock.synced():
            hand = self._dated(hand)
        now_ms = self._clock.boot_ms()
        if self._due(hand, now_ms):
            self._tried_ms = now_ms
            try:
                self._write(hand)
            except OSError as error:
                if not self.trouble:
                    log.warning("kept orders not written file=%s problem=%r", self._file, str(error))
                self.trouble = f"orders cannot be kept on disk: {error.strerror or error}"
                self._written = None
            else:
                self._written = hand
                self.trouble = _UNDATED if self._loaded is not None else ""
        return hand

    def _dated(self, hand: OrdersInHand) -> OrdersInHand:
        """The clock is synchronised now: how old the orders from before the restart really are."""
        now = read_anchor(self._clock)
        if not now.synced:
            return hand
        parts = {}
        for name, part in hand.basins.items():
            received_utc_ms = self._dates.get(name)
            known_ms = now.boot_ms - (now.utc_ms - received_utc_ms) if received_utc_ms is not None else part.received_ms
            parts[name] = BasinInHand(part.orders, min(part.received_ms, known_ms))
        self._loaded, self.trouble = None, ""
        return OrdersInHand(hand.orders, hand.received_ms, parts)

    def _due(self, hand: OrdersInHand, now_ms: int) -> bool:
        if self._tried_ms is None:
            return True
        if self._written is None:  # it failed
            return now_ms - self._tried_ms >= RETRY_MS
        same = hand is self._written or _lasting(hand) == _lasting(self._written)
        return not same or now_ms - self._tried_ms >= KEEP_EVERY_MS

    def _write(self, hand: OrdersInHand) -> None:
        now = read_anchor(self._clock)
        parts: dict[str, _Part] = {}
        for name, part in hand.basins.items():
            age_ms = max(0, now.boot_ms - part.received_ms)
            if self._loaded is None:
                self._dates[name] = now.utc_ms - age_ms if now.synced else None
            parts[name] = _Part(_without_alarms(part.orders), age_ms, self._dates.get(name))
        orders = msgspec.structs.replace(
            hand.orders, basins={name: _without_alarms(each) for name, each in hand.orders.basins.items()}
        )
        body = msgspec.json.encode(_Kept(_FORMAT, self._node, self._clock.boot_id, now.boot_ms, orders, parts))
        write_private(self._file, hashlib.sha256(body).hexdigest().encode() + b"\n" + body)


def _parsed(data: bytes, node: str) -> _Kept:
    told, _, body = data.partition(b"\n")
    if hashlib.sha256(body).hexdigest().encode() != told:
        raise ValueError("it is damaged")
    kept = from_json(body, _Kept)
    if kept.format != _FORMAT:
        raise ValueError(f"its format is {kept.format}; this version reads {_FORMAT}")
    if kept.node != node:
        raise ValueError(f"it is of node {kept.node}")
    return kept


def _without_alarms(orders: BasinOrders) -> BasinOrders:
    return msgspec.structs.replace(orders, alarms=[]) if orders.alarms else orders


def _lasting(hand: OrdersInHand) -> dict[str, BasinOrders]:
    """What would be kept of them, beside their age."""
    return {name: _without_alarms(part.orders) for name, part in hand.basins.items()}
