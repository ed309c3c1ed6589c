"""What the temperature allowance of a closure answers without its readings being read again. Pure.

A closure meets when there is a stretch of known readings, neighbours near enough, at least the contact time long, in
which every sensor's margin is at least 0 and nothing is above the maximum. Its allowances are the greatest smallest
margin over such stretches, for all sensors together and for each alone with every other in range. So, no maximum being
printed, the soak is still met with one sensor lowered by `cold_mc` exactly when that sensor's allowance is at least
`cold_mc`; and with every sensor lowered by the same exactly when the closure's own allowance is. Equality is met.

It does not suffice, and the readings must be read again (`collector/lookback/reread.py`):

- where a maximum is printed and readings may change sides of it. Allowances leave out the readings above it. Lowered
  sensors may bring such readings back, so a lack proves nothing unless there were none; raised ones may add some, so
  an allowance proves nothing unless none can come so high.
- where several sensors, but not all by the same, are off at once. Then it is only known that all lowered by the most is
  worse, and that one lowered alone, or all by the least, is better; what lies between is read again.
- where a U was too small: it counts as so much more `cold_mc` and so much less `hot_mc`, and is answered by the above.
- for the word of a soak that fails, "not met" or "unproven", where a temperature or an edge was missing.
- where another contact time and another temperature are supposed at once; see `otherwise`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from collector.lookback.moved import UNMOVED, Shift
from soak.closure import Closure, Verdict
from soak.requirement import Requirement


class Answer(NamedTuple):
    """What follows without the readings.

    Attributes:
        meets: Whether the closure would be met; None: only its readings tell.
        verdict: The word; None: only its readings tell.
        left_mc: By how much more the sensors concerned could be lowered with the soak still met; negative: what it
            lacks. None where there is no stretch of the contact time, or where contact times differ. Where several
            sensors moved differently, or readings may come above a maximum, there may be less or more.
    """

    meets: bool | None
    verdict: Verdict | None
    left_mc: int | None


def moved(closure: Closure, shifts: Mapping[str, Shift], most_u_mc: int) -> Answer:
    """The closure with some of its sensors lowered.

    Args:
        closure: As it was judged.
        shifts: By sensor; those of other basins are not looked at.
        most_u_mc: No sensor of the basin has ever had a larger U.
    """
    requirement = closure.requirement
    here = [shifts.get(sensor, UNMOVED) for sensor in closure.sensor_allowances_mc]
    if requirement is None or not closure.known or all(each == UNMOVED for each in here):
        return as_it_is(closure)
    cold_mc = [each.cold_mc for each in here]
    enough, lacking, left_mc = _margins(closure, cold_mc)
    rises = returns = False  # whether readings may come above the maximum, or back from above it
    if (max_mc := requirement.max_mc) is not None:
        hot_mc = [each.hot_mc for each in here]
        rises = min(hot_mc) < 0 and not _below(closure, most_u_mc - min(hot_mc), max_mc)
        returns = max(hot_mc) > 0 and not _none_above(closure, most_u_mc, max_mc)
    return _answer(
        closure, enough and not rises, lacking and not returns, left_mc, less_in_range=min(cold_mc) >= 0 and not returns
    )


def otherwise(closure: Closure, other: Requirement, most_u_mc: int) -> Answer:
    """The closure under another requirement.

    Another minimum is every sensor lowered by the difference, another maximum likewise; another contact time is
    answered by the credited time. Both at once are answered where they go the same way.

    Args:
        closure: As it was judged.
        other: The longest allowed gap must be the closure's own, for another gap gives other closures.
        most_u_mc: No sensor of the basin has ever had a larger U.
    """
    before = closure.requirement
    if before is None or before.max_gap_ms != other.max_gap_ms:
        return Answer(None, None, None)
    if before == other or not closure.known:
        return as_it_is(closure) if before == other else Answer(None, None, None)
    cold_mc = other.min_mc - before.min_mc
    longer, shorter = other.contact_ms > before.contact_ms, other.contact_ms < before.contact_ms
    lower = other.max_mc is not None and (before.max_mc is None or other.max_mc < before.max_mc)
    higher = before.max_mc is not None and (other.max_mc is None or other.max_mc > before.max_mc)
    rises = lower and not _below(closure, most_u_mc, other.max_mc or 0)
    returns = higher and not _none_above(closure, most_u_mc, before.max_mc or 0)
    allowance_mc = closure.allowance_mc
    left_mc = None if longer or shorter or allowance_mc is None else allowance_mc - cold_mc
    if cold_mc == 0 and not rises and not returns:
        verdict = _by_time(closure, other.contact_ms)
        return Answer(verdict is Verdict.MET, verdict, left_mc)
    sufficient = allowance_mc is not None and allowance_mc >= cold_mc  # for a contact time as long as before
    credited = closure.credited_ms >= other.contact_ms  # for the temperatures as they were
    enough = (sufficient and not longer) or (cold_mc <= 0 and credited)
    lacking = (not sufficient and not shorter) or (cold_mc >= 0 and not credited)
    less_in_range = cold_mc >= 0 and not shorter and not returns
    return _answer(closure, enough and not rises, lacking and not returns, left_mc, less_in_range=less_in_range)


def as_it_is(closure: Closure) -> Answer:
    """Nothing changes."""
    return Answer(closure.verdict is Verdict.MET, closure.verdict, closure.allowance_mc)


def _margins(closure: Closure, cold_mc: list[int]) -> tuple[bool, bool, int | None]:
    """Whether a stretch surely has the margins, whether surely none has, and what is left."""
    each_mc, all_mc = list(closure.sensor_allowances_mc.values()), closure.allowance_mc
    off = [index for index, mc in enumerate(cold_mc) if mc]
    if len(set(cold_mc)) == 1:
        decides_mc, lowered_mc = all_mc, cold_mc[0]
    elif len(off) == 1:
        decides_mc, lowered_mc = each_mc[off[0]], cold_mc[off[0]]
    else:
        enough = all_mc is not None and all_mc >= max(cold_mc)
        lacking = all_mc is None or all_mc < min(cold_mc)
        if min(cold_mc) >= 0:  # else another sensor may come into range, and a stretch with it
            lacking = lacking or any(own is None or own < mc for own, mc in zip(each_mc, cold_mc, strict=True))
        return enough, lacking, None if all_mc is None else all_mc - max(cold_mc)
    enough = decides_mc is not None and decides_mc >= lowered_mc
    return enough, not enough, None if decides_mc is None else decides_mc - lowered_mc


def _none_above(closure: Closure, most_u_mc: int, max_mc: int) -> bool:
    """No reading was above the maximum that judged it."""
    return closure.out_first_ms is None or _below(closure, most_u_mc, max_mc)


def _below(closure: Closure, u_mc: int, max_mc: int) -> bool:
    """No reading can have been above a maximum. After a loss U may have been widened: nothing is known then."""
    return closure.hottest_mc is not None and not closure.lost_before and closure.hottest_mc + u_mc <= max_mc


def _answer(closure: Closure, met: bool, fails: bool, left_mc: int | None, *, less_in_range: bool) -> Answer:
    """What is known: that it is met, that it fails, or neither."""
    if met:
        return Answer(True, Verdict.MET, left_mc)
    if not fails:
        return Answer(None, None, left_mc)
    # Where what is out of range stays out, no time becomes unknown that was not.
    proven = not closure.unknown_ms and closure.closing_seen and closure.opening_seen
    if less_in_range and (proven or closure.verdict is Verdict.NOT_MET):
        return Answer(False, Verdict.NOT_MET, left_mc)
    return Answer(False, None, left_mc)


def _by_time(closure: Closure, contact_ms: int) -> Verdict:
    """The verdict by another contact time."""
    if closure.credited_ms >= contact_ms:
        return Verdict.MET
    if closure.not_out_unlimited or closure.not_out_ms >= contact_ms:
        return Verdict.UNPROVEN
    return Verdict.NOT_MET
