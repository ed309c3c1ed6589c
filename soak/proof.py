"""A closure in progress and what it proves so far: runs of intervals, margins, what was missing.

The longest runs are kept as the time they began: intervals between consecutive readings add up to last minus first, so
the common reading (still closed, in range) costs a few comparisons.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from soak.allowance import LOWEST, BestStretch, StretchState
from soak.closure import Closure, Edge, Verdict
from soak.findings import explain
from soak.reading import SensorId
from soak.requirement import MAX_GAP_MS, Judge, Judged, Requirement, SensorTerms

NEVER = 1 << 62

MOST_FAULT_WORDS = 16
OTHER_FAULTS = "other"
"""Where a sender makes up ever new fault words, the first so many are counted by name, the rest together under this."""


class Progress(NamedTuple):
    """How far a closure in progress has come: what a light needs at every reading, without a snapshot's cost.

    Attributes:
        run_ms: The credited run that is still going on, up to the newest known reading.
        contact_ms: What it must reach; None where nothing is required, so that nothing can be proven.
        met: A run has reached it.
    """

    run_ms: int
    contact_ms: int | None
    met: bool


class RunState(msgspec.Struct, frozen=True):
    """A longest-run search as plain values."""

    best_ms: int
    start_ms: int | None


class Run:
    """Longest run of consecutive intervals of one kind, kept as the time the current one began."""

    __slots__ = ("best_ms", "start_ms")

    def __init__(self) -> None:
        self.best_ms = 0
        self.start_ms = NEVER  # no run at present

    def end(self, last_ms: int) -> None:
        """The run, if any, ended with the reading at `last_ms`."""
        if self.start_ms != NEVER:
            self.best_ms = max(self.best_ms, last_ms - self.start_ms)
            self.start_ms = NEVER

    def longest_ms(self, last_ms: int) -> int:
        """The longest so far, the current one counted up to `last_ms`."""
        return self.best_ms if self.start_ms == NEVER else max(self.best_ms, last_ms - self.start_ms)

    def state(self) -> RunState:
        """Everything needed to carry on later."""
        return RunState(self.best_ms, None if self.start_ms == NEVER else self.start_ms)

    @classmethod
    def restored(cls, state: RunState) -> Run:
        """The search that `state` was taken from."""
        run = cls()
        run.best_ms = state.best_ms
        run.start_ms = NEVER if state.start_ms is None else state.start_ms
        return run


class ClosureState(msgspec.Struct, frozen=True):
    """A closure in progress as plain values."""

    requirement: Requirement | None
    terms: dict[SensorId, SensorTerms]
    first: int
    closing_ms: int
    closing_edge: Edge
    lost_before: int
    readings: int
    known: int
    known_ms: int | None
    in_range: bool
    in_range_without_u: bool
    credited: RunState
    credited_without_u: RunState
    not_out: RunState
    not_out_reaches_back: bool
    not_out_unlimited: bool
    coldest_mc: int | None
    hottest_mc: int | None
    unknown_ms: int
    out_ms: int
    silent_out_ms: int
    out_first_ms: int | None
    unknown_first_ms: int | None
    faults: dict[str, int]
    stretch: StretchState
    sensor_stretches: list[StretchState]


class Proof:
    """A closure in progress: everything the rule needs to remember of it."""

    __slots__ = (
        "closing_edge",
        "closing_ms",
        "coldest_mc",
        "contact_ms",
        "credited",
        "credited_without_u",
        "faults",
        "first",
        "hottest_mc",
        "in_range",
        "in_range_without_u",
        "judge",
        "known",
        "known_ms",
        "lost_before",
        "max_gap_ms",
        "not_out",
        "not_out_reaches_back",
        "not_out_unlimited",
        "out_first_ms",
        "out_ms",
        "readings",
        "sensor_stretches",
        "silent_out_ms",
        "stretch",
        "unknown_first_ms",
        "unknown_ms",
    )

    def __init__(self, judge: Judge | None, first: int, closing_ms: int, closing_edge: Edge, lost_before: int) -> None:
        requirement = judge.requirement if judge else None
        self.judge = judge
        self.max_gap_ms = requirement.max_gap_ms if requirement else MAX_GAP_MS
        self.contact_ms = requirement.contact_ms if requirement else NEVER
        self.first, self.closing_ms, self.closing_edge, self.lost_before = first, closing_ms, closing_edge, lost_before
        self.readings = self.known = 0
        self.known_ms: int | None = None
        self.in_range = self.in_range_without_u = False
        self.credited, self.credited_without_u, self.not_out = Run(), Run(), Run()
        self.not_out_reaches_back = False  # the current not-out run goes back to a closing that nobody saw
        self.not_out_unlimited = False  # a finished not-out run did
        self.coldest_mc: int | None = None
        self.hottest_mc: int | None = None
        self.unknown_ms = self.out_ms = self.silent_out_ms = 0
        self.out_first_ms: int | None = None
        self.unknown_first_ms: int | None = None
        self.faults: dict[str, int] = {}
        self.stretch = BestStretch(self.contact_ms)
        sensors = judge.sensors if judge else ()
        self.sensor_stretches = [BestStretch(self.contact_ms) for _ in sensors] if len(sensors) > 1 else []

    def add(self, ms: int, judged: Judged | None) -> None:
        """Take in one more closed reading, judged; None where its margin is unknown."""
        self.readings += 1
        if judged is None:
            if self.unknown_first_ms is None:
                self.unknown_first_ms = ms
            return
        self.known += 1
        known_ms = self.known_ms
        margin_mc = judged[0]
        if self.in_range and margin_mc >= 0 and not judged[3] and ms - known_ms <= self.max_gap_ms:  # type: ignore[operator]
            self.known_ms = ms  # the common case: the credited run, and every other one, simply goes on
            if judged[1] < self.coldest_mc:  # type: ignore[operator]  # noqa: PLR1730
                self.coldest_mc = judged[1]
            if judged[2] > self.hottest_mc:  # type: ignore[operator]  # noqa: PLR1730
                self.hottest_mc = judged[2]
        else:
            self._known(ms, judged)
        stretch = self.stretch
        if judged[3]:
            stretch.cut()
        elif margin_mc > stretch.best:
            stretch.push(ms, margin_mc)
        else:
            stretch.cut()
        if self.sensor_stretches:
            self._sensor_stretches(ms, judged)

    def add_fault(self, word: str) -> None:
        """A required sensor gave this fault word instead of a temperature."""
        faults = self.faults
        if word not in faults and len(faults) >= MOST_FAULT_WORDS:
            word = OTHER_FAULTS
        faults[word] = faults.get(word, 0) + 1

    def _sensor_stretches(self, ms: int, judged: Judged) -> None:
        margins = judged.margins_mc
        all_in_range = judged.margin_mc >= 0
        for index, stretch in enumerate(self.sensor_stretches):
            others_in_range = all_in_range or all(margin >= 0 for margin in margins[:index] + margins[index + 1 :])
            if others_in_range and not judged.above:
                stretch.push(ms, margins[index])
            else:
                stretch.cut()

    def _known(self, ms: int, judged: Judged) -> None:
        """A known reading that is not simply more of the same."""
        requirement = self.judge.requirement if self.judge else None
        assert requirement is not None
        in_range = judged.margin_mc >= 0 and not judged.above
        in_range_without_u = judged.lowest_mc >= requirement.min_mc and (
            requirement.max_mc is None or judged.highest_mc <= requirement.max_mc
        )
        if self.known_ms is None:
            self._first_known(ms, in_range)
        else:
            self._interval(self.known_ms, ms, in_range, in_range_without_u)
        if in_range and self.credited.start_ms == NEVER:
            self.credited.start_ms = ms
        if in_range_without_u and self.credited_without_u.start_ms == NEVER:
            self.credited_without_u.start_ms = ms
        if not in_range and self.out_first_ms is None:
            self.out_first_ms = ms
        self.coldest_mc = judged.lowest_mc if self.coldest_mc is None else min(self.coldest_mc, judged.lowest_mc)
        self.hottest_mc = judged.highest_mc if self.hottest_mc is None else max(self.hottest_mc, judged.highest_mc)
        self.known_ms, self.in_range, self.in_range_without_u = ms, in_range, in_range_without_u

    def _interval(self, known_ms: int, ms: int, in_range: bool, in_range_without_u: bool) -> None:
        """From one known reading to the next, which is judged so."""
        near = ms - known_ms <= self.max_gap_ms
        if not (in_range and self.in_range):
            self.out_ms += ms - known_ms
            self._end_not_out(known_ms)
            if in_range:
                self.not_out.start_ms = ms
        elif not near:
            self.unknown_ms += ms - known_ms
        if not near:
            if not (in_range and self.in_range):
                self.silent_out_ms += ms - known_ms
            self.stretch.cut()
            for stretch in self.sensor_stretches:
                stretch.cut()
        if not (near and in_range and self.in_range):
            self.credited.end(known_ms)
        if not (near and in_range_without_u and self.in_range_without_u):
            self.credited_without_u.end(known_ms)

    def _first_known(self, ms: int, in_range: bool) -> None:
        """From the closure's first reading to its first known one: out if that is out of range, else unknown."""
        if in_range:
            self.unknown_ms += ms - self.closing_ms
            self.not_out.start_ms = self.closing_ms
            self.not_out_reaches_back = self.closing_edge is not Edge.SEEN
        else:
            self.out_ms += ms - self.closing_ms
            self.silent_out_ms += ms - self.closing_ms

    def _end_not_out(self, last_ms: int) -> None:
        self.not_out.end(last_ms)
        self.not_out_unlimited |= self.not_out_reaches_back
        self.not_out_reaches_back = False

    def progress(self) -> Progress:
        """How far it has come."""
        if self.judge is None or self.known_ms is None:
            return Progress(0, None if self.judge is None else self.contact_ms, met=False)
        run_ms = 0 if self.credited.start_ms == NEVER else self.known_ms - self.credited.start_ms
        return Progress(run_ms, self.contact_ms, met=self.credited.longest_ms(self.known_ms) >= self.contact_ms)

    def snapshot(self, last: int, last_ms: int, edge: Edge, opening_ms: int | None, lost_after: int) -> Closure:
        """The closure as it stands if its last reading is `last` and it ended (or runs) as `edge` says."""
        requirement = self.judge.requirement if self.judge else None
        known_ms = self.known_ms
        credited_ms = without_u_ms = 0
        unknown_ms, out_ms, silent_out_ms = self.unknown_ms, self.out_ms, self.silent_out_ms
        ended_unseen = edge not in (Edge.SEEN, Edge.RUNNING)
        unlimited = self.not_out_unlimited or self.not_out_reaches_back
        if known_ms is None:  # one unknown interval
            unknown_ms = not_out_ms = last_ms - self.closing_ms
            unlimited = self.closing_edge is not Edge.SEEN or ended_unseen
        else:
            credited_ms = self.credited.longest_ms(known_ms)
            without_u_ms = self.credited_without_u.longest_ms(known_ms)
            if self.in_range:
                unknown_ms += last_ms - known_ms
                not_out_ms = self.not_out.longest_ms(last_ms)
                unlimited = unlimited or ended_unseen
            else:
                out_ms += last_ms - known_ms
                silent_out_ms += last_ms - known_ms
                not_out_ms = self.not_out.longest_ms(known_ms)
        if credited_ms >= self.contact_ms:
            verdict = Verdict.MET
        elif edge is Edge.RUNNING:
            verdict = Verdict.RUNNING
        elif requirement is None or unlimited or not_out_ms >= self.contact_ms:
            verdict = Verdict.UNPROVEN
        else:
            verdict = Verdict.NOT_MET
        allowances = [self.stretch] if not self.sensor_stretches else self.sensor_stretches
        closure = Closure(
            first=self.first,
            last=last,
            closing_ms=self.closing_ms,
            last_ms=last_ms,
            opening_ms=opening_ms,
            closing_edge=self.closing_edge,
            opening_edge=edge,
            lost_before=self.lost_before,
            lost_after=lost_after,
            requirement=requirement,
            verdict=verdict,
            credited_ms=credited_ms,
            not_out_ms=not_out_ms,
            not_out_unlimited=unlimited,
            allowance_mc=_found(self.stretch),
            sensor_allowances_mc=dict(
                zip(self.judge.sensors if self.judge else (), map(_found, allowances), strict=False)
            ),
            coldest_mc=self.coldest_mc,
            hottest_mc=self.hottest_mc,
            readings=self.readings,
            known=self.known,
            unknown_ms=unknown_ms,
            out_ms=out_ms,
            out_first_ms=self.out_first_ms,
            unknown_first_ms=self.unknown_first_ms,
            faults=dict(self.faults),
            met_without_u=without_u_ms >= self.contact_ms,
            silent_out_ms=silent_out_ms,
        )
        return msgspec.structs.replace(closure, findings=explain(closure))

    def state(self) -> ClosureState:
        """Everything needed to carry on later."""
        return ClosureState(
            requirement=self.judge.requirement if self.judge else None,
            terms=self.judge.terms if self.judge else {},
            first=self.first,
            closing_ms=self.closing_ms,
            closing_edge=self.closing_edge,
            lost_before=self.lost_before,
            readings=self.readings,
            known=self.known,
            known_ms=self.known_ms,
            in_range=self.in_range,
            in_range_without_u=self.in_range_without_u,
            credited=self.credited.state(),
            credited_without_u=self.credited_without_u.state(),
            not_out=self.not_out.state(),
            not_out_reaches_back=self.not_out_reaches_back,
            not_out_unlimited=self.not_out_unlimited,
            coldest_mc=self.coldest_mc,
            hottest_mc=self.hottest_mc,
            unknown_ms=self.unknown_ms,
            out_ms=self.out_ms,
            silent_out_ms=self.silent_out_ms,
            out_first_ms=self.out_first_ms,
            unknown_first_ms=self.unknown_first_ms,
            faults=dict(self.faults),
            stretch=self.stretch.state(),
            sensor_stretches=[stretch.state() for stretch in self.sensor_stretches],
        )

    @classmethod
    def restored(cls, state: ClosureState) -> Proof:
        """The proof that `state` was taken from."""
        judge = Judge(state.requirement, state.terms) if state.requirement else None
        closure = cls(judge, state.first, state.closing_ms, state.closing_edge, state.lost_before)
        closure.readings, closure.known, closure.known_ms = state.readings, state.known, state.known_ms
        closure.in_range, closure.in_range_without_u = state.in_range, state.in_range_without_u
        closure.credited = Run.restored(state.credited)
        closure.credited_without_u = Run.restored(state.credited_without_u)
        closure.not_out = Run.restored(state.not_out)
        closure.not_out_reaches_back = state.not_out_reaches_back
        closure.not_out_unlimited = state.not_out_unlimited
        closure.coldest_mc, closure.hottest_mc = state.coldest_mc, state.hottest_mc
        closure.unknown_ms, closure.out_ms = state.unknown_ms, state.out_ms
        closure.silent_out_ms = state.silent_out_ms
        closure.out_first_ms, closure.unknown_first_ms = state.out_first_ms, state.unknown_first_ms
        closure.faults = dict(state.faults)
        closure.stretch = BestStretch.restored(closure.contact_ms, state.stretch)
        closure.sensor_stretches = [BestStretch.restored(closure.contact_ms, each) for each in state.sensor_stretches]
        return closure


def _found(stretch: BestStretch) -> int | None:
    return None if stretch.best == LOWEST else stretch.best
