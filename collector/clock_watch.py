"""Whose clock is not synchronised, or differs from the collector's: since when, and what of it goes on record. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from collector.machine import ClockNoted
from soak.quantity import in_words

OWN = ""
"""Whose clock: the collector's own; else a node's name."""

OFF_MS = 5_000
"""A node's wall clock further off the collector's than this differs. Our own choice: durations come from the
uninterrupted clock, so verdicts hold; dates on paper should still agree to the second or so."""

HELD_MS = 10 * 60_000
"""So long it must be so: a machine needs some minutes after its start, and a message may have waited on its way."""

LONG_MS = 4 * 3_600_000
"""Not synchronised for longer is said everywhere. Our own choice: a passing fault of the network is over by then."""

RECORD_EVERY_MS = 3_600_000
"""A clock that comes and goes makes one record an hour."""


class Heard(NamedTuple):
    """What is known of one clock.

    Attributes:
        synced: It says that it is synchronised.
        offset_ms: Its wall clock minus the collector's; None where that cannot be told.
    """

    synced: bool
    offset_ms: int | None = None


class Judged(NamedTuple):
    """What follows.

    Attributes:
        unsynchronised: Whose clock has not been synchronised for long, with words.
        differing: Whose clock differs, with words.
        records: What is to go on record now.
    """

    unsynchronised: dict[str, str]
    differing: dict[str, str]
    records: list[ClockNoted]


class _So(NamedTuple):
    """How a clock is, since when: on a clock that only rises, and on the wall clock."""

    synced: bool
    steady_ms: int
    utc_ms: int


class ClockWatch:
    """Remembers since when each clock is as it is.

    Args:
        noted: What the ledger has, oldest first: a new start of the collector goes on from there.
    """

    def __init__(self, noted: Sequence[ClockNoted]) -> None:
        self._noted = {each.node: each.synced for each in noted}
        self._before_ms = {each.node: each.since_ms for each in noted if not self._noted[each.node]}
        self._recorded_ms: dict[str, int] = {}
        self._so: dict[str, _So] = {}
        self._off_ms: dict[str, int] = {}  # since when it differs

    def look(self, heard: Mapping[str, Heard], steady_ms: int, now_ms: int) -> Judged:
        """Judge.

        Args:
            heard: Of each clock that is heard at present.
            steady_ms: Of a clock that only rises.
            now_ms: The collector's wall clock, milliseconds since 1970.
        """
        judged = Judged({}, {}, [])
        for gone in self._so.keys() - heard.keys():
            del self._so[gone]
        for whose, clock in heard.items():
            so = self._so.get(whose)
            if so is None or so.synced is not clock.synced:
                so = self._so[whose] = _So(clock.synced, steady_ms, now_ms)
            if clock.synced:
                self._before_ms.pop(whose, None)
            if self._worth_a_record(whose, so, steady_ms):
                self._noted[whose], self._recorded_ms[whose] = so.synced, steady_ms
                judged.records.append(ClockNoted(whose, so.synced, so.utc_ms))
            if not clock.synced and self._wrong_for_ms(whose, so, steady_ms, now_ms) >= LONG_MS:
                judged.unsynchronised[whose] = f"{_named(whose)}, for more than {in_words(LONG_MS)}"
        self._differ({each: clock for each, clock in heard.items() if _off(clock)}, steady_ms, judged.differing)
        return judged

    def _worth_a_record(self, whose: str, so: _So, steady_ms: int) -> bool:
        """A clock that was never found wrong needs none: its first synchronised moment has a record of its own."""
        lately = steady_ms - self._recorded_ms.get(whose, steady_ms - RECORD_EVERY_MS) < RECORD_EVERY_MS
        return so.synced is not self._noted.get(whose, True) and steady_ms - so.steady_ms >= HELD_MS and not lately

    def _wrong_for_ms(self, whose: str, so: _So, steady_ms: int, now_ms: int) -> int:
        """How long it has not been synchronised; the record knows of before this start of the collector."""
        return max(steady_ms - so.steady_ms, now_ms - self._before_ms.get(whose, now_ms))

    def _differ(self, off: Mapping[str, Heard], steady_ms: int, differing: dict[str, str]) -> None:
        for gone in self._off_ms.keys() - off.keys():
            del self._off_ms[gone]
        for whose, clock in off.items():
            since_ms = self._off_ms.setdefault(whose, steady_ms)
            if steady_ms - since_ms >= HELD_MS and clock.offset_ms is not None:
                off_ms = abs(clock.offset_ms)
                words = in_words(off_ms - off_ms % (1_000 if off_ms < 60_000 else 60_000))
                differing[whose] = f"{_named(whose)}, {words} {'ahead' if clock.offset_ms > 0 else 'behind'}"


def _off(clock: Heard) -> bool:
    return clock.offset_ms is not None and abs(clock.offset_ms) > OFF_MS


def _named(whose: str) -> str:
    return f"node {whose}" if whose else "the collector’s own"
