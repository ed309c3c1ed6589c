"""Who is silent, and whose outbox only grows: judged by the age of the newest readings, not by a last will. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from soak.quantity import in_words

GROWING_S = 120.0
GROWN_BY = 100
"""An outbox that has not been shorter for so long and has grown by so much is not being emptied."""


class Judged(NamedTuple):
    """Subjects and details of the conditions, as `Conditions.set_all` takes them."""

    nodes: dict[str, str]
    basins: dict[str, str]


class Silence:
    """Remembers when each basin's newest reading last changed, on the collector's steady clock.

    Args:
        limit_s: A basin without a new reading for longer is silent.
        now_s: The steady clock; basins not heard yet are given the limit from here.
    """

    def __init__(self, limit_s: float, now_s: float) -> None:
        self._limit_s, self._grace_s = limit_s, now_s
        self._newest: dict[tuple[str, str], tuple[object, float]] = {}

    def excuse(self, now_s: float) -> None:
        """Nothing could come in until now (no broker, no room): everybody is given the limit from here."""
        self._grace_s = now_s

    def look(self, newest: Mapping[tuple[str, str], object], now_s: float) -> Judged:
        """Judge.

        Args:
            newest: By node and basin, what tells its newest reading from the one before; None if there is none.
            now_s: The steady clock.
        """
        silent: dict[str, list[tuple[str, float]]] = {}
        speaking: set[str] = set()
        for key, mark in newest.items():
            known = self._newest.get(key)
            if known is None or known[0] != mark:
                # What is first seen is what the last run left: new only if it changes.
                known = self._newest[key] = (mark, now_s if known else self._grace_s)
            age_s = now_s - max(known[1], self._grace_s)
            if age_s > self._limit_s:
                silent.setdefault(key[0], []).append((key[1], age_s))
            else:
                speaking.add(key[0])
        limit = in_words(int(self._limit_s * 1000))
        detail = f"for more than {limit}"
        nodes = {node: detail for node in silent if node not in speaking}
        basins = {f"{node}/{basin}": detail for node in silent if node in speaking for basin, _ in silent[node]}
        return Judged(nodes, basins)


class Outboxes:
    """Whose outbox only grows."""

    def __init__(self) -> None:
        self._low: dict[str, tuple[int, float, int]] = {}

    def look(self, waiting: Mapping[str, int], now_s: float) -> dict[str, str]:
        """Judge.

        Args:
            waiting: Readings in each node's outbox, as it last said.
            now_s: The steady clock.
        """
        growing: dict[str, str] = {}
        for node, count in waiting.items():
            low, since_s, last = self._low.get(node, (count, now_s, count))
            if count < last:
                low, since_s = count, now_s
            self._low[node] = (low, since_s, count)
            if now_s - since_s >= GROWING_S and count - low >= GROWN_BY:
                growing[node] = f"{count} readings wait"
        return growing
