"""Which collector speaks: a restored one, or two at once by mistake. Pure.

Messages of collectors that do not say who they are (`by` is missing) are taken as they come.
"""

from __future__ import annotations

from soak.wire import Orders, Receipt, Sender

TWO_FOR_MS = 600_000
"""For so long after two collectors spoke in turn, two are said to speak."""

_MOST_REMEMBERED = 100


class Speakers:
    """Knows whom to believe.

    What the broker retained may be of a collector whose data have been restored from a backup since then, which no
    longer has what that receipt covers. So a retained receipt waits until somebody with the same data speaks; if it
    is somebody else, it is forgotten.
    """

    def __init__(self) -> None:
        self._waiting: Receipt | None = None
        self._epoch: str | None = None  # of who has spoken on this connection
        self._run: str | None = None
        self._left: dict[str, None] = {}  # runs that others have followed
        self._turned_ms: int | None = None

    def connected(self) -> None:
        """The connection is new."""
        self._waiting = self._epoch = None

    def receipts(self, receipt: Receipt, now_ms: int, *, retained: bool) -> list[Receipt]:
        """The receipts to go by, now that this one has come."""
        if retained and receipt.by and receipt.by.epoch != self._epoch:
            self._waiting = receipt
            return []
        return [*self._heard(receipt.by, now_ms, retained=retained), receipt]

    def orders(self, orders: Orders, now_ms: int, *, retained: bool) -> list[Receipt]:
        """The receipts to go by, now that these orders have come."""
        return self._heard(orders.by, now_ms, retained=retained)

    def two(self, now_ms: int) -> bool:
        """Two collectors have spoken in turn lately."""
        return self._turned_ms is not None and now_ms - self._turned_ms < TWO_FOR_MS

    def _heard(self, by: Sender | None, now_ms: int, *, retained: bool) -> list[Receipt]:
        if by is None or retained:
            return []
        if by.run in self._left:  # somebody had followed it, and it still speaks
            self._turned_ms = now_ms
        if self._run is not None and by.run != self._run:
            self._left[self._run] = None
            if len(self._left) > _MOST_REMEMBERED:
                del self._left[next(iter(self._left))]
        self._left.pop(by.run, None)
        self._run, self._epoch = by.run, by.epoch
        waiting, self._waiting = self._waiting, None
        return [waiting] if waiting and waiting.by and waiting.by.epoch == by.epoch else []
