"""Whether a basin is ready for a load, and the one thing that blocks, in words."""

from __future__ import annotations

import msgspec

from collector.record.book import Book


class Block(msgspec.Struct, frozen=True):
    """One thing that stands against starting a load.

    Attributes:
        rule: Its name, e.g. "fill-in-date".
        text: What it is, with figures.
        next_step: What to do about it.
    """

    rule: str
    text: str
    next_step: str


class Readiness(msgspec.Struct, frozen=True):
    """A basin's readiness.

    Attributes:
        basin: "node/name".
        fill: The fill in it; empty if there is none.
        blocks: What stands against a load, the most important first; empty: ready.
        needs_mc: What the display must show: minimum + U − correction, the highest over the sensors; None unknown.
        indicated_mc: The coldest that the sensors indicate now; None if none is alive.
    """

    basin: str
    fill: str
    blocks: tuple[Block, ...]
    needs_mc: int | None = None
    indicated_mc: int | None = None

    @property
    def ready(self) -> bool:
        """Nothing stands against a load."""
        return not self.blocks


def readiness(book: Book, basin: str) -> Readiness:
    """What stands against starting a load in a basin at the book's moment."""
    raise NotImplementedError
