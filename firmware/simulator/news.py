"""What the pages have found out since last time, in words: verdicts, and how far the past days have come in."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import ProxyHandler, build_opener

from firmware.simulator.clinic import ClinicBasin
from firmware.simulator.live import live_scripts
from firmware.simulator.memory import recall
from firmware.simulator.script import Planned, Script
from soak.quantity import in_words

_TIMEOUT_S = 2.0
_EVERY_PERCENT = 10
_FEWEST = 5_000  # fewer than this wait for a moment even when no past days do
_LATE_MS = 3_000  # a busy machine moves a lid a little later than the script says
_HELD_UP_BOUNCE_MS = 10_000  # on a busy machine a simulated bounce can last long enough to be a movement; it is no soak

_opener = build_opener(ProxyHandler({}))  # loopback never goes through a proxy


def fetch(address: str) -> Any | None:
    """JSON from a page on loopback; None while it does not answer so."""
    try:
        with _opener.open(address, timeout=_TIMEOUT_S) as answer:
            return json.load(answer)
    except (URLError, OSError, http.client.HTTPException, ValueError):
        return None


class Loads:
    """Knows which closures of a rehearsal hold a load: the same seed gives the same play.

    Args:
        basin: The basin.
        seed: The clinic's.
        rehearsal: The clock of this run, as text.
        memory_file: Where its node remembers when the play began.
    """

    def __init__(self, basin: ClinicBasin, seed: int, rehearsal: str, memory_file: Path) -> None:
        self._basin, self._seed, self._rehearsal, self._memory_file = basin, seed, rehearsal, memory_file
        self._scripts: Iterator[Script] | None = None
        self._known: list[Planned] = []

    def hold(self, closed_ms: int) -> bool:
        """The closure that was first seen at this time, on the rehearsal's wall clock, holds a load."""
        if self._scripts is None:
            memory = recall(self._memory_file)
            if memory is None or memory.rehearsal != self._rehearsal:  # the node has not begun its play yet
                return False
            basin, key = self._basin.played(), f"{self._basin.node}/{self._basin.name}"
            self._scripts = live_scripts(basin.habits, self._seed, key, memory.began_ms, basin.scene)
        while not self._known or self._known[-1].closed_ms <= closed_ms:
            self._known += next(self._scripts).loads
        return any(load.closed_ms - _LATE_MS <= closed_ms < load.opened_ms for load in self._known)


class News:
    """Tells each piece of news once.

    Args:
        loads: By node and basin; verdicts on empty basins and past days are no news.
    """

    def __init__(self, loads: Mapping[tuple[str, str], Loads]) -> None:
        self._loads = loads
        self._told: set[tuple[str, str, int]] = set()
        self._step = 0.0
        self._most_waiting = 0

    def of_basins(self, basins: list[dict[str, Any]]) -> Iterator[str]:
        """News in the answer of `/api/basins`: what is known of closures that still run."""
        yield from self._of(basin["running"] for basin in basins if basin["running"] is not None)

    def of_closures(self, closures: list[dict[str, Any]]) -> Iterator[str]:
        """News in the answer of `/api/closures`, newest first: more than one may have ended since the last look."""
        yield from self._of(reversed(closures))

    def _of(self, closures: Iterable[dict[str, Any]]) -> Iterator[str]:
        for closure in closures:
            if closure["verdict"] == "running" or closure["closed_ms"] < _HELD_UP_BOUNCE_MS:
                continue
            key = (closure["label"], closure["verdict"], closure["closed_at_ms"])
            loads = self._loads[closure["node"], closure["basin"]]
            if key not in self._told and loads.hold(closure["closed_at_ms"]):
                self._told.add(key)
                yield f"{closure['label']}: {_judged(closure)}"

    def of_backlog(self, waiting: int) -> Iterator[str]:
        """News in how many readings still wait at the nodes: a line when the first came in, and for every tenth.

        Args:
            waiting: Readings that the nodes list and the collector does not have yet.
        """
        self._most_waiting = max(self._most_waiting, waiting)
        if self._most_waiting < _FEWEST:
            return
        percent = 100 - -(-100 * waiting // self._most_waiting) if waiting >= _FEWEST else 100
        step = percent // _EVERY_PERCENT if percent >= _EVERY_PERCENT else min(percent, 1) / _EVERY_PERCENT
        if step > self._step:
            self._step = step
            yield f"past days: {percent} % taken in and judged"


def _judged(closure: dict[str, Any]) -> str:
    if closure["verdict"] == "met":
        return "soak MET, rinse next"
    reason = f" ({closure['reason']})" if closure.get("reason") else ""
    proven = f"{in_words(closure['credited_ms'])} proven without a break"
    return f"soak {closure['verdict'].upper()}{reason}, {proven}: reprocess"
