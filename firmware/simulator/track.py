"""The temperatures of one basin over past days, worked out forwards as far as they are asked for."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence

from firmware.simulator.basin import Basin
from firmware.simulator.script import Step

GRID_S = 10
"""Temperatures are kept this far apart; between them runs a straight line."""

PER_MC = 100
"""Kept in hundredths of a millidegree, so that the line between two points stays in whole numbers."""

_ROOM_EVERY = 6  # grid points; a room changes slowly


class Track:
    """Lower and upper layer of one basin on a grid of ten seconds.

    Args:
        basin: As it is at the start, lid on.
        steps: What happens to it, in order of time.
        start_ms: When the track begins, on the clock of `steps`.
        room_mc: The room's temperature at a time on that clock.
    """

    def __init__(self, basin: Basin, steps: Sequence[Step], start_ms: int, room_mc: Callable[[int], float]) -> None:
        self._basin, self._steps, self._start_ms, self._room_mc = basin, steps, start_ms, room_mc
        self._next = 0  # index into steps
        self._room_now_mc = room_mc(start_ms)
        self.layers = (array("i"), array("i"))

    def upto(self, point: int) -> None:
        """Work out the grid up to and including one point; nothing where that is done already."""
        lower, upper = self.layers
        basin, steps = self._basin, self._steps
        while len(lower) <= point:
            done = len(lower)
            at_ms = self._start_ms + done * GRID_S * 1000
            if done % _ROOM_EVERY == 0:
                self._room_now_mc = self._room_mc(at_ms)
            if done:
                since_ms = at_ms - GRID_S * 1000
                while self._next < len(steps) and steps[self._next].at_ms <= at_ms:
                    step = steps[self._next]
                    if step.at_ms > since_ms:
                        basin.step((step.at_ms - since_ms) / 1000, self._room_now_mc)
                        since_ms = step.at_ms
                    basin.act(step)
                    self._next += 1
                if at_ms > since_ms:
                    basin.step((at_ms - since_ms) / 1000, self._room_now_mc)
            lower.append(int(basin.lower_mc * PER_MC))
            upper.append(int(basin.upper_mc * PER_MC))
