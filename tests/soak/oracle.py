"""A second computation of the exposure rule: slow, obvious, written from the design's text and not from `soak`.

It keeps every reading, tries every run and every stretch, and follows the rule's sentences one by one, so that a reader
can check each against the text. It shares no code with `soak`. Times in milliseconds, temperatures in millidegrees
Celsius.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

DEFAULT_GAP_MS = 5_000
CREDITED, OUT, UNKNOWN = "credited", "out", "unknown"


@dataclass(frozen=True)
class Need:
    """What the label asks for."""

    min_mc: int
    contact_ms: int
    max_mc: int | None = None
    max_gap_ms: int = DEFAULT_GAP_MS


@dataclass(frozen=True)
class Terms:
    """A sensor's expanded uncertainty and its correction."""

    u_mc: int
    correction_mc: int = 0


@dataclass(frozen=True)
class Row:
    """One reading: number, time, lid, and a temperature (or None) from each sensor."""

    number: int
    ms: int
    closed: bool
    mc: Mapping[str, int | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Force:
    """What is in force at a reading: the requirement (or None) and the terms of every required sensor."""

    need: Need | None
    sensors: Mapping[str, Terms]


@dataclass(frozen=True)
class Result:
    """What the rule says about one closure."""

    first: int
    last: int
    closing_seen: bool
    opening_seen: bool
    running: bool
    opening_ms: int | None
    closed_ms: int
    credited_ms: int
    verdict: str
    codes: frozenset[str]
    coldest_mc: int | None
    hottest_mc: int | None
    allowance_mc: int | None
    sensor_allowances_mc: dict[str, int | None]
    known: int
    out_ms: int
    unknown_ms: int
    not_out_ms: int
    not_out_unlimited: bool
    met_without_u: bool


def assess(rows: Sequence[Row], force: Force | Callable[[int], Force], newer_stream: bool = False) -> list[Result]:
    """Every closure of one stream.

    Args:
        rows: Readings in the order of their numbers, each once.
        force: What is in force, or a function from a reading's number to it.
        newer_stream: A newer stream of the basin has appeared.
    """
    at = force if callable(force) else (lambda _: force)
    results = []
    start = 0
    while start < len(rows):
        if not rows[start].closed:
            start += 1
            continue
        here = _judged_by(rows, start, at)
        gap_ms = here.need.max_gap_ms if here.need else DEFAULT_GAP_MS
        end = start
        while end + 1 < len(rows) and rows[end + 1].closed and _neighbours(rows[end], rows[end + 1], gap_ms):
            end += 1
        before = rows[start - 1] if start > 0 else None
        after = rows[end + 1] if end + 1 < len(rows) else None
        results.append(_closure(rows[start : end + 1], before, after, here, newer_stream))
        start = end + 1
    return results


def _judged_by(rows: Sequence[Row], start: int, at: Callable[[int], Force]) -> Force:
    """What is in force at the closing reading; after a loss the strictest since the lid was open."""
    number = rows[start].number
    if number == (rows[start - 1].number if start else 0) + 1:
        return at(number)
    last_open = max((row.number for row in rows[:start] if not row.closed), default=1)
    forces = [at(each) for each in range(last_open, number + 1)]
    if forces.count(forces[0]) == len(forces):
        return forces[0]
    needs = [force.need for force in forces if force.need]
    if len(needs) < len(forces) or len({frozenset(force.sensors) for force in forces}) > 1:
        return Force(None, {})
    maxima = [need.max_mc for need in needs if need.max_mc is not None]
    need = Need(
        max(need.min_mc for need in needs),
        max(need.contact_ms for need in needs),
        min(maxima) if maxima else None,
        min(need.max_gap_ms for need in needs),
    )
    if need.max_mc is not None and need.max_mc < need.min_mc:
        return Force(None, {})
    return Force(
        need, {sensor: _wide_enough([force.sensors[sensor] for force in forces]) for sensor in forces[0].sensors}
    )


def _wide_enough(several: Sequence[Terms]) -> Terms:
    """The smallest U with a correction so that what was possible by any of the terms stays possible."""
    u_mc = 0
    while True:
        for correction_mc in _candidates(several, u_mc):
            if all(
                correction_mc - u_mc <= terms.correction_mc - terms.u_mc
                and correction_mc + u_mc >= terms.correction_mc + terms.u_mc
                for terms in several
            ):
                return Terms(u_mc, correction_mc)
        u_mc += 1


def _candidates(several: Sequence[Terms], u_mc: int) -> list[int]:
    """Corrections worth trying: the one that just reaches the warmest, then the one that just reaches the coldest."""
    return [
        max(terms.correction_mc + terms.u_mc for terms in several) - u_mc,
        min(terms.correction_mc - terms.u_mc for terms in several) + u_mc,
    ]


def _neighbours(one: Row, next_one: Row, gap_ms: int) -> bool:
    """Consecutive numbers, at most `gap_ms` apart."""
    return next_one.number == one.number + 1 and next_one.ms - one.ms <= gap_ms


def _closure(rows: Sequence[Row], before: Row | None, after: Row | None, here: Force, newer_stream: bool) -> Result:
    need = here.need
    gap_ms = need.max_gap_ms if need else DEFAULT_GAP_MS
    closing_seen = before is not None and not before.closed and _neighbours(before, rows[0], gap_ms)
    opening_seen = after is not None and not after.closed and _neighbours(rows[-1], after, gap_ms)
    running = after is None and not newer_stream
    unseen = (not closing_seen, not opening_seen and not running)
    closed_ms = rows[-1].ms - rows[0].ms
    opening_ms = after.ms if after is not None and opening_seen else None
    edges = (rows[0].number, rows[-1].number, closing_seen, opening_seen, running, opening_ms, closed_ms)

    if need is None:
        verdict = "running" if running else "unproven"
        codes = frozenset(_edge_codes(rows, before, after, closing_seen, opening_seen, running) | {"no-requirement"})
        return Result(
            *edges,
            0,
            verdict,
            codes,
            None,
            None,
            None,
            {},
            0,
            0,
            closed_ms,
            closed_ms,
            any(unseen),
            met_without_u=False,
        )

    intervals = _intervals(rows, need, here.sensors, unseen)
    credited_ms = _longest(intervals, {CREDITED})
    not_out = _longest(intervals, {CREDITED, UNKNOWN})
    if credited_ms >= need.contact_ms:
        verdict = "met"
    elif running:
        verdict = "running"
    elif not_out >= need.contact_ms:
        verdict = "unproven"
    else:
        verdict = "not met"

    known = [row for row in rows if _known(row, here.sensors)]
    corrected = [row.mc[s] + t.correction_mc for row in known for s, t in here.sensors.items()]  # type: ignore[operator]
    without_u = {sensor: Terms(0, terms.correction_mc) for sensor, terms in here.sensors.items()}
    met_without_u = _longest(_intervals(rows, need, without_u, unseen), {CREDITED}) >= need.contact_ms
    coldest, hottest = min(corrected, default=None), max(corrected, default=None)
    watched = _intervals(rows, need, here.sensors, (False, False))  # for figures: only what was watched adds up
    unknown_ms = sum(int(length) for length, kind in watched if kind == UNKNOWN)

    found = _edge_codes(rows, before, after, closing_seen, opening_seen, running)
    if verdict == "not met" and opening_seen:
        found.add("opened-early")
    if verdict == "not met" and closing_seen and opening_seen and closed_ms < need.contact_ms:
        found.add("too-short")
    if coldest is not None and coldest < need.min_mc:
        found.add("below-minimum")
    if hottest is not None and need.max_mc is not None and hottest > need.max_mc:
        found.add("above-maximum")
    if verdict in ("not met", "unproven") and met_without_u:
        found.add("guard-band")
    if len(known) < len(rows) and (verdict == "unproven" or _silent_ms(rows, known, need) > need.max_gap_ms):
        found.add("sensor-fault")
    return Result(
        *edges,
        int(credited_ms),
        verdict,
        frozenset(found),
        coldest,
        hottest,
        _allowance(known, need, here.sensors),
        {sensor: _sensor_allowance(known, need, here.sensors, sensor) for sensor in here.sensors},
        len(known),
        sum(int(length) for length, kind in watched if kind == OUT),
        unknown_ms,
        int(_longest(watched, {CREDITED, UNKNOWN})),
        math.isinf(not_out),
        met_without_u,
    )


def _silent_ms(rows: Sequence[Row], known: Sequence[Row], need: Need) -> int:
    """How long there was no temperature: at the edges, and between known readings that are not neighbours."""
    if not known:
        return rows[-1].ms - rows[0].ms
    apart = [later.ms - earlier.ms for earlier, later in pairwise(known)]
    edges = known[0].ms - rows[0].ms + rows[-1].ms - known[-1].ms
    return edges + sum(ms for ms in apart if ms > need.max_gap_ms)


def _edge_codes(
    rows: Sequence[Row], before: Row | None, after: Row | None, closing_seen: bool, opening_seen: bool, running: bool
) -> set[str]:
    codes = set()
    if not closing_seen:
        codes.add("closing-not-seen")
        if before is not None or rows[0].number > 1:  # otherwise the stream simply begins here: nothing is missing
            codes.add("readings-missing")
    if not opening_seen and not running:
        codes.add("readings-missing")
    return codes


def _known(row: Row, sensors: Mapping[str, Terms]) -> bool:
    return all(row.mc.get(sensor) is not None for sensor in sensors)


def _margin(row: Row, need: Need, sensors: Mapping[str, Terms]) -> int:
    """Least over the sensors of (indicated + correction − U), minus the minimum."""
    return min(_own_margin(row, need, sensor, terms) for sensor, terms in sensors.items())


def _own_margin(row: Row, need: Need, sensor: str, terms: Terms) -> int:
    return row.mc[sensor] + terms.correction_mc - terms.u_mc - need.min_mc  # type: ignore[operator]


def _above(row: Row, need: Need, sensors: Mapping[str, Terms]) -> bool:
    """Highest (indicated + correction + U) above the maximum."""
    highest = max(row.mc[sensor] + t.correction_mc + t.u_mc for sensor, t in sensors.items())  # type: ignore[operator]
    return need.max_mc is not None and highest > need.max_mc


def _in_range(row: Row, need: Need, sensors: Mapping[str, Terms]) -> bool:
    return _margin(row, need, sensors) >= 0 and not _above(row, need, sensors)


def _intervals(
    rows: Sequence[Row], need: Need, sensors: Mapping[str, Terms], unseen: tuple[bool, bool]
) -> list[tuple[float, str]]:
    """The closure's intervals in order, each with its length (infinite: without limit) and kind."""
    known = [row for row in rows if _known(row, sensors)]
    if not known:
        return [(math.inf if any(unseen) else rows[-1].ms - rows[0].ms, UNKNOWN)]
    fine = [_in_range(row, need, sensors) for row in known]
    first = _edge_interval(known[0].ms - rows[0].ms, fine[0], unseen[0])
    between = []
    for index in range(len(known) - 1):
        length = known[index + 1].ms - known[index].ms
        if not (fine[index] and fine[index + 1]):
            kind = OUT
        elif length <= need.max_gap_ms:
            kind = CREDITED
        else:
            kind = UNKNOWN
        between.append((length, kind))
    last = _edge_interval(rows[-1].ms - known[-1].ms, fine[-1], unseen[1])
    return [first, *between, last]


def _edge_interval(length: int, fine: bool, unseen: bool) -> tuple[float, str]:
    if not fine:
        return length, OUT
    return (math.inf if unseen else length), UNKNOWN


def _longest(intervals: Sequence[tuple[float, str]], kinds: set[str]) -> float:
    """The longest run of consecutive intervals of these kinds, by trying every run."""
    best = 0.0
    for start in range(len(intervals)):
        for end in range(start + 1, len(intervals) + 1):
            run = intervals[start:end]
            if all(kind in kinds for _, kind in run):
                best = max(best, sum(length for length, _ in run))
    return best


def _stretches(
    known: Sequence[Row], need: Need, sensors: Mapping[str, Terms], also: Callable[[Row], bool] = lambda _: True
) -> list[Sequence[Row]]:
    """All stretches of consecutive known readings that may count towards an allowance, by trying every one."""
    found = []
    for start in range(len(known)):
        for end in range(start, len(known)):
            stretch = known[start : end + 1]
            near = all(b.ms - a.ms <= need.max_gap_ms for a, b in pairwise(stretch))
            fits = all(not _above(row, need, sensors) and also(row) for row in stretch)
            if near and fits and stretch[-1].ms - stretch[0].ms >= need.contact_ms:
                found.append(stretch)
    return found


def _allowance(known: Sequence[Row], need: Need, sensors: Mapping[str, Terms]) -> int | None:
    smallest = [min(_margin(r, need, sensors) for r in stretch) for stretch in _stretches(known, need, sensors)]
    return max(smallest, default=None)


def _sensor_allowance(known: Sequence[Row], need: Need, sensors: Mapping[str, Terms], sensor: str) -> int | None:
    others = {name: terms for name, terms in sensors.items() if name != sensor}

    def rest_is_warm(row: Row) -> bool:
        return all(_own_margin(row, need, name, terms) >= 0 for name, terms in others.items())

    stretches = _stretches(known, need, sensors, rest_is_warm)
    smallest = [min(_own_margin(r, need, sensor, sensors[sensor]) for r in stretch) for stretch in stretches]
    return max(smallest, default=None)
