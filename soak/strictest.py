"""One requirement that is at least as hard to meet as each of several: for a closing that nobody saw.

Readings are missing just before a closure. Which requirement was in force when the lid really closed is not known: any
that was, since the lid was last seen open. Where it was relaxed meanwhile, the loss must not help.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from soak.reading import SensorId
from soak.requirement import Requirement, SensorTerms

_MOST_U_MC = 20_000


class InForce(NamedTuple):
    """What a closure is judged by.

    Attributes:
        requirement: What it must fulfil; None where nothing is set, then nothing can be proven.
        terms: Correction and U of every required sensor.
    """

    requirement: Requirement | None
    terms: Mapping[SensorId, SensorTerms]


NOTHING = InForce(None, {})


def strictest(several: Iterable[InForce]) -> InForce:
    """What is at least as hard to meet as each of them: a closure that meets it meets each.

    Highest minimum, lowest maximum, longest contact time, shortest allowed gap; of each sensor the narrowest terms that
    hold what each says it may have been, colder and warmer. `NOTHING`, by which nothing can be proven, where there is
    no such thing: nothing was set at some time, the required sensors differ (a reading that is unknown to all of them
    together may be cold to some), or a maximum lies below another's minimum.

    Args:
        several: At least one; order and repeats do not matter.
    """
    found = list(several)
    first = found[0]
    if all(each == first for each in found):
        return first
    needs = [each.requirement for each in found if each.requirement is not None]
    if len(needs) != len(found) or any(each.terms.keys() != first.terms.keys() for each in found):
        return NOTHING
    min_mc = max(each.min_mc for each in needs)
    max_mc = min((each.max_mc for each in needs if each.max_mc is not None), default=None)
    terms = {sensor: _widest([each.terms[sensor] for each in found]) for sensor in first.terms}
    if (max_mc is not None and max_mc < min_mc) or any(each.u_mc > _MOST_U_MC for each in terms.values()):
        return NOTHING
    contact_ms = max(each.contact_ms for each in needs)
    return InForce(Requirement(min_mc, contact_ms, max_mc, min(each.max_gap_ms for each in needs)), terms)


def _widest(several: list[SensorTerms]) -> SensorTerms:
    """Terms whose interval about an indication holds the interval of each."""
    lowest_mc = min(each.correction_mc - each.u_mc for each in several)
    highest_mc = max(each.correction_mc + each.u_mc for each in several)
    u_mc = (highest_mc - lowest_mc + 1) // 2  # an odd width grows by one, downwards
    return SensorTerms(u_mc, highest_mc - u_mc)
