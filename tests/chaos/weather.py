"""What a line between a node and the broker goes through: drawn from a seed, one phase after the other. Pure."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from random import Random
from typing import NamedTuple


class Kind(enum.StrEnum):
    """What a line does with the bytes that come."""

    PLAIN = "plain"
    DELAY = "delays"
    TRICKLE = "trickles"
    SILENT = "half-opens"  # both ends think that it stands; nothing comes through, not even that the other end is gone
    DEAF = "takes connections without an answer"
    CUT = "cuts"


class Way(enum.Enum):
    """In which direction a phase holds."""

    UP = "from the node"
    DOWN = "to the node"


BOTH = frozenset(Way)


class Phase(NamedTuple):
    """One phase of a line.

    Attributes:
        kind: What it does.
        seconds: For how long.
        ways: In which directions; a cut is always both.
    """

    kind: Kind
    seconds: float = 0.0
    ways: frozenset[Way] = BOTH


class Climate(NamedTuple):
    """How bad it gets.

    Attributes:
        deaf_rate: How often a new connection is taken and never answered.
        phase_s: Shortest and longest phase.
        silent_s: Shortest and longest half-open phase.
    """

    deaf_rate: float = 0.08
    phase_s: tuple[float, float] = (0.5, 8.0)
    silent_s: tuple[float, float] = (2.0, 50.0)


_WEIGHTS = {Kind.PLAIN: 8, Kind.DELAY: 3, Kind.TRICKLE: 3, Kind.SILENT: 1, Kind.CUT: 2}


def phases(dice: Random, climate: Climate) -> Iterator[Phase]:
    """The phases of one connection; the last one, if there is a last one, is a cut."""
    if dice.random() < climate.deaf_rate:
        yield Phase(Kind.DEAF, dice.uniform(*climate.silent_s))
        yield Phase(Kind.CUT)
        return
    while True:
        (kind,) = dice.choices(list(_WEIGHTS), list(_WEIGHTS.values()))
        if kind is Kind.CUT:
            yield Phase(kind)
            return
        seconds = dice.uniform(*(climate.silent_s if kind is Kind.SILENT else climate.phase_s))
        yield Phase(kind, seconds, dice.choice([BOTH, BOTH, frozenset({Way.UP}), frozenset({Way.DOWN})]))
        if kind is Kind.SILENT and dice.random() < 0.5:  # else it flows on, as after a router that was only busy
            yield Phase(Kind.CUT)
            return
