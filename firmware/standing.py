"""The alarms that stand at one basin: the node's own beside those that the collector orders. Pure.

What a press or the collector says "seen" or "silenced" to makes no sound any more. Of an alarm that is seen here the
light goes on only where its cause stands and asks for an act: high and medium, but not an opening that somebody knows
of now.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from soak.alarms import KINDS, Priority
from soak.signals import Sounding
from soak.wire import AlarmOrders

OPENED_EARLY = "opened-early"


class Standing(NamedTuple):
    """One alarm that stands.

    Attributes:
        code: Its kind.
        priority: How urgent it is now.
        since_ms: Since when it stands here, on the node's clock.
        seen_ms: When somebody pressed the button at it; None: nobody has.
        quiet: It makes no sound.
        lit: The light shows it.
    """

    code: str
    priority: Priority
    since_ms: int
    seen_ms: int | None
    quiet: bool
    lit: bool


class _Ordered(NamedTuple):
    alarm: AlarmOrders
    since_ms: int
    received_ms: int

    def holds(self, now_ms: int) -> bool:
        return now_ms < self.received_ms + self.alarm.good_for_s * 1_000


class Alarms:
    """Keeps account of them. Times are milliseconds of the node's clock."""

    def __init__(self) -> None:
        self._own: dict[str, int] = {}
        self._ordered: dict[str, _Ordered] = {}
        self._seen: dict[str, int] = {}

    def set(self, code: str, ms: int, *, there: bool) -> None:
        """One of the node's own is there, since `ms` if it was not before; or it is gone."""
        if there and code not in self._own:
            self._own[code] = ms
            self._seen.pop(code, None)  # what was seen was the one before
        elif not there:
            self._own.pop(code, None)

    def order(self, alarms: Sequence[AlarmOrders], received_ms: int, now_ms: int) -> None:
        """What the collector orders from now on; each lives for its time from `received_ms` on."""
        before = {code: each for code, each in self._ordered.items() if each.holds(now_ms)}
        self._ordered = {
            alarm.code: _Ordered(
                alarm, before[alarm.code].since_ms if alarm.code in before else received_ms, received_ms
            )
            for alarm in alarms
        }

    def standing(self, now_ms: int, *, lid_closed: bool) -> list[Standing]:
        """All that stand, the most urgent first; of these first what nobody has seen, then the newest.

        Args:
            now_ms: Now.
            lid_closed: An opening that the collector still orders is over here.
        """
        ordered = {
            code: each
            for code, each in self._ordered.items()
            if each.holds(now_ms) and not (lid_closed and code == OPENED_EARLY)
        }
        codes = self._own.keys() | ordered.keys()
        self._seen = {code: ms for code, ms in self._seen.items() if code in codes}
        found = [self._one(code, ordered.get(code)) for code in codes]
        return sorted(found, key=lambda one: (one.priority.rank, one.quiet, -one.since_ms, one.code))

    def _one(self, code: str, ordered: _Ordered | None) -> Standing:
        own_ms, seen_ms = self._own.get(code), self._seen.get(code)
        priorities = [KINDS[code].priority] if own_ms is not None else []
        since = [own_ms] if own_ms is not None else []
        told_seen = silenced = False
        if ordered:
            priorities.append(ordered.alarm.priority)
            since.append(ordered.since_ms)
            if own_ms is None or ordered.received_ms > own_ms:  # else it was said of the one before
                told_seen, silenced = ordered.alarm.seen, ordered.alarm.silenced
        priority = min(priorities, key=lambda each: each.rank)
        seen = seen_ms is not None or told_seen
        lit = not seen or (priority is not Priority.LOW and code != OPENED_EARLY)
        return Standing(code, priority, min(since), seen_ms, quiet=seen or silenced, lit=lit)

    def press(self, ms: int, *, lid_closed: bool) -> bool:
        """Somebody pressed the button: all that stand are seen.

        Returns:
            Whether that is all it meant: something high or medium sounded. At a low one it keeps its ordinary meaning.
        """
        standing = self.standing(ms, lid_closed=lid_closed)
        for one in standing:
            self._seen.setdefault(one.code, ms)
        return any(not one.quiet and one.priority is not Priority.LOW for one in standing)


def sounding(standing: Sequence[Standing]) -> list[Sounding]:
    """Those that ask for the buzzer."""
    return [Sounding(one.priority, one.since_ms, one.code) for one in standing if not one.quiet]
