"""The exposure rule: from the readings of one stream to closures with a verdict.

A streaming meter. Each reading is seen once, in the order of its number; memory is bounded by the contact time. The
meter finds where closures begin and end; `soak.proof` adds up what each of them proves.

The rule's behaviour is written down, independent of any language, in `vectors.json` beside this file.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from soak.closure import Closure, Edge
from soak.proof import ClosureState, Progress, Proof
from soak.reading import Lid, Reading, SensorId
from soak.requirement import MAX_GAP_MS, Judge, Judged, Requirement, SensorTerms
from soak.strictest import NOTHING, InForce, strictest


class OutOfOrderError(ValueError):
    """A reading that does not come after the one before it; data from it would be worthless.

    Attributes:
        number: The reading's number.
        ms: The reading's time in milliseconds.
    """

    def __init__(self, number: int, ms: int, previous_number: int, previous_ms: int) -> None:
        super().__init__(
            f"Reading {number} at {ms} ms does not follow reading {previous_number} at {previous_ms} ms. "
            "Within a stream, numbers and times only rise. Bring the readings in the order of their numbers."
        )
        self.number, self.ms = number, ms


class MeterState(msgspec.Struct, frozen=True):
    """A meter as plain values: saved with `Meter.state`, carried on with `Meter.restored`, to the millisecond."""

    requirement: Requirement | None
    terms: dict[SensorId, SensorTerms]
    number: int | None
    ms: int
    closure: ClosureState | None
    since_open: tuple[InForce, ...] = ()


class Meter:
    """Watches one stream: readings in, closures out.

    Args:
        requirement: What a soak must fulfil; None where none is set, then no closure can be proven.
        terms: Correction and U of every required sensor of the basin.
    """

    def __init__(self, requirement: Requirement | None, terms: Mapping[SensorId, SensorTerms]) -> None:
        self._force = InForce(requirement, dict(terms))
        self._since_open: tuple[InForce, ...] = () if self._force == NOTHING else (self._force,)
        self._judge = self._judge_unseen = _judge(self._force)
        self._number: int | None = None
        self._ms = 0
        self._closure: Proof | None = None

    def require(self, requirement: Requirement | None, terms: Mapping[SensorId, SensorTerms]) -> None:
        """Set the requirement for closures from the next closing on; one in progress keeps its own.

        A closure that begins after a loss is judged by the strictest that was in force since the lid was last seen
        open: so tell everything that was, one after the other.
        """
        force = InForce(requirement, dict(terms))
        if force == self._force and self._since_open:
            return
        self._force, self._judge = force, _judge(force)
        if force not in self._since_open:
            self._since_open = (*self._since_open, force)
        self._judge_unseen = self._judge if len(self._since_open) == 1 else _judge(strictest(self._since_open))

    def feed(self, number: int, reading: Reading) -> Closure | None:
        """Take the next reading.

        Args:
            number: Its number in the stream; a jump means that readings were lost.
            reading: The reading.

        Returns:
            The closure that ended with it, or None.

        Raises:
            OutOfOrderError: Number or time do not come after the reading before.
        """
        if reading.lid is Lid.OPEN:
            return self.step(number, reading.ms, False, None)
        closure, ms = self._closure, reading.ms
        if closure is not None and number == self._number + 1 and 0 < ms - self._ms <= closure.max_gap_ms:  # type: ignore[operator]
            self._number, self._ms = number, ms  # the common case, as in `step`
            ended, judge = None, closure.judge
            judged = judge.of(reading.mc) if judge else None
            closure.add(ms, judged)
        else:
            judge = self._judge_after(self._lost(number))
            judged = judge.of(reading.mc) if judge else None
            ended = self._turn(number, ms, True, judged)
        if judged is None and judge and self._closure:
            for sensor in judge.sensors:
                if fault := reading.fault.get(sensor):
                    self._closure.add_fault(fault.code)
        return ended

    def step(self, number: int, ms: int, closed: bool, judged: Judged | None) -> Closure | None:
        """Take the next reading, already judged against the requirement in force; see `feed`."""
        closure = self._closure
        if closure is not None and closed and number == self._number + 1 and 0 < ms - self._ms <= closure.max_gap_ms:  # type: ignore[operator]
            self._number, self._ms = number, ms
            closure.add(ms, judged)
            return None
        return self._turn(number, ms, closed, judged)

    def _turn(self, number: int, ms: int, closed: bool, judged: Judged | None) -> Closure | None:
        """A reading that begins or ends a closure, or comes with the lid open."""
        previous, previous_ms, closure = self._number, self._ms, self._closure
        if previous is not None and (number <= previous or ms <= previous_ms):
            raise OutOfOrderError(number, ms, previous, previous_ms)
        lost = self._lost(number)
        ended = None
        if closure is not None:
            follows = self._follows(number, ms, closure.max_gap_ms)
            edge = Edge.SEEN if follows else Edge.LOST if lost else Edge.GAP
            ended = closure.snapshot(previous or 0, previous_ms, edge, ms if follows else None, lost)
            self._closure = None
        if closed:
            judge = self._judge_after(lost)
            max_gap_ms = judge.requirement.max_gap_ms if judge else MAX_GAP_MS
            if previous is None and not lost:
                edge = Edge.START
            elif closure is None and self._follows(number, ms, max_gap_ms):
                edge = Edge.SEEN
            else:
                edge = Edge.LOST if lost else Edge.GAP
            self._closure = Proof(judge, number, ms, edge, lost)
            self._closure.add(ms, judged)
        elif len(self._since_open) != 1:
            self._since_open, self._judge_unseen = (self._force,), self._judge
        self._number, self._ms = number, ms
        return ended

    def _lost(self, number: int) -> int:
        """How many numbers are missing just before this one."""
        return number - 1 - (self._number or 0)  # they are dense from 1

    def _judge_after(self, lost: int) -> Judge | None:
        """Who judges a closure that begins now: readings before it may be lost, and with them the closing."""
        return self._judge_unseen if lost else self._judge

    def _follows(self, number: int, ms: int, max_gap_ms: int) -> bool:
        return self._number is not None and number == self._number + 1 and ms - self._ms <= max_gap_ms

    def end(self) -> Closure | None:
        """A newer stream of the basin has taken over: what was running ended, and nobody saw how."""
        closure, self._closure = self._closure, None
        return closure.snapshot(self._number or 0, self._ms, Edge.STREAM_END, None, 0) if closure else None

    def running(self) -> Closure | None:
        """The closure in progress as it stands now; its verdict is met or running."""
        return self._closure.snapshot(self._number or 0, self._ms, Edge.RUNNING, None, 0) if self._closure else None

    def progress(self) -> Progress | None:
        """How far the closure in progress has come; None with the lid open."""
        return self._closure.progress() if self._closure else None

    @property
    def first(self) -> int | None:
        """Number of the first reading of the closure in progress; None with the lid open."""
        return self._closure.first if self._closure else None

    @property
    def closing_missed(self) -> bool:
        """It began after a loss or a long pause: what was in force earlier may judge it, or the next."""
        return self._closure is not None and self._closure.closing_edge in (Edge.LOST, Edge.GAP)

    @property
    def number(self) -> int | None:
        """Number of the newest reading taken in."""
        return self._number

    def state(self) -> MeterState:
        """Everything needed to carry on in another process as if nothing had happened."""
        closure = self._closure.state() if self._closure else None
        requirement, terms = self._force
        return MeterState(requirement, dict(terms), self._number, self._ms, closure, self._since_open)

    @classmethod
    def restored(cls, state: MeterState) -> Meter:
        """The meter that `state` was taken from."""
        meter = cls(state.requirement, state.terms)
        meter._number, meter._ms = state.number, state.ms
        meter._closure = Proof.restored(state.closure) if state.closure else None
        meter._since_open = state.since_open
        if len(state.since_open) > 1:
            meter._judge_unseen = _judge(strictest(state.since_open))
        return meter


def _judge(force: InForce) -> Judge | None:
    return Judge(force.requirement, force.terms) if force.requirement and force.terms else None
