"""When something that is so becomes an alarm, when it no longer is one, when it rises and whom it goes to. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from collector.alarms.held import Held, Key
from collector.record.things import Alarm, Policy
from soak.alarms import KINDS, Priority

_MINUTE_MS = 60_000

TEMPERATURE = frozenset({"below-minimum", "above-maximum", "guard-band", "sensor-fault"})
"""What the site's delays for temperatures during a soak are for."""

_ON_MS = {"clock-unsynchronised": 10 * _MINUTE_MS, "readings-missing": 0}
"""How long it must be so. Our own choice: a node's clock needs some minutes after a start."""

_OFF_MS = {"clock-unsynchronised": _MINUTE_MS, "readings-missing": 5_000, "disk-nearly-full": 10 * _MINUTE_MS}
"""How long it must not be so any more, so that what flickers is one alarm. Our own choice."""


class Delays(NamedTuple):
    """How long something must be so, and then not be so any more, in milliseconds."""

    on_ms: int
    off_ms: int


def delays_of(code: str, policy: Policy) -> Delays:
    """What the site has set, or our own choice."""
    if code in TEMPERATURE:
        return Delays(policy.alarm_on_ms, policy.alarm_off_ms)
    if code == "lid-left-open":
        return Delays(policy.alarm_lid_open_ms, 0)
    if code == "soak-waits":
        return Delays(policy.alarm_soak_waits_ms, 0)
    return Delays(_ON_MS.get(code, 0), _OFF_MS.get(code, 0))


class Looked(NamedTuple):
    """What one look asks for."""

    raised: list[Held]
    cleared: list[Alarm]


class Timing:
    """Remembers since when things are so, and since when they no longer are."""

    def __init__(self) -> None:
        self._so: dict[Key, int] = {}
        self._over: dict[Key, int] = {}

    def look(self, held: Mapping[Key, Held], standing: Iterable[Alarm], policy: Policy, now_ms: int) -> Looked:
        """Compare what is so with what stands.

        Args:
            held: What is so now.
            standing: Alarms that stand, of causes that can be over by themselves.
            policy: The site's delays.
            now_ms: Milliseconds since 1970.
        """
        stands = {Key(alarm.code, alarm.about): alarm for alarm in standing}
        raised, cleared = [], []
        for key, one in held.items():
            self._over.pop(key, None)
            since_ms = self._so[key] = min(self._so.get(key, now_ms), one.cause_ms, now_ms)
            known = stands.get(key)
            if (known is None or known.cleared_ms is not None) and now_ms - since_ms >= delays_of(
                key.code, policy
            ).on_ms:
                raised.append(one)
        for key in self._so.keys() - held.keys():
            del self._so[key]
        for key, alarm in stands.items():
            if key in held or alarm.cleared_ms is not None:
                continue
            since_ms = self._over.setdefault(key, now_ms)
            if now_ms - since_ms >= delays_of(key.code, policy).off_ms:
                cleared.append(alarm)
        for key in self._over.keys() - stands.keys():
            del self._over[key]
        return Looked(raised, cleared)


def rises(alarm: Alarm, policy: Policy, now_ms: int) -> bool:
    """Solution too cold becomes a high alarm when nobody acts."""
    return (
        alarm.code == "below-minimum"
        and alarm.priority is not Priority.HIGH
        and alarm.seen is None
        and alarm.cleared_ms is None
        and now_ms - alarm.raised_ms >= policy.alarm_cold_rises_ms
    )


def due_to_be_told(alarm: Alarm, policy: Policy, now_ms: int) -> bool:
    """It is to go to the first person of the list, or, high and seen by nobody, to the next."""
    if alarm.seen is not None or alarm.ended_ms is not None:
        return False
    if alarm.told == 0:
        return True
    told_ms = alarm.raised_ms if alarm.told_ms is None else alarm.told_ms
    return alarm.priority is Priority.HIGH and now_ms - told_ms >= policy.alarm_next_person_ms


def starting_priority(code: str) -> Priority:
    """How urgent an alarm is when it is raised; medium for a code that this version does not know."""
    return KINDS[code].priority if code in KINDS else Priority.MEDIUM


def lasting(code: str) -> bool:
    """It stands until somebody has seen it."""
    return code in KINDS and KINDS[code].lasting
