"""Whether a basin is ready for a load, and the one thing that blocks, in words."""

from __future__ import annotations

import msgspec

from collector.record.basins.ready_clauses import CLAUSES, remarks
from collector.record.basins.ready_facts import Facts, facts
from collector.record.block import Block
from collector.record.book import Book
from soak.requirement import needs_mc

__all__ = ["Block", "Readiness", "readiness"]


class Readiness(msgspec.Struct, frozen=True):
    """A basin's readiness.

    Attributes:
        basin: "node/name".
        fill: The fill in it; empty if there is none.
        blocks: What stands against a load, the most important first; empty: ready.
        needs_mc: What the display must show: minimum + U − correction, the highest over the sensors; None unknown.
        indicated_mc: The coldest that the sensors indicate now; None if none is alive.
        remarks: What blocks nothing and is to be said all the same.
    """

    basin: str
    fill: str
    blocks: tuple[Block, ...]
    needs_mc: int | None = None
    indicated_mc: int | None = None
    remarks: tuple[str, ...] = ()

    @property
    def ready(self) -> bool:
        """Nothing stands against a load."""
        return not self.blocks


def readiness(book: Book, basin: str) -> Readiness:
    """What stands against starting a load in a basin at the book's moment.

    The moment may be long past: then the readings of that time are looked up.

    Raises:
        UnknownThingError: There is no such basin.
        DamagedPageError: A page that holds its newest reading is not what was sealed.
    """
    known = facts(book, basin)
    return Readiness(
        basin=basin,
        fill=known.fill.id if known.fill else "",
        blocks=tuple(block for clause in CLAUSES for block in clause(known)),
        needs_mc=_needs_mc(known),
        indicated_mc=_indicated_mc(known),
        remarks=tuple(remarks(known)),
    )


def _needs_mc(known: Facts) -> int | None:
    requirement = known.requirement
    return max((needs_mc(requirement, terms) for terms in known.terms.values()), default=None) if requirement else None


def _indicated_mc(known: Facts) -> int | None:
    heard = known.heard()
    if heard is None:
        return None
    return min((mc for sensor, mc in heard.mc.items() if mc is not None and sensor in known.terms), default=None)
