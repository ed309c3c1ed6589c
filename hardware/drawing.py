"""A sheet to draw circuits on: texts, lines and parts where they are put, black on white."""

from __future__ import annotations

from itertools import pairwise
from typing import Final, Literal

import schemdraw
from schemdraw import elements as elm
from schemdraw.segments import SegmentText

from firmware.pins import HEADER, POSITION

Point = tuple[float, float]

FONT_PT, SMALL_PT, TITLE_PT = 12.0, 10.0, 14.0
INCHES_PER_UNIT: Final = 0.42
"""At this scale a sheet up to 17.8 wide and 25.9 high prints on A4 with 10 mm of margin, its texts at their size."""

_FONT = "Arial, sans-serif"  # the library makes "sans-serif" alone into a name that browsers do not know
_POSITION_X, _NAME_X = -0.3, -1.5


class Drawing:
    """A drawing whose coordinates are the library's units, y upwards.

    Args:
        corner: The upper left corner of its frame.
        opposite: The lower right one. The library only guesses how wide texts are, so without a frame it cuts them off.
    """

    def __init__(self, corner: Point, opposite: Point) -> None:
        self._drawing = schemdraw.Drawing(canvas="svg", show=False)
        self._drawing.config(
            unit=2.2, inches_per_unit=INCHES_PER_UNIT, fontsize=FONT_PT, font=_FONT, lw=1.4, bgcolor="white"
        )
        self._taken: set[int] = set()
        self.box(corner, opposite, width=0.6)

    def svg(self) -> str:
        """The drawing as text."""
        return self._drawing.get_imagedata("svg").decode() + "\n"

    def add(self, element: elm.Element) -> elm.Element:
        """Draw any element of the library."""
        return self._drawing.add(element)

    def between(self, element: elm.Element2Term, start: Point, end: Point) -> None:
        """Draw a part with two ends."""
        self.add(element.at(start).to(end))

    def line(self, *points: Point) -> None:
        """Draw a wire through points."""
        for start, end in pairwise(points):
            self.between(elm.Line(), start, end)

    def dot(self, at: Point, *, is_open: bool = False) -> None:
        """Draw a joint, or with `is_open` a terminal."""
        self.add(elm.Dot(open=is_open).at(at).theta(0))

    def box(self, corner: Point, opposite: Point, *, width: float = 1.4) -> None:
        """Draw a rectangle whose line is `width` points wide."""
        self.add(elm.Rect(corner, opposite, lw=width).at((0, 0)).theta(0))

    def text(
        self, at: Point, text: str, *, align: Literal["left", "center", "right"] = "left", size_pt: float = FONT_PT
    ) -> None:
        """Write one line, vertically centred."""
        element = elm.Element()
        element.segments.append(SegmentText((0, 0), text, align=(align, "center"), fontsize=size_pt))
        self.add(element.at(at).theta(0))

    def notes(self, at: Point, *lines: str) -> None:
        """Write small lines below each other."""
        for number, line in enumerate(lines):
            self.text((at[0], at[1] - 0.6 * number), line, size_pt=SMALL_PT)

    def pin(self, bcm: int, y: float) -> None:
        """A terminal of the header at x = 0: a GPIO."""
        self._terminal(f"GPIO {bcm}", POSITION[bcm], y)

    def supply(self, supply: str, near: int, y: float) -> None:
        """A terminal at x = 0: the position of a supply nearest to GPIO `near` that nothing here is wired to yet."""
        free = [place for place, what in enumerate(HEADER, 1) if what == supply and place not in self._taken]
        self._terminal(supply, min(free, key=lambda place: (abs(place - POSITION[near]), place)), y)

    def terminals(self, top: float, bottom: float) -> None:
        """The box around all terminals, with the headings of its columns."""
        self.box((-3.9, top), (0, bottom))
        self.text((_NAME_X, top - 0.4), "header", align="right", size_pt=SMALL_PT)
        self.text((_POSITION_X, top - 0.4), "pos.", align="right", size_pt=SMALL_PT)

    def _terminal(self, name: str, position: int, y: float) -> None:
        self._taken.add(position)
        self.text((_NAME_X, y), name, align="right")
        self.text((_POSITION_X, y), str(position), align="right")
        self.dot((0, y), is_open=True)
