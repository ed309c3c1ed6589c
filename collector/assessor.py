"""The rule applied to stored readings: picks the requirement in force, hands over ended closures with their dates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from collector.readings import Piece
from collector.required import Required
from soak.closure import Closure, Finding
from soak.exposure import Meter
from soak.findings import CODES
from soak.quantity import in_words
from soak.reading import Lid

_DAY_MS = 24 * 3_600_000


class Ended(NamedTuple):
    """An ended closure.

    Attributes:
        closure: What the rule says.
        piece: What its last reading came with, and how that is dated.
        closing_offset_ms: Wall clock minus uninterrupted clock at its first reading: what judges it was looked up so.
    """

    closure: Closure
    piece: Piece
    closing_offset_ms: int


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
        self._newest: Piece | None = None
        self._closing_offset_ms = 0

    def run(self, piece: Piece, start: int, end: int) -> tuple[int, Ended | None]:
        """Take the next readings, in the order of the numbers, until a closure has begun or ended.

        Args:
            piece: Readings.
            start: Index of the first to take.
            end: Index of the first to leave.

        Returns:
            Index of the first that was not taken, and the closure that ended with the one before it.
        """
        meter, readings, offset_ms = self._meter, piece.readings, piece.offset_ms
        running_first = meter.first
        number = piece.first + start
        self._newest = piece
        for index in range(start, end):
            reading = readings[index]
            if not self._from_ms <= reading.ms + offset_ms < self._until_ms:
                self._look_up(reading.ms + offset_ms, offset_ms)
            closure = meter.feed(number, reading)
            number += 1
            if closure is not None:
                ended = self._handed_over(closure)
                self._closing_offset_ms = offset_ms
                return index + 1, ended
            if reading.lid is Lid.CLOSED and meter.first != running_first:
                self._closing_offset_ms = offset_ms
                return index + 1, None
        return end, None

    def end(self) -> Ended | None:
        """A newer stream has taken over."""
        closure = self._meter.end()
        return None if closure is None else self._handed_over(closure)

    def running(self) -> Closure | None:
        """The closure in progress as it stands."""
        closure = self._meter.running()
        return self._explained(closure, self._newest) if closure and self._newest else None

    @property
    def running_first(self) -> int | None:
        """Number of the first reading of the closure in progress; None with the lid open."""
        return self._meter.first

    @property
    def closing_missed(self) -> bool:
        """The closure in progress began after a loss or a long pause."""
        return self._meter.closing_missed

    def _look_up(self, utc_ms: int, boot_utc_ms: int) -> None:
        """Tell the meter what holds now; and what held since the reading before, for a closing that nobody saw."""
        if self._until_ms < 0 and not self._discard_to:  # the stream's beginning, which may be lost
            told_ms = boot_utc_ms - 1
        else:
            told_ms = self._from_ms if self._until_ms >= 0 and self._from_ms <= utc_ms else utc_ms
        self._from_ms, self._until_ms = 0, 1 << 62
        in_force = Required(0, None, {})
        for required in self._required:
            if required.since_ms > utc_ms:
                self._until_ms = required.since_ms
                break
            if required.since_ms > told_ms:
                self._meter.require(in_force.requirement, in_force.terms)
            self._from_ms, in_force = required.since_ms, required
        self._meter.require(in_force.requirement, in_force.terms)

    def _handed_over(self, closure: Closure) -> Ended | None:
        if closure.first <= self._discard_to or self._newest is None:
            return None
        return Ended(self._explained(closure, self._newest), self._newest, self._closing_offset_ms)

    def _explained(self, closure: Closure, newest: Piece) -> Closure:
        """With the findings that do not follow from its readings."""
        more = [] if newest.dated else [Finding("clock-unsynchronised", CODES["clock-unsynchronised"])]
        more += _overdue(self._required, closure.closing_ms + newest.offset_ms)
        return msgspec.structs.replace(closure, findings=(*closure.findings, *more)) if more else closure


def _overdue(required: Sequence[Required], closing_utc_ms: int) -> list[Finding]:
    """Checks that were overdue when the lid was closed. A check made later makes none of them good."""
    in_force = next((each for each in reversed(required) if each.since_ms <= closing_utc_ms), None)
    found = []
    for sensor, until_ms in sorted(in_force.until_ms.items()) if in_force else ():
        late_ms = closing_utc_ms - until_ms
        if late_ms > 0:
            days = late_ms // _DAY_MS
            since = in_words(late_ms) if not days else "1 day" if days == 1 else f"{days} days"
            text = f"The check of sensor {sensor} had been overdue for {since}: its U is not known to hold."
            found.append(Finding("check-overdue", text, None, {"overdue_ms": late_ms}))
    return found
