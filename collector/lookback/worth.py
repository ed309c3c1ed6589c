"""What one closure is worth if something is supposed: by its allowance, by its readings where that does not suffice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from collector.lookback import allowed
from collector.lookback.concerned import Worth
from collector.lookback.judged import Judged
from collector.lookback.moved import UNMOVED, Moved, Shift, Supposition, shifted
from collector.lookback.reread import Reread, Rereading, Supposed
from collector.required import Required
from soak.closure import Verdict
from soak.requirement import MAX_GAP_MS, Requirement


class Needed(NamedTuple):
    """What a label asks; the longest allowed gap stays each closure's own. As `soak.requirement.Requirement`."""

    min_mc: int
    contact_ms: int
    max_mc: int | None = None


def lowered(rereading: Rereading, closure: Judged, shifts: Mapping[str, Shift]) -> Worth:
    """What a closure is worth with some of its sensors lowered: by its allowance, or by its readings where need be.

    Args:
        rereading: Rereads what the allowance does not answer.
        closure: As it stands.
        shifts: By sensor.
    """
    answer = allowed.moved(closure.closure, shifts, rereading.most_u_mc(closure.basin_id))
    if answer.meets is not None:
        return Worth(answer.meets, answer.verdict, answer.left_mc)
    off = [
        sensor for sensor, shift in shifts.items() if shift != (0, 0) and sensor in closure.closure.sensor_allowances_mc
    ]
    read = rereading.one(closure, _lowering(shifts))
    return _read(read, off[0] if len(off) == 1 else None)


def errors_in(closure: Judged, moved: Sequence[Moved]) -> list[Moved]:
    """Errors of sensors that the closure was judged by."""
    sensors = closure.closure.sensor_allowances_mc
    return [each for each in moved if each.sensor in sensors and touches(each, closure)]


def touches(moved: Moved, closure: Judged) -> bool:
    """Whether an error concerns a closure: also if its times cannot be trusted, so that it may."""
    return not closure.clock_synced or moved.touches(closure.closing_ms, closure.last_ms)


def shifts_of(closure: Judged, moved: Sequence[Moved], supposed: Supposition) -> dict[str, Shift]:
    """By how much to lower each sensor in it."""
    found: dict[str, Shift] = {}
    for each in moved:
        times_ms = (closure.closing_ms, closure.last_ms) if closure.clock_synced else (each.from_ms, each.until_ms)
        shift = each.shift(supposed, *times_ms)
        known = found.get(each.sensor)
        found[each.sensor] = shift if known is None else Shift.holding([known, shift])
    return found


def _lowering(shifts: Mapping[str, Shift]) -> Supposed:
    """What was required, with lowered sensors."""

    def lowered_terms(required: Sequence[Required]) -> list[Required]:
        return [
            each._replace(
                terms={sensor: shifted(terms, shifts.get(sensor, UNMOVED)) for sensor, terms in each.terms.items()}
            )
            for each in required
        ]

    return lowered_terms


def otherwise(rereading: Rereading, closure: Judged, needed: Needed) -> Worth:
    """What a closure is worth under another requirement.

    Raises:
        ValueError: No soak could meet it.
    """
    before = closure.closure.requirement
    other = Requirement(*needed, max_gap_ms=before.max_gap_ms if before else MAX_GAP_MS)
    answer = allowed.otherwise(closure.closure, other, rereading.most_u_mc(closure.basin_id))
    if answer.meets is not None:
        return Worth(answer.meets, answer.verdict, answer.left_mc)
    return _read(rereading.one(closure, lambda required: [each._replace(requirement=other) for each in required]), None)


def word_of(rereading: Rereading, closure: Judged, shifts: Mapping[str, Shift]) -> Worth:
    """What its readings say with some of its sensors lowered."""
    return _read(rereading.one(closure, _lowering(shifts)), None)


def _read(read: Reread, sensor: str | None) -> Worth:
    """What readings say; of a sensor that alone was lowered, what is left for it."""
    now, recorded = read.supposed, read.judged.closure
    if now is None or read.present is None:
        return Worth(False, None, None, reread=True, trouble=read.trouble)
    left_mc = now.allowance_mc if sensor is None else now.sensor_allowances_mc.get(sensor)
    trouble = ""
    if read.present.verdict is not recorded.verdict:
        trouble = (
            f"With what is on record now its readings give {read.present.verdict.value!r}, not "
            f"{recorded.verdict.value!r}, whatever is supposed. Let the collector judge it again."
        )
    return Worth(now.verdict is Verdict.MET, now.verdict, left_mc, reread=True, trouble=trouble)
