"""How likely it is that a true value lies within its limits (JCGM 106:2012, 7), and what guarded acceptance risks."""

from __future__ import annotations

import math

from soak.budget import COVERAGE


def conformance(value: float, u: float, lower: float | None = None, upper: float | None = None) -> float:
    """Probability that the true value is within its limits, for a normal distribution about what was measured.

    Args:
        value: Measured.
        u: Its standard uncertainty, above 0, in the same unit.
        lower: Lower tolerance limit; None: there is none.
        upper: Upper tolerance limit; None: there is none.

    Raises:
        ValueError: u is not above 0.
    """
    if not u > 0:
        raise ValueError(f"A standard uncertainty of {u:g} leaves no probability to speak of.")
    below = _normal((lower - value) / u) if lower is not None else 0.0
    above = 1 - _normal((upper - value) / u) if upper is not None else 0.0
    return 1 - below - above


def guarded_risk(guard: float = COVERAGE) -> float:
    """Greatest risk that a value accepted so far inside its limit is in truth beyond it.

    Args:
        guard: Guard band in standard uncertainties. `soak.requirement.Judge` takes off the whole U, which is 2.

    Returns:
        0.0228 for 2: ILAC-G8:09/2019, 4.2.2 prints "below 2.5 %". Right at the limit; further inside it is less.
    """
    return _normal(-guard)


def _normal(z: float) -> float:
    """The standard normal distribution's share below z."""
    return 0.5 * math.erfc(-z / math.sqrt(2))
