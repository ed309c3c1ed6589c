"""The newest reading of each basin, with the closure in progress: what a page shows first.

Which reading is the newest is not a matter of wall-clock time: a node may have been started with a wrong clock that was
set since. Within a stream it is the number; of two streams, the one that the node lists later.
"""

from __future__ import annotations

from collections.abc import Iterable

from collector.read import BasinNow
from collector.readings import Stored
from collector.store import Store, StreamRow
from collector.tracker import StreamTracker
from soak.reading import Lid
from soak.wire import State


class Latest:
    """Keeps the newest readings in the store.

    Args:
        store: Where; `write` stands in one of its transactions.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._shown: dict[int, str] = {}  # by basin, the stream that is shown

    def forget(self) -> None:
        """After a transaction that did not hold."""
        self._shown.clear()

    def write(self, trackers: Iterable[StreamTracker]) -> None:
        """Keep the newest reading of the basins of these streams, where it is newer than what is kept."""
        for tracker in trackers:
            newest = tracker.newest
            if newest is None:
                continue
            basin_id = tracker.row.basin_id
            if self._shown.get(basin_id) != tracker.row.stream:
                shown = self._store.now(basin_id)
                if shown is not None and not _newer(self._store, tracker, newest, shown):
                    continue
                self._shown[basin_id] = tracker.row.stream
            self._store.set_now(basin_id, _basin_now(tracker, newest))


def _basin_now(tracker: StreamTracker, newest: Stored) -> BasinNow:
    reading = newest.reading
    return BasinNow(
        at_utc_ms=newest.utc_ms,
        synced=newest.dated,
        stream=tracker.row.stream,
        number=newest.number,
        ms=reading.ms,
        lid=reading.lid,
        mc=reading.mc,
        fault=reading.fault,
        closure=tracker.running() if reading.lid is Lid.CLOSED else None,
        judged_to=tracker.judged_to,
    )


def _newer(store: Store, tracker: StreamTracker, newest: Stored, shown: BasinNow) -> bool:
    """Whether a stream's newest reading takes the place of the one that is shown."""
    row, other = tracker.row, store.stream(shown.stream)
    if other is None or row.stream == other.stream:
        return True
    state = store.state(row.node)
    mine, theirs = _place(state, row, newest.reading.ms), _place(state, other, shown.ms)
    return mine > theirs or (mine == theirs and newest.utc_ms >= shown.at_utc_ms)


def _place(state: State | None, row: StreamRow, ms: int) -> int:
    """Where a stream stands among those that its node lists, oldest first; -1 for one that is over."""
    if state is None or state.clock is None:
        return -1
    listed = [held.stream for held in state.streams]
    if row.stream in listed:
        return listed.index(row.stream)
    return len(listed) if row.boot == state.boot and ms > state.clock.ms else -1  # begun since then
