"""Where words stand over the blocks of a lane, so that they never run into each other. Pure.

A word begins at its block's left edge, or ends at its right edge where it would not fit there. One that weighs may also
stand beside its block, so that what failed has its word before what was met has. Positions are shares of the sheet's
width, words have a width of their own: what does not collide at one width does not at a greater.
"""

from __future__ import annotations

import enum
import functools
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple, TypeAlias

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


class Side(enum.StrEnum):
    """Where a word stands at its block."""

    START = "s"
    """It begins at the left edge."""
    END = "e"
    """It ends at the right edge."""
    BEFORE = "b"
    """It ends at the left edge."""
    AFTER = "a"
    """It begins at the right edge."""


class Placed(NamedTuple):
    """Where a word stands: which of the forms (None: none), and at which side of its block."""

    form: int | None
    side: Side = Side.START


_AT_BLOCK = (Side.START, Side.END)
_FROM_LEFT = (Side.BEFORE, Side.END, Side.START, Side.AFTER)
Reach: TypeAlias = tuple[float, float]
"""From where to where, in pixels."""


@functools.lru_cache(4096)
def text_px(text: str) -> int:
    """How wide a word is at the most."""
    return sum(_PX.get(char, _OTHER_PX) for char in text)


def extent(block: Worded, placed: Placed, width_px: float) -> Reach:
    """From where to where a placed word reaches, in pixels."""
    if placed.form is None:
        return 0, 0
    wide = text_px(block.forms[placed.form])
    edge = (block.left if placed.side in (Side.START, Side.BEFORE) else block.right) * width_px
    return (edge, edge + wide) if placed.side in (Side.START, Side.AFTER) else (edge - wide, edge)


def place(blocks: Sequence[Worded], width_px: int) -> list[Placed]:
    """Place words for one width of the sheet: as many as have room in their shortest form, then longer forms.

    Args:
        blocks: Of one lane; the heaviest come first, of equal ones the latest.
        width_px: The sheet's width.
    """
    order = sorted(range(len(blocks)), key=lambda index: (-blocks[index].weight, -blocks[index].left))
    heavy = [index for index in order if blocks[index].weight and blocks[index].forms]
    found = _shortest(blocks, heavy, {}, width_px)
    if len(found) < len(heavy):
        packed = _packed(blocks, sorted(heavy, key=lambda index: blocks[index].left), width_px)
        found = max(packed, found, key=len)
    # No "met" stands over what failed and has no word of its own.
    bare = [(blocks[at].left * width_px, blocks[at].right * width_px) for at in heavy if at not in found]
    light = [index for index in order if index not in heavy]
    found = _shortest(blocks, light, found, width_px, bare)
    for index in (each for each in order if each in found):
        others = [extent(blocks[at], put, width_px) for at, put in found.items() if at != index]
        others += [] if index in heavy else bare
        options = [Placed(form, side) for form in range(len(blocks[index].forms) - 1) for side in _AT_BLOCK]
        found[index] = _first_fitting(blocks[index], options, others, width_px) or found[index]
    return [found.get(index, Placed(None)) for index in range(len(blocks))]


def _shortest(
    blocks: Sequence[Worded],
    order: Sequence[int],
    placed: Mapping[int, Placed],
    width_px: int,
    bare: Sequence[Reach] = (),
) -> dict[int, Placed]:
    """One after the other in the shortest form, wherever each still has room."""
    found = dict(placed)
    for index in order:
        others = [*bare, *(extent(blocks[at], put, width_px) for at, put in found.items())]
        options = [Placed(len(blocks[index].forms) - 1, side) for side in _AT_BLOCK if blocks[index].forms]
        if put := _first_fitting(blocks[index], options, others, width_px):
            found[index] = put
    return found


def _packed(blocks: Sequence[Worded], order: Sequence[int], width_px: int) -> dict[int, Placed]:
    """From left to right, each as far to the left as it fits: so the most of them have room."""
    found: dict[int, Placed] = {}
    for index in order:
        others = [extent(blocks[at], put, width_px) for at, put in found.items()]
        options = [Placed(len(blocks[index].forms) - 1, side) for side in _FROM_LEFT]
        if put := _first_fitting(blocks[index], options, others, width_px):
            found[index] = put
    return found


def _first_fitting(block: Worded, options: Iterable[Placed], others: Sequence[Reach], width_px: int) -> Placed | None:
    return next((each for each in options if _fits(extent(block, each, width_px), others, width_px)), None)


def _fits(wanted: Reach, taken: Sequence[Reach], width_px: int) -> bool:
    begin, end = wanted
    inside = begin >= 0 and end <= width_px
    return inside and all(end + APART_PX <= other or begin >= until + APART_PX for other, until in taken)
