"""What to do about spilled solution, and how much neutralises it. Pure.

Local codes, the label and the safety data sheet decide; what is from memory says so.
"""

from __future__ import annotations

import re

import msgspec

_NANOLITRES_PER_US_GALLON = 3_785_411_784
"""One US gallon is 3.785411784 litres exactly (NIST Handbook 44, appendix C)."""

GLYCINE_G_PER_US_GALLON = 25
"""Least amount for ortho-phthalaldehyde: common practice, from memory; several public sources repeat it."""

STAND_MIN = 5
"""Minutes for which the neutraliser acts before it goes on: from memory."""

DECIDES = (
    "Local codes, the label and the safety data sheet decide. This is an aid: "
    "what names no source is common practice, from memory."
)

_NAMES = {"glycine": "glycine"}
"""Neutralisers whose amount is known here, by what people call them."""


class Spill(msgspec.Struct, frozen=True):
    """What to do about a spill.

    Attributes:
        volume_ml: How much was spilled.
        neutraliser: With what; empty: nothing is known for this solution.
        neutraliser_g: The least amount in grams, rounded up; None where none is known.
        steps: What to do, in this order.
        cautions: What harms, each with where that is from.
        decides: Who decides.
    """

    volume_ml: int
    neutraliser: str
    neutraliser_g: int | None
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    decides: str = DECIDES


def neutralising_g(neutraliser: str, volume_ml: int, g_per_us_gallon: int = GLYCINE_G_PER_US_GALLON) -> int | None:
    """The least amount that neutralises a volume, in grams, rounded up; None where none is known.

    Args:
        neutraliser: As the profile names it.
        volume_ml: Of the solution.
        g_per_us_gallon: The site's figure for glycine.
    """
    if neutraliser.strip().lower() not in _NAMES:
        return None
    return -(-volume_ml * g_per_us_gallon * 1_000_000 // _NANOLITRES_PER_US_GALLON)


def spill(name: str, neutraliser: str, volume_ml: int, g_per_us_gallon: int = GLYCINE_G_PER_US_GALLON) -> Spill:
    """What to do about a spill.

    Args:
        name: What was spilled, as its profile calls it.
        neutraliser: As the profile names it; empty if it names none.
        volume_ml: How much.
        g_per_us_gallon: The site's figure for glycine.
    """
    amount_g = neutralising_g(neutraliser, volume_ml, g_per_us_gallon)
    return Spill(
        volume_ml=volume_ml,
        neutraliser=neutraliser,
        neutraliser_g=amount_g,
        steps=(*_FIRST, *_middle(name, neutraliser, amount_g), *_LAST),
        cautions=(*_substance(name), *_CAUTIONS),
    )


_FIRST = (
    "Keep people away, and open windows or raise the ventilation. Leave if vapour stings eyes or nose.",
    "Put on gloves, gown, mask and eye protection before you come near.",
    "Keep it from spreading with absorbent material, and away from drains.",
)
_LAST = (
    "Put what took it up into a closed container, labelled with what is in it.",
    "Wash the surface with plenty of water; take off gloves last, and wash hands.",
    "Record what was spilled and what was done.",
)


def _middle(name: str, neutraliser: str, amount_g: int | None) -> tuple[str, ...]:
    if amount_g is None and not neutraliser:
        return (f"No neutraliser is known here for {name}: take it up as its safety data sheet says.",)
    if amount_g is None:
        return (f"Neutralise it with {neutraliser}; how much of it, the label or the safety data sheet says.",)
    return (
        f"Strew at least {amount_g} g of {neutraliser} over it (common practice, from memory) and mix it in carefully.",
        f"Let it stand for at least {STAND_MIN} minutes (from memory).",
        "Take it up with absorbent material.",
    )


_GUIDELINE = "CDC/HICPAC guideline 2008"

_CAUTIONS = (
    "Eyes: rinse at once with plenty of water for as long as the safety data sheet says, and see a doctor.",
    "Skin: wash off at once; take off what it has soaked through.",
    "Vapour: go into fresh air; whoever coughs or wheezes sees a doctor.",
    f"Gloves, gown, mask and eye protection as the hazard needs ({_GUIDELINE}, recommendation 1.c; published).",
)

_BY_SUBSTANCE: dict[str, tuple[str, ...]] = {
    "glutaraldehyde": (
        f"Glutaraldehyde in the air: at most 0.05 ppm at any time (ACGIH, as printed in {_GUIDELINE}, Table 4; "
        "published; another source prints 0.2 ppm: the lower one holds).",
        "Ventilate with at least 10 air changes an hour (from memory).",
        "Nitrile or butyl gloves rather than plain latex (from memory).",
    ),
    r"phthalaldehyde|\bopa\b": (
        f"It stains skin, mucosa, clothing and surfaces grey ({_GUIDELINE}, Table 5; published).",
        f"There is no OSHA limit for it in the air ({_GUIDELINE}, Table 4; published); ACGIH names a ceiling of "
        "0.1 ppb (from memory).",
    ),
    "hydrogen peroxide": (
        f"Hydrogen peroxide in the air: at most 1 ppm over 8 hours ({_GUIDELINE}, Table 4; published).",
    ),
}


def _substance(name: str) -> tuple[str, ...]:
    return tuple(
        each for names, cautions in _BY_SUBSTANCE.items() if re.search(names, name.lower()) for each in cautions
    )
