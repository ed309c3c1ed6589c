"""A basin's course over a time range as the API gives it: lines, limits, lid, closures, alarms, checks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

from collector.course import joined
from collector.read import Basin, BasinNow, Block, Reader
from collector.record.things import Alarm, SensorCheck, Thermometer
from dashboard.alarms_words import name_of
from dashboard.course import Drawn, drawn
from dashboard.shapes import (
    BlocksBody,
    ClosureBody,
    LimitBody,
    MarkBody,
    SensorTrend,
    TrendBody,
    closure_body,
    requirement_body,
    stored_body,
)
from dashboard.trend import thinned
from dashboard.when import SiteTime
from dashboard.words import quiet
from soak.closure import Verdict

MOST_CLOSURES = 120
"""More are given as blocks only: a screen has no room for the words of so many."""

_PLACES = 1_000
"""Blocks and bands closer than the range divided by this are given as one: no screen shows them apart."""

_MARK_PLACES = 200
_VERDICTS = (Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN)


def trend(reader: Reader, basin: Basin, since_ms: int, until_ms: int, *, most: int, when: SiteTime) -> TrendBody:
    """Gather what one chart shows.

    Args:
        reader: The store.
        basin: The basin.
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive.
        most: At most so many points for each sensor.
        when: Local time.
    """
    seen = drawn(reader, basin, since_ms, until_ms)
    apart_ms = (until_ms - since_ms) // _PLACES
    blocks = reader.blocks(basin.id, since_ms, until_ms)
    told = len(blocks) <= MOST_CLOSURES
    stored = reader.closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms) if told else []
    running = running_body(basin, reader.now().get(basin.id), when)
    closures = [running] if running and since_ms <= running.last_at_ms and running.closed_at_ms < until_ms else []
    return TrendBody(
        node=basin.node,
        basin=basin.name,
        since_ms=since_ms,
        until_ms=until_ms,
        source=seen.source,
        offsets=when.offsets(since_ms, until_ms),
        requirement=requirement_body(basin.requirement),
        limits=_limits(seen, since_ms, until_ms),
        sensors=[_sensor(seen, sensor, since_ms, until_ms, most) for sensor in seen.lines],
        lid_open=[(begin_ms - since_ms, end_ms - begin_ms) for begin_ms, end_ms in joined(seen.lid_open, apart_ms)],
        blocks=[
            _blocks(BlocksBody(verdict, passing), blocks, since_ms, apart_ms)
            for verdict in _VERDICTS
            for passing in (False, True)
        ],
        closures=closures + [stored_body(each, basin, when) for each in stored],
        closures_left_out=len(blocks) - len(stored),
        marks=_marks(reader, basin, since_ms, until_ms),
    )


def running_body(basin: Basin, now: BasinNow | None, when: SiteTime) -> ClosureBody | None:
    """The closure in progress as the API gives it."""
    if now is None or now.closure is None:
        return None
    return closure_body(now.closure, basin, when, now.at_utc_ms - now.ms, clock_synced=now.synced)


def _sensor(seen: Drawn, sensor: str, since_ms: int, until_ms: int, most: int) -> SensorTrend:
    line, terms = seen.lines[sensor], seen.force.terms(sensor, until_ms)
    known = [mc for _, mc in line if mc is not None]
    points = thinned(line, most=most, gap_ms=seen.gap_ms)
    return SensorTrend(
        sensor=sensor,
        correction_mc=terms.correction_mc if terms else 0,
        u_mc=terms.u_mc if terms else None,
        after_ms=[at_ms - since_ms for at_ms, _ in points],
        corrected_mc=[mc for _, mc in points],
        lowest_mc=min(known, default=None),
        highest_mc=max(known, default=None),
    )


def _limits(seen: Drawn, since_ms: int, until_ms: int) -> list[LimitBody]:
    """What was required, part by part; parts in which nothing was are left out."""
    ends = [*(each.since_ms for each in seen.force.required), until_ms]
    found: list[LimitBody] = []
    for each, (begin_ms, end_ms) in zip(seen.force.required, pairwise(ends), strict=True):
        begin_ms, end_ms = max(begin_ms, since_ms), min(end_ms, until_ms)  # noqa: PLW2901
        if each.requirement is None or begin_ms >= end_ms:
            continue
        u_mc = max((terms.u_mc for terms in each.terms.values()), default=0)
        found.append(
            LimitBody(begin_ms - since_ms, end_ms - since_ms, each.requirement.min_mc, each.requirement.max_mc, u_mc)
        )
    return found


def _blocks(body: BlocksBody, blocks: Iterable[Block], since_ms: int, apart_ms: int) -> BlocksBody:
    """Filled with those that belong in it."""
    end_ms = 0
    for each in blocks:
        if each.verdict != body.verdict or quiet(each.last_utc_ms - each.closing_utc_ms) != body.quiet:
            continue
        if body.count and each.closing_utc_ms - end_ms <= apart_ms:
            end_ms = max(end_ms, each.last_utc_ms)
            body.length_ms[-1] = end_ms - since_ms - body.after_ms[-1]
            body.count[-1] += 1
            body.id[-1] = each.id
            continue
        end_ms = each.last_utc_ms
        body.after_ms.append(each.closing_utc_ms - since_ms)
        body.length_ms.append(end_ms - each.closing_utc_ms)
        body.count.append(1)
        body.id.append(each.id)
    return body


def _marks(reader: Reader, basin: Basin, since_ms: int, until_ms: int) -> list[MarkBody]:
    """Alarms and checks, rising in time; of one kind and priority what lies close together is one mark."""
    key = f"{basin.node}/{basin.name}"
    alarms = [_alarm_mark(alarm, since_ms) for alarm in reader.alarms(key, since_ms, until_ms)]
    checks = [
        _check_mark(number, check, since_ms)
        for group in (*sorted(basin.sensors), key)
        for number, check in reader.checks(group, since_ms, until_ms)
    ]
    marks = sorted([*alarms, *checks], key=lambda mark: mark.after_ms)
    return _together(marks, (until_ms - since_ms) // _MARK_PLACES)


def _alarm_mark(alarm: Alarm, since_ms: int) -> MarkBody:
    return MarkBody(
        "alarm",
        alarm.raised_ms - since_ms,
        f"/alarms/{alarm.id}",
        priority=alarm.priority,
        text=name_of(alarm.code),
    )


def _check_mark(number: int, check: SensorCheck | Thermometer, since_ms: int) -> MarkBody:
    after_ms, page = check.at_ms - since_ms, f"/record/{number}"
    if isinstance(check, SensorCheck):
        return MarkBody("sensor check", after_ms, page, sensor=check.sensor)
    return MarkBody("thermometer check", after_ms, page, read_mc=check.read_mc, indicated_mc=check.indicated_mc)


def _together(marks: Sequence[MarkBody], apart_ms: int) -> list[MarkBody]:
    newest: dict[tuple[str, str | None], MarkBody] = {}
    kept: list[MarkBody] = []
    for mark in marks:
        before = newest.get((mark.kind, mark.priority))
        if before is not None and mark.after_ms - before.after_ms < apart_ms:
            before.count += 1
            continue
        newest[mark.kind, mark.priority] = mark
        kept.append(mark)
    return kept
