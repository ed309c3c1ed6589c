"""What a sensor's comparison with a reference thermometer comes to: its correction, and the budget of its U. Pure.

Two points: the ice point, which shows that the reference is sound and how the correction changes with temperature, and
one near the working temperature, whose mean correction is used from then on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from soak.budget import UC_PER_MC, Contribution, Shape, expanded_mc, limits, normal, repeats
from soak.straight_line import Line, fitted
from soak.uncertainty import RESOLUTION_MC

LEAST_PAIRS = 3
"""At each point. With two points of three the scatter has 4 degrees of freedom; below 3 its variance has no end."""

AWAY_MC = 5_000
"""How far from the working point the correction is used; our own figure. A check must lie as near to the label."""

DATASHEET_DRIFT_MC = 200
"""DS18B20 datasheet, DC characteristics: drift ±0.2 °C (1,000 h at 125 °C). Used until a sensor has a history."""

_STEP_UC = int(RESOLUTION_MC * UC_PER_MC)


class Pair(NamedTuple):
    """Two readings at the same moment in the same liquid, in millidegrees.

    Attributes:
        true_mc: What the reference showed, with its certificate's correction.
        indicated_mc: What the sensor indicated, without any correction.
    """

    true_mc: int
    indicated_mc: int


class Known(NamedTuple):
    """What else goes into the budget, sizes in millidegrees.

    Attributes:
        reference_u_mc: Expanded uncertainty on the reference's certificate, at the working point.
        reference_k_hundredths: Its k times 100.
        reference_step_mc: Step of its display.
        reference_drift_mc: How far it may have drifted since; None: no figure is given.
        sensor_drift_mc: How far the sensor may drift until its next check.
        drift_why: Where that figure comes from.
        spread_mc: Greatest difference between the sensor's place and others in its basin; None: nobody has mapped it.
    """

    reference_u_mc: int
    reference_k_hundredths: int
    reference_step_mc: int
    reference_drift_mc: int | None
    sensor_drift_mc: int
    drift_why: str
    spread_mc: int | None


class Outcome(NamedTuple):
    """What a check comes to.

    Attributes:
        correction_mc: To be added to what the sensor indicates.
        budget: Every contribution.
        u_mc: Expanded uncertainty (k = 2) of the corrected value.
        ice_mc: Mean of what the corrected reference showed at the ice point: 0 but for its own error and the ice's.
        ice_correction_mc: What would have to be added at the ice point.
        working_mc: Mean of what the corrected reference showed at the working point.
        left_out: What no figure was there for, in words.
    """

    correction_mc: int
    budget: tuple[Contribution, ...]
    u_mc: int
    ice_mc: int
    ice_correction_mc: int
    working_mc: int
    left_out: tuple[str, ...]


def mean_mc(values: Sequence[int]) -> int:
    """Mean to the nearest millidegree, halves up.

    Raises:
        ValueError: There are none.
    """
    if not values:
        raise ValueError("There is no mean of no values.")
    return (2 * sum(values) + len(values)) // (2 * len(values))


def corrections(pairs: Sequence[Pair]) -> list[int]:
    """What would have to be added to each indication, in millidegrees."""
    return [pair.true_mc - pair.indicated_mc for pair in pairs]


def outcome(ice: Sequence[Pair], working: Sequence[Pair], known: Known) -> Outcome:
    """Correction and budget.

    Args:
        ice: At the ice point, at least `LEAST_PAIRS`.
        working: Near the working temperature, as many.
        known: What else goes into the budget.

    Raises:
        ValueError: Too few pairs, or both points at one temperature.
    """
    if min(len(ice), len(working)) < LEAST_PAIRS:
        raise ValueError(f"{len(ice)} and {len(working)} pairs: each point takes {LEAST_PAIRS} or more.")
    line = fitted_line(ice, working)
    budget = tuple(_contributions(line, len(working), known))
    return Outcome(
        correction_mc=mean_mc(corrections(working)),
        budget=budget,
        u_mc=expanded_mc(budget),
        ice_mc=mean_mc([pair.true_mc for pair in ice]),
        ice_correction_mc=mean_mc(corrections(ice)),
        working_mc=mean_mc([pair.true_mc for pair in working]),
        left_out=tuple(_left_out(known)),
    )


def fitted_line(ice: Sequence[Pair], working: Sequence[Pair]) -> Line:
    """The correction as a straight line through the means of both points, about the working one (GUM H.3).

    Every pair counts at the mean temperature of its point: within one, the sensor's steps are no change of temperature.
    """
    at = [sum(pair.indicated_mc for pair in pairs) / len(pairs) for pairs in (ice, working)]
    temperatures = [at[0]] * len(ice) + [at[1]] * len(working)
    return fitted(temperatures, corrections([*ice, *working]), at[1])


def _contributions(line: Line, count: int, known: Known) -> list[Contribution]:
    found = [
        normal(
            "reference, by its certificate",
            known.reference_u_mc * UC_PER_MC,
            known.reference_k_hundredths,
            "expanded uncertainty on the certificate at this temperature",
        )
    ]
    if known.reference_drift_mc is not None:
        why = "its figure for drift, for the time since its certificate"
        found.append(limits("reference, drift since its certificate", known.reference_drift_mc * UC_PER_MC, why))
    found += [
        limits("reference, resolution", known.reference_step_mc * UC_PER_MC, "step of its display", Shape.STEP),
        limits("sensor, resolution", _STEP_UC, "one step at 12 bits", Shape.STEP),
        _repeatability(line, count),
        limits("sensor, drift until the next check", known.sensor_drift_mc * UC_PER_MC, known.drift_why),
        limits(
            "correction, change with temperature",
            math.ceil(abs(line.y2) * AWAY_MC * UC_PER_MC),
            f"slope of the line from the ice point, over {AWAY_MC // 1000} °C",
        ),
    ]
    if known.spread_mc is not None:
        why = "greatest difference in the mapping study"
        found.append(limits("basin, spread within it", known.spread_mc * UC_PER_MC, why))
    return found


def _repeatability(line: Line, count: int) -> Contribution:
    """Of the mean at the working point. The scatter of both points together, and wider for being known from few.

    A mean of few values follows a t distribution, whose standard deviation is √(ν / (ν − 2)) times s/√n (JCGM 101:2008,
    6.4.9.4, from memory). So k can stay 2. Refused: a k of its own for each check, which nobody would compare; a floor,
    which is the resolution's contribution already.
    """
    wider = math.sqrt(line.dof / (line.dof - 2))
    size_uc = math.ceil(line.u_y1 * wider * UC_PER_MC)
    why = f"scatter about the line, mean of {count}, t distribution"
    return repeats("pairs, repeatability", size_uc, line.dof, why)


def _left_out(known: Known) -> list[str]:
    found = []
    if known.reference_drift_mc is None:
        found.append("Drift of the reference since its certificate: no figure is on record for it.")
    if known.spread_mc is None:
        found.append("Spread within the basin: nobody has mapped it, so U holds at the sensor's place only.")
    return found
