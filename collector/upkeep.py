"""Looks after what wears and drifts, a few times a minute: clocks, cards, and what the pages are told of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from collector.backup.schedule import due_after_ms
from collector.clock import UtcClock
from collector.clock_watch import OWN, ClockWatch, Heard
from collector.conditions import Conditions
from collector.read import NodeNow, Reader
from collector.record.book import Book
from collector.settings import Settings
from collector.status import Own
from collector.store import Store
from host.clock import Synchronisation
from host.disk import DiskCount
from soak.quantity import utc_ms
from soak.rehearsal import Rehearsal
from soak.wear import LOOK_MS, SOON_MS, wear, years
from soak.wire import DiskUse

LOOK_EVERY_S = 10.0
HEARD_MS = 60_000
"""What a node said longer ago says nothing about now: it speaks every ten seconds."""


class Upkeep:
    """Raises and clears conditions, and puts on record what clocks do. For the thread that has the store.

    Args:
        data_dir: The collector's data folder.
        settings: When backups are taken, what the disk bears.
        store: For records.
        conditions: Where it is said.
        clock: The collector's wall clock.
        rehearsal: Its clock; None in earnest. A rehearsal's clock is right by definition.

    Attributes:
        own: How the collector's own machine is; replaced whole, any thread may look.
    """

    def __init__(
        self,
        data_dir: Path,
        settings: Settings,
        store: Store,
        conditions: Conditions,
        *,
        clock: UtcClock,
        rehearsal: Rehearsal | None = None,
    ) -> None:
        self._data_dir, self._settings, self._store = data_dir, settings, store
        self._clock, self._conditions = clock, conditions
        self._synced: Callable[[], bool] = (lambda: True) if rehearsal else Synchronisation().synced
        self._disk = DiskCount(data_dir, settings.card_rated_tb)
        self._watch = ClockWatch(store.clocks_noted())
        self._reader: Reader | None = None
        self._looked_s = float("-inf")
        self.own = Own()

    def look(self) -> None:
        """Look, if it is time to.

        Raises:
            sqlite3.Error: The store cannot be read or written.
        """
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = now_s
        now_ms, synced, disk = self._clock(), self._synced(), self._disk.now()
        self._reader = self._reader or Reader(self._data_dir)
        nodes = [each for each in self._reader.nodes() if each.up and now_ms - each.heard_ms <= HEARD_MS]
        self._clocks({OWN: Heard(synced), **heard(nodes)}, int(now_s * 1000), now_ms)
        self._cards({OWN: disk, **{each.node: each.state.disk for each in nodes}})
        backup = self._settings.backup
        due_ms = due_after_ms(Book.looking(self._reader.connection, now_ms), backup) if backup else None
        self.own = Own(synced, disk, due_ms)

    def _clocks(self, clocks: Mapping[str, Heard], steady_ms: int, now_ms: int) -> None:
        judged = self._watch.look(clocks, steady_ms, now_ms)
        self._conditions.set_all("clock-unsynchronised", judged.unsynchronised)
        self._conditions.set_all("clock-differs", judged.differing)
        if judged.records:
            self._store.note_clocks(judged.records)

    def _cards(self, disks: Mapping[str, DiskUse | None]) -> None:
        wearing, worn = worn_cards(disks)
        self._conditions.set_all("card-wears", wearing)
        self._conditions.set_all("card-worn", worn)

    def close(self) -> None:
        """Give the connection back."""
        if self._reader:
            self._reader.close()
        self._reader = None


def heard(nodes: Iterable[NodeNow]) -> dict[str, Heard]:
    """What the clocks of nodes say."""
    return {
        each.node: Heard(each.state.clock.synced, utc_ms(each.state.clock.utc) - each.heard_ms)
        for each in nodes
        if each.state.clock is not None
    }


def worn_cards(disks: Mapping[str, DiskUse | None]) -> tuple[dict[str, str], dict[str, str]]:
    """Whose card lasts less than two years more, and whose less than one, with words."""
    wearing: dict[str, str] = {}
    worn: dict[str, str] = {}
    for whose, disk in disks.items():
        found = wear(disk)
        if disk is not None and found is not None and found.left_ms < LOOK_MS:
            of = f"node {whose}" if whose else "the collector’s own"
            words = f"{of}, rated at {disk.rated_tb} TB: about {years(found.left_ms)} years left at this rate"
            (worn if found.left_ms < SOON_MS else wearing)[whose] = words
    return wearing, worn
