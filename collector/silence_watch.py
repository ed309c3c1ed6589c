"""Looks at the store now and then for who has fallen silent, with a connection of its own."""

from __future__ import annotations

import time
from pathlib import Path

from collector.conditions import STOPPING, Conditions
from collector.read import Reader
from collector.silence import Outboxes, Silence

LOOK_EVERY_S = 2.0
_EXCUSES = {*STOPPING, "broker-away"}


class SilenceWatch:
    """Raises and clears what `collector.silence` judges.

    Args:
        data_dir: The collector's data folder.
        silent_after_ms: A basin without a new reading for longer is silent.
        conditions: Where it is said; while nothing can come in, nobody is silent.
    """

    def __init__(self, data_dir: Path, silent_after_ms: int, conditions: Conditions) -> None:
        self._data_dir, self._conditions = data_dir, conditions
        self._silence = Silence(silent_after_ms / 1000, time.monotonic())
        self._outboxes = Outboxes()
        self._reader: Reader | None = None
        self._looked_s = float("-inf")
        self._version = -1
        self._newest: dict[tuple[str, str], object] = {}
        self._waiting: dict[str, int] = {}

    def look(self) -> None:
        """Look, if it is time to.

        Raises:
            sqlite3.Error: The store cannot be read.
        """
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = now_s
        if any(each.code in _EXCUSES for each in self._conditions.standing()):
            self._silence.excuse(now_s)
            self._outboxes = Outboxes()
            return
        self._read()
        judged = self._silence.look(self._newest, now_s)
        self._conditions.set_all("node-silent", judged.nodes)
        self._conditions.set_all("basin-silent", judged.basins)
        self._conditions.set_all("outbox-growing", self._outboxes.look(self._waiting, now_s))

    def _read(self) -> None:
        """What stands in the store; nothing is read again while nothing was committed."""
        self._reader = self._reader or Reader(self._data_dir)
        version = self._reader.data_version()
        if version == self._version:
            return
        newest = self._reader.now()
        self._newest = {}
        for basin in self._reader.basins():
            now = newest.get(basin.id)
            self._newest[basin.node, basin.name] = (now.stream, now.number) if now else None
        self._waiting = {node.node: node.state.outbox for node in self._reader.nodes() if node.up}
        self._version = version

    def close(self) -> None:
        """Give the connection back."""
        if self._reader:
            self._reader.close()
        self._reader = None
