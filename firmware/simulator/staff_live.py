"""What the invented staff declare while somebody watches: the live play of the basins, load after load. Pure.

Work lies in a queue by its time. What stands in it is either a declaration, or something to be planned once that time
has come: the beginning of a load, and its end, when the screen shows what the soak is worth.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import count

import msgspec

from firmware.simulator.clinic import CLINIC, ClinicBasin
from firmware.simulator.live import live_scripts
from firmware.simulator.memory import Memory
from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_plan import Item, Occasion, Ward, occasions
from firmware.simulator.staff_rounds import BEGIN_AHEAD_MS, Fates, Round, begin, finish, take_out
from firmware.simulator.staff_stock import LEAD, PROFILE_OF
from firmware.simulator.staff_supply import discard, needs_pour, pour, reader, strips_ready

_SECOND_MS, _MINUTE_MS = 1_000, 60_000
_SHOWN_AFTER_MS = 15 * _SECOND_MS
_FOR_A_POUR_MS = 280 * _SECOND_MS
_HELD_MS = 20 * _MINUTE_MS
_HALF_A_DAY_MS = DAY_MS // 2

LIVE_FATES = Fates(late=0.0, late_strip=0.0)
"""Closures of the live play have no names that could be known beforehand, so that nothing is assigned late in it."""

FIRST_FATES = Fates(unsaid=0.0, late=0.0, late_strip=0.0)
"""Of each basin's first load, in which a visitor sees what the product is for: were nobody to say that anything lies in
the basin, the lid that is opened early would raise no alarm."""

Met = Callable[[Occasion], bool | None]
"""What the screen shows of an occasion: whether its soak was met; None while it shows nothing yet."""


class Ending(msgspec.Struct, frozen=True):
    """A load whose end is to be planned."""

    found: Round


def _coming(basin: ClinicBasin, key: str, seed: int, began_ms: int) -> Iterator[Occasion]:
    """The loads of the live play, without end."""
    played = basin.played()
    for script in live_scripts(played.habits, seed, key, began_ms, played.scene):
        yield from occasions(key, script)


Work = Item | Occasion | Ending


class Play:
    """The queue.

    Args:
        ward: What the staff know.
        nodes: What each node remembers of this run.
        from_ms: Nothing is declared before this.
        left: Declarations that are left from before.
    """

    def __init__(self, ward: Ward, nodes: Mapping[str, Memory], from_ms: int, left: Iterable[Item] = ()) -> None:
        self._ward, self._from_ms = ward, from_ms
        self._queue: list[tuple[int, int, Work]] = []
        self._places = count()
        self._out_ms: dict[str, int] = {}
        self._said_ms = from_ms
        self._coming: dict[str, Iterator[Occasion]] = {}
        self._first = {f"{basin.node}/{basin.name}" for basin in CLINIC}
        for item in left:
            self._put(item.at_ms, item)
        for basin in CLINIC:
            key = f"{basin.node}/{basin.name}"
            self._coming[key] = _coming(basin, key, ward.seed, nodes[basin.node].began_ms)
            self._next(key)

    def _put(self, at_ms: int, work: Work) -> None:
        heapq.heappush(self._queue, (at_ms, next(self._places), work))

    def _next(self, basin: str) -> None:
        occasion = next(self._coming[basin])
        self._put(occasion.lifted_ms - BEGIN_AHEAD_MS, occasion)

    def next_ms(self) -> int:
        """When there is something to do; there always is."""
        return self._queue[0][0]

    def add(self, items: Iterable[Item]) -> None:
        """Something else will be declared, each at its time."""
        self._plan(items)

    def left(self) -> list[Item]:
        """Declarations that are still to come."""
        return [work for _, _, work in sorted(self._queue, key=lambda each: each[:2]) if isinstance(work, Item)]

    def due(self, until_ms: int, met: Met, *, patient: bool) -> Iterator[Item]:
        """Declarations that are due, in order; what is to be planned meanwhile is planned.

        Args:
            until_ms: On the rehearsal's wall clock.
            met: What the screen shows.
            patient: Wait for the screen; otherwise a soak of which it shows nothing is not met.
        """
        while self._queue and self._queue[0][0] <= until_ms:
            _, _, work = self._queue[0]
            shown = met(work.found.occasion) if isinstance(work, Ending) else None
            if isinstance(work, Ending) and shown is None and patient:
                return
            heapq.heappop(self._queue)
            if isinstance(work, Item):
                self._said_ms = max(self._said_ms, work.at_ms)
                yield msgspec.structs.replace(work, at_ms=self._said_ms)
            elif isinstance(work, Ending):
                self._plan(finish(self._ward, work.found, met=bool(shown), fates=LIVE_FATES))
                self._lift(work.found)
            else:
                self._begin(work)

    def _begin(self, occasion: Occasion) -> None:
        self._plan(self._supplies(occasion))
        fates = FIRST_FATES if occasion.basin in self._first else LIVE_FATES
        self._first.discard(occasion.basin)
        found, items = begin(self._ward, occasion, fates, self._from_ms)
        self._plan([*items, *take_out(found)])
        if found.devices:
            self._put(occasion.out_ms + _SHOWN_AFTER_MS, Ending(found))
        self._out_ms[occasion.basin] = occasion.out_ms
        self._next(occasion.basin)

    def _supplies(self, occasion: Occasion) -> list[Item]:
        """Strips, and a new fill between two loads where there is time for it."""
        basin, who = occasion.basin, reader(occasion.basin)
        at_ms = max(occasion.lifted_ms - BEGIN_AHEAD_MS, self._from_ms)
        items = strips_ready(self._ward, PROFILE_OF[basin], at_ms, who, keep_old=True)
        free_ms = self._out_ms.get(basin, occasion.lifted_ms - 2 * _FOR_A_POUR_MS)
        there_is_time = occasion.lifted_ms - free_ms > _FOR_A_POUR_MS
        if there_is_time and needs_pour(self._ward, basin, occasion.opened_ms + _HALF_A_DAY_MS):
            items += discard(self._ward, basin, free_ms + 40 * _SECOND_MS, who, "Its reuse life ends.")
            items += pour(self._ward, basin, free_ms + 110 * _SECOND_MS, who)
        return items

    def _plan(self, items: Iterable[Item]) -> None:
        for item in items:
            self._put(item.at_ms, item)

    def _lift(self, found: Round) -> None:
        """What was quarantined is looked at by a supervisor a little later."""
        for device in found.devices:
            tool = self._ward.devices[device]
            if tool.held:
                lifted_ms = found.occasion.out_ms + _HELD_MS
                fields = {"device": device, "reason": "Looked at; it goes through cleaning and a soak again."}
                self._put(lifted_ms, Item(at_ms=lifted_ms, deed="lift-quarantine", who=LEAD, fields=fields))
                tool.held, tool.free_ms = "", lifted_ms
