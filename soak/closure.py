"""A closure: one unbroken time with the lid closed, and what it is worth."""

from __future__ import annotations

import enum

import msgspec

from soak.requirement import Requirement


class Verdict(enum.StrEnum):
    """What a closure is worth. Both failing verdicts tell the person to reprocess; they differ in why."""

    MET = "met"
    NOT_MET = "not met"
    UNPROVEN = "unproven"
    RUNNING = "running"


class Edge(enum.StrEnum):
    """How a closure began or ended. Only `SEEN` means that the lid was seen to move."""

    SEEN = "seen"
    START = "start"  # the stream begins here: node started or rebooted
    LOST = "lost"  # reading numbers are missing
    GAP = "gap"  # numbers follow on, but too long a pause between them
    STREAM_END = "stream end"  # a newer stream of the basin took over
    RUNNING = "running"  # nothing has ended it yet


class Finding(msgspec.Struct, frozen=True):
    """Why a verdict is what it is, in the technician's words. It names events, never blame.

    Attributes:
        code: The finding's name, from design's list, e.g. "opened-early".
        text: One sentence with the numbers in it.
        at_ms: When, on the stream's clock; None where it concerns the whole closure.
        numbers: The figures behind the text, units in the names.
    """

    code: str
    text: str
    at_ms: int | None = None
    numbers: dict[str, int] = {}


class Closure(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One closure of one stream. Times in milliseconds of the node's clock, temperatures in millidegrees Celsius.

    What is not written down is zero, empty, false or unknown: the edges and the verdict always are.

    Attributes:
        first: Number of its first reading.
        last: Number of its last reading.
        closing_ms: Time of its first reading.
        last_ms: Time of its last reading; the interval that ends in the open reading counts for nothing.
        opening_ms: Time of the open reading that ended it; None if unseen or running.
        closing_edge: How it began.
        opening_edge: How it ended.
        lost_before: Reading numbers missing just before it.
        lost_after: Reading numbers missing just after it.
        requirement: In force at the closing reading; None if there was none.
        verdict: What it is worth.
        credited_ms: Longest run of consecutive credited intervals.
        not_out_ms: Longest run of intervals that are not out of range, as far as it was watched.
        not_out_unlimited: That run reaches an edge that nobody saw, so it has no limit.
        allowance_mc: By how much all sensors could be lowered with the soak still met; None without a stretch.
        sensor_allowances_mc: The same for each sensor alone, every other one in range.
        coldest_mc: Lowest corrected temperature of its known readings.
        hottest_mc: Highest corrected temperature of its known readings.
        readings: How many readings it has.
        known: How many of them have a value from every required sensor.
        unknown_ms: Time not credited because temperatures were missing.
        out_ms: Time in intervals that are out of range.
        out_first_ms: Time of the first reading out of range.
        unknown_first_ms: Time of the first reading without a value.
        faults: How often each fault word was given instead of a temperature: the first sixteen words by name, the rest
            together as "other".
        met_without_u: It would be met if every U were 0.
        findings: Why.
        silent_out_ms: The part of `out_ms` for which there was no temperature: between known readings further apart
            than the longest allowed gap, and at the edges.
    """

    first: int
    last: int
    closing_ms: int
    last_ms: int
    opening_ms: int | None = None
    closing_edge: Edge
    opening_edge: Edge
    lost_before: int = 0
    lost_after: int = 0
    requirement: Requirement | None = None
    verdict: Verdict
    credited_ms: int
    not_out_ms: int
    not_out_unlimited: bool = False
    allowance_mc: int | None = None
    sensor_allowances_mc: dict[str, int | None] = {}
    coldest_mc: int | None = None
    hottest_mc: int | None = None
    readings: int
    known: int
    unknown_ms: int = 0
    out_ms: int = 0
    out_first_ms: int | None = None
    unknown_first_ms: int | None = None
    faults: dict[str, int] = {}
    met_without_u: bool = False
    findings: tuple[Finding, ...] = ()
    silent_out_ms: int = 0

    @property
    def closed_ms(self) -> int:
        """How long it is known to have been closed: from its first reading to its last."""
        return self.last_ms - self.closing_ms

    @property
    def closing_seen(self) -> bool:
        """The lid was seen to close."""
        return self.closing_edge is Edge.SEEN

    @property
    def opening_seen(self) -> bool:
        """The lid was seen to open."""
        return self.opening_edge is Edge.SEEN

    @property
    def running(self) -> bool:
        """Nothing has ended it yet."""
        return self.opening_edge is Edge.RUNNING
