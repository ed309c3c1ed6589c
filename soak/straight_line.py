"""A straight line through corrections by least squares, as the GUM's own example of a thermometer does (H.3)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple


class Line(NamedTuple):
    """The correction b(t) = y1 + y2 (t − t0), in the unit that was given.

    Attributes:
        t0: Reference temperature of the fit.
        y1: Correction at t0.
        y2: Slope.
        u_y1: Standard uncertainty of y1, from the scatter about the line.
        u_y2: Standard uncertainty of y2.
        r: Correlation of y1 and y2.
        s: Standard deviation of one correction about the line.
        dof: Degrees of freedom: points less two.
    """

    t0: float
    y1: float
    y2: float
    u_y1: float
    u_y2: float
    r: float
    s: float
    dof: int

    def at(self, t: float) -> tuple[float, float]:
        """The correction at a temperature, and its standard uncertainty with the correlation (H.3.4 and H.3.5)."""
        off = t - self.t0
        variance = self.u_y1**2 + (off * self.u_y2) ** 2 + 2 * off * self.u_y1 * self.u_y2 * self.r
        return self.y1 + self.y2 * off, math.sqrt(max(0.0, variance))


def fitted(temperatures: Sequence[float], corrections: Sequence[float], t0: float) -> Line:
    """The line of least squares.

    Args:
        temperatures: At which the corrections were found.
        corrections: To be added to what the thermometer shows; as many.
        t0: Reference temperature: u(y1) is the uncertainty there.

    Raises:
        ValueError: Fewer than three, not as many of both, or all at one temperature.
    """
    n = len(temperatures)
    if n < 3 or n != len(corrections):  # two points leave nothing to judge the scatter by
        raise ValueError(f"{n} temperatures and {len(corrections)} corrections: a line takes three of each or more.")
    offs = [t - t0 for t in temperatures]
    mean_off, mean = sum(offs) / n, sum(corrections) / n
    spread = sum((off - mean_off) ** 2 for off in offs)  # GUM's D / n, without its cancellation
    if spread == 0:
        raise ValueError("All corrections were found at one temperature: that makes no line.")
    slope = sum((off - mean_off) * (b - mean) for off, b in zip(offs, corrections, strict=True)) / spread
    y1 = mean - slope * mean_off
    left = sum((b - y1 - slope * off) ** 2 for off, b in zip(offs, corrections, strict=True))
    s = math.sqrt(left / (n - 2))
    squares = sum(off**2 for off in offs)
    r = -sum(offs) / math.sqrt(n * squares) if squares else 0.0
    return Line(t0, y1, slope, s * math.sqrt(squares / (n * spread)), s / math.sqrt(spread), r, s, n - 2)
