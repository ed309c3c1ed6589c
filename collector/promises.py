"""Whether the store has what receipts on the broker promised: if not, an older copy of it was put in its place."""

from __future__ import annotations

from collector.store import Store
from soak.ranges import Ranges
from soak.wire import Receipt


class Promises:
    """Receipts that the broker kept of this collector's data, held against the store.

    Args:
        store: As it was at the start: listen before anything is taken in.
        epoch: Of its data.
        run: Of this start, whose own receipts prove nothing.

    Attributes:
        broken: By node, how many promised readings are not there.
        corrected: By node, what is there of the streams its receipt named: to be said in the place of that receipt,
            for a node that reads it lets go of what it covers.
    """

    def __init__(self, store: Store, epoch: str, run: str) -> None:
        self._store, self._epoch, self._run = store, epoch, run
        self.broken: dict[str, int] = {}
        self.corrected: dict[str, Receipt] = {}

    def heard(self, node: str, receipt: Receipt) -> None:
        """Hold one retained receipt against the store."""
        if receipt.by is None or receipt.by.epoch != self._epoch or receipt.by.run == self._run:
            return
        missing = 0
        there: dict[str, list[tuple[int, int]]] = {}
        for stream, ranges in receipt.streams.items():
            stored = self._stored(stream)
            missing += sum(last - first + 1 for start, end in ranges for first, last in stored.missing(start, end))
            if stored.count():
                there[stream] = list(stored)
        if missing:
            self.broken[node] = missing
            self.corrected[node] = Receipt(there)

    def _stored(self, stream: str) -> Ranges:
        row = self._store.stream(stream)
        return self._store.stored(row.id) if row else Ranges()
