"""The rule applied to stored readings: picks the requirement in force, hands over ended closures with their dates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from collector.readings import Stored
from collector.store import Required
from soak.closure import Closure, Finding
from soak.exposure import Meter
from soak.findings import CODES
from soak.requirement import Requirement, SensorTerms


class Ended(NamedTuple):
    """An ended closure with how to date it.

    Attributes:
        closure: What the rule says.
        offset_ms: Wall clock minus the node's uninterrupted clock.
        synced: That wall clock was synchronised.
    """

    closure: Closure
    offset_ms: int
    synced: bool


class Assessor:
    """Feeds one stream to a meter.

    Args:
        required: What has been required of the basin, oldest first. What is in force at the closing reading judges the
            whole closure.
        discard_to: Closures that begin at or before this number are not handed over: it is the reading before the
            first closure that is wanted, read only to know whether that closing was seen.
    """

    def __init__(self, required: Sequence[Required], discard_to: int = 0) -> None:
        self._required = required
        self._from_ms, self._until_ms = 0, -1  # when the answer holds: to begin with, never
        self._discard_to = discard_to
        self._meter = Meter(None, {})
        self._newest: Stored | None = None

    def feed(self, stored: Stored) -> Ended | None:
        """Take the next reading, in the order of the numbers; returns the closure that ended with it."""
        if not self._from_ms <= stored.utc_ms < self._until_ms:
            self._look_up(stored.utc_ms)
        self._newest = stored
        return self._handed_over(self._meter.feed(stored.number, stored.reading))

    def end(self) -> Ended | None:
        """A newer stream has taken over."""
        return self._handed_over(self._meter.end())

    def running(self) -> Closure | None:
        """The closure in progress as it stands."""
        closure = self._meter.running()
        return _with_clock_finding(closure, self._newest) if closure else None

    @property
    def running_first(self) -> int | None:
        """Number of the first reading of the closure in progress; None with the lid open."""
        return self._meter.first

    def _look_up(self, utc_ms: int) -> None:
        self._from_ms, self._until_ms = 0, 1 << 62
        requirement: Requirement | None = None
        terms: dict[str, SensorTerms] = {}
        for required in self._required:
            if required.since_ms > utc_ms:
                self._until_ms = required.since_ms
                break
            self._from_ms, requirement, terms = required
        self._meter.require(requirement, terms)

    def _handed_over(self, closure: Closure | None) -> Ended | None:
        if closure is None or closure.first <= self._discard_to or self._newest is None:
            return None
        offset_ms = self._newest.utc_ms - self._newest.reading.ms
        return Ended(_with_clock_finding(closure, self._newest), offset_ms, self._newest.clock.synced)


def _with_clock_finding(closure: Closure, newest: Stored | None) -> Closure:
    if newest is None or newest.clock.synced:
        return closure
    finding = Finding("clock-unsynchronised", CODES["clock-unsynchronised"])
    return msgspec.structs.replace(closure, findings=(*closure.findings, finding))
