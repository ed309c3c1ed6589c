"""An uncertainty budget: contributions of known size and shape, put together (JCGM 100:2008, the GUM).

Sizes are whole microdegrees Celsius (`…_uc`), a thousandth of a millidegree, each standard uncertainty rounded up. So
whoever adds a stored budget up again gets the same U, on any machine.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence

import msgspec

UC_PER_MC = 1_000
COVERAGE = 2
"""k of every U here: about 95 % for a normal distribution (GUM 6.2 and 6.3; NIST TN 1297, 5 and 6)."""


class Shape(enum.StrEnum):
    """How a contribution is spread, and so what its size is divided by."""

    NORMAL = "normal"
    """The size is an expanded uncertainty, as certificates print it: divided by its k (NIST TN 1297, 4.2)."""
    RECTANGULAR = "rectangular"
    """The size is a half-width, all values inside equally likely: divided by √3 (GUM 4.3.7)."""
    TRIANGULAR = "triangular"
    """The size is a half-width, values in the middle more likely: divided by √6 (GUM 4.3.9)."""
    STEP = "step"
    """The size is a step of a display: divided by √12 (GUM F.2.2.1)."""
    REPEATS = "repeats"
    """The size is a standard deviation of a mean, as it was found in repeats (GUM 4.2): taken as it is."""


_SQUARE = {Shape.RECTANGULAR: 3, Shape.TRIANGULAR: 6, Shape.STEP: 12, Shape.REPEATS: 1}


class Contribution(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """One contribution; its sensitivity is 1, for all are temperatures that add up.

    Attributes:
        name: What it comes from.
        size_uc: Expanded uncertainty, half-width, step or standard deviation, in microdegrees; see `shape`.
        shape: How it is spread.
        k_hundredths: Of an expanded uncertainty: its coverage factor times 100.
        dof: Degrees of freedom; None: known well enough to count as without limit.
        u_uc: Its standard uncertainty in microdegrees, rounded up.
        why: Where the size comes from.
    """

    name: str
    size_uc: int
    shape: Shape
    k_hundredths: int | None = None
    dof: int | None = None
    u_uc: int
    why: str = ""


def normal(name: str, expanded_uc: int, k_hundredths: int, why: str = "") -> Contribution:
    """An expanded uncertainty with its coverage factor.

    Raises:
        ValueError: The factor is not above 0.
    """
    if k_hundredths <= 0:
        raise ValueError(f"A coverage factor of {k_hundredths / 100:g} divides nothing. Copy k from the certificate.")
    u_uc = -(-100 * expanded_uc // k_hundredths)
    return Contribution(
        name=name, size_uc=expanded_uc, shape=Shape.NORMAL, k_hundredths=k_hundredths, u_uc=u_uc, why=why
    )


def limits(name: str, half_width_uc: int, why: str = "", shape: Shape = Shape.RECTANGULAR) -> Contribution:
    """Limits between which it lies: plus and minus a half-width, or a step of a display."""
    return Contribution(
        name=name, size_uc=half_width_uc, shape=shape, u_uc=_root_up(half_width_uc**2, _SQUARE[shape]), why=why
    )


def repeats(name: str, size_uc: int, dof: int, why: str = "") -> Contribution:
    """A standard deviation of a mean, found in repeats."""
    return Contribution(name=name, size_uc=size_uc, shape=Shape.REPEATS, dof=dof, u_uc=size_uc, why=why)


def combined_uc(contributions: Sequence[Contribution]) -> float:
    """Combined standard uncertainty in microdegrees: the root of the sum of squares (GUM 5.1.2); 0 for none."""
    return math.sqrt(sum(each.u_uc**2 for each in contributions))


def expanded_mc(contributions: Sequence[Contribution]) -> int:
    """Expanded uncertainty U = 2 u in millidegrees, rounded up to the next whole one."""
    return _root_up(COVERAGE**2 * sum(each.u_uc**2 for each in contributions), UC_PER_MC**2)


def effective_dof(contributions: Sequence[Contribution]) -> int | None:
    """Effective degrees of freedom by Welch and Satterthwaite, cut to a whole number (GUM G.4.1).

    Returns:
        None where every contribution with an uncertainty counts as without limit.
    """
    limited = sum(each.u_uc**4 / each.dof for each in contributions if each.dof)
    return int(combined_uc(contributions) ** 4 / limited) if limited else None


def share_permille(contribution: Contribution, contributions: Sequence[Contribution]) -> int:
    """How much of the combined variance one contribution is, in thousandths; 0 where nothing is uncertain."""
    whole = sum(each.u_uc**2 for each in contributions)
    return round(1_000 * contribution.u_uc**2 / whole) if whole else 0


def _root_up(numerator: int, denominator: int) -> int:
    """The least whole number whose square is not below the fraction."""
    return math.isqrt(max(0, -(-numerator // denominator) - 1)) + 1 if numerator else 0
