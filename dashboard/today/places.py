"""Where words stand over the blocks of a lane, so that they never run into each other. Pure.

A word begins at its block's left edge, or ends at its right edge where it would not fit on the sheet. Positions are
shares of the sheet's width, words have a width of their own: what does not collide at one width does not at a greater.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import NamedTuple

WIDTHS_PX = (300, 620, 1000)
"""Widths of the sheet for which words are placed; `look.css` shows what was placed for the greatest that fits."""
APART_PX = 10
_NARROW, _WIDE = " .,:;·'!|iIjlt()", "mwMW%—°"
_PX = {**dict.fromkeys(_NARROW, 6), **dict.fromkeys(_WIDE, 14)}
_OTHER_PX = 10
"""A generous width of one character of 14 px, bold, in the widest of usual sans faces: words may be set narrower."""


class Worded(NamedTuple):
    """A block with what can stand over it.

    Attributes:
        left: Its left edge as a share of the sheet's width.
        right: Its right edge.
        forms: From the longest to the shortest; the pattern speaks alone where none fits.
        weight: The more it weighs, the earlier it is placed.
    """

    left: float
    right: float
    forms: tuple[str, ...]
    weight: int = 0


class Placed(NamedTuple):
    """Where a word stands: which of the forms (None: none), and whether it ends at the right edge of its block."""

    form: int | None
    from_right: bool = False


@functools.lru_cache(4096)
def text_px(text: str) -> int:
    """How wide a word is at the most."""
    return sum(_PX.get(char, _OTHER_PX) for char in text)


def extent(block: Worded, placed: Placed, width_px: float) -> tuple[float, float]:
    """From where to where a placed word reaches, in pixels."""
    if placed.form is None:
        return 0, 0
    wide = text_px(block.forms[placed.form])
    if placed.from_right:
        return block.right * width_px - wide, block.right * width_px
    return block.left * width_px, block.left * width_px + wide


def place(blocks: Sequence[Worded], width_px: int) -> list[Placed]:
    """Place words for one width of the sheet: as many as have room in their shortest form, then longer forms.

    Args:
        blocks: Of one lane; the heaviest come first, of equal ones the latest.
        width_px: The sheet's width.
    """
    found = [Placed(None)] * len(blocks)
    order = sorted(range(len(blocks)), key=lambda index: (-blocks[index].weight, -blocks[index].left))
    taken: dict[int, tuple[float, float]] = {}
    for shortest_only in (True, False):
        for index in order:
            others = [reach for other, reach in taken.items() if other != index]
            for option in _options(blocks[index], shortest_only=shortest_only):
                reach = extent(blocks[index], option, width_px)
                if _fits(reach, others, width_px):
                    found[index], taken[index] = option, reach
                    break
    return found


def _options(block: Worded, *, shortest_only: bool) -> list[Placed]:
    forms = range(len(block.forms))[-1 if shortest_only else 0 :]
    return [Placed(form, from_right) for form in forms for from_right in (False, True)]


def _fits(wanted: tuple[float, float], taken: Sequence[tuple[float, float]], width_px: int) -> bool:
    begin, end = wanted
    inside = begin >= 0 and end <= width_px
    return inside and all(end + APART_PX <= other or begin >= until + APART_PX for other, until in taken)
