"""One thing that stands against starting a load, in words."""

from __future__ import annotations

import msgspec


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
