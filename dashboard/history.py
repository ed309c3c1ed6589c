"""A basin's course over a time range: readings where they are few, else minutes; as the trend shows it."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from collector.read import Basin, BasinNow, Minute, Reader
from dashboard.shapes import ClosureBody, SensorTrend, TrendBody, closure_body, requirement_body, stored_body
from dashboard.trend import Point, spans, thinned
from dashboard.when import SiteTime
from soak.reading import Lid, Reading
from soak.requirement import MAX_GAP_MS

READINGS_UP_TO_MS = 2 * 3_600_000
"""Longer ranges are drawn from the per-minute table: lowest and highest of each minute."""
MOST_CLOSURES = 1_000
_MINUTE_MS = 60_000

Lines = dict[str, list[Point]]


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
    gap_ms = basin.requirement.max_gap_ms if basin.requirement else MAX_GAP_MS
    if until_ms - since_ms <= READINGS_UP_TO_MS:
        source = "readings"
        lines, lid_open = _from_readings(reader.readings(basin.id, since_ms, until_ms), gap_ms)
    else:
        source, gap_ms = "minutes", _MINUTE_MS
        lines, lid_open = _from_minutes(reader.minutes(basin.id, since_ms, until_ms))
    for sensor in basin.sensors:
        lines.setdefault(sensor, [])
    total = sum(reader.count_closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms).values())
    stored = reader.closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms, limit=MOST_CLOSURES)
    running = running_body(basin, reader.now().get(basin.id), when)
    closures = [running] if running and since_ms <= running.last_at_ms and running.closed_at_ms < until_ms else []
    return TrendBody(
        node=basin.node,
        basin=basin.name,
        since_ms=since_ms,
        until_ms=until_ms,
        source=source,
        offsets=when.offsets(since_ms, until_ms),
        requirement=requirement_body(basin.requirement),
        sensors=[_sensor(basin, sensor, lines[sensor], most, gap_ms) for sensor in sorted(lines)],
        lid_open=lid_open,
        closures=closures + [stored_body(each, basin, when) for each in stored],
        closures_left_out=max(0, total - len(stored)),
    )


def running_body(basin: Basin, now: BasinNow | None, when: SiteTime) -> ClosureBody | None:
    """The closure in progress as the API gives it."""
    if now is None or now.closure is None:
        return None
    return closure_body(now.closure, basin, when, now.at_utc_ms - now.ms, clock_synced=now.synced)


def _sensor(basin: Basin, sensor: str, line: list[Point], most: int, gap_ms: int) -> SensorTrend:
    terms = basin.sensors.get(sensor)
    correction_mc = terms.correction_mc if terms else 0
    known = [mc + correction_mc for _, mc in line if mc is not None]
    drawn = thinned(line, most=most, gap_ms=gap_ms)
    return SensorTrend(
        sensor=sensor,
        correction_mc=correction_mc,
        u_mc=terms.u_mc if terms else None,
        t_ms=[t_ms for t_ms, _ in drawn],
        corrected_mc=[None if mc is None else mc + correction_mc for _, mc in drawn],
        lowest_mc=min(known, default=None),
        highest_mc=max(known, default=None),
    )


def _from_readings(readings: Iterable[tuple[int, Reading]], gap_ms: int) -> tuple[Lines, list[tuple[int, int]]]:
    # Streams follow each other, but a clock that was set back may fold one over the other.
    ordered = sorted(readings, key=lambda each: each[0])
    lines: Lines = {}
    for _, reading in ordered:
        for sensor in reading.mc:
            lines.setdefault(sensor, [])
    for t_ms, reading in ordered:
        for sensor, line in lines.items():
            line.append(Point(t_ms, reading.mc.get(sensor)))
    flags = (
        (t_ms, later_ms if later_ms - t_ms <= gap_ms else t_ms, reading.lid is Lid.OPEN)
        for (t_ms, reading), (later_ms, _) in pairwise([*ordered, *ordered[-1:]])
    )
    return lines, spans(flags, gap_ms=0)


def _from_minutes(minutes: dict[str, list[Minute]]) -> tuple[Lines, list[tuple[int, int]]]:
    lines: Lines = {}
    for sensor, table in minutes.items():
        line = lines[sensor] = []
        for minute in table:
            start_ms = minute.minute * _MINUTE_MS
            line.append(Point(start_ms + _MINUTE_MS // 4, minute.lowest_mc))
            if minute.missing and minute.known:
                line.append(Point(start_ms + _MINUTE_MS // 2, None))
            line.append(Point(start_ms + 3 * _MINUTE_MS // 4, minute.highest_mc))
    opened = {minute.minute for table in minutes.values() for minute in table if minute.lid_open}
    flags = ((minute * _MINUTE_MS, (minute + 1) * _MINUTE_MS, True) for minute in sorted(opened))
    return lines, spans(flags, gap_ms=0)
