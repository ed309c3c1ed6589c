"""What is said about the last scan, with the way out where this program has one."""

from __future__ import annotations

from typing import Any, NamedTuple

from collector.record.basins.readiness import readiness
from collector.record.book import Book
from collector.record.errors import RefusedError
from dashboard.door import Signed
from dashboard.path.held import Held
from dashboard.path.shapes import Link
from dashboard.path.standing import next_for, override_links
from dashboard.path.starting import rehearse
from dashboard.problems import refusal_status
from dashboard.texts import _


class Said(NamedTuple):
    """What is said about the last scan.

    Attributes:
        title: In two words.
        text: What was read and what it means here.
        next_step: What to do.
        wrong: It was not taken.
        links: Where to put it right.
        add: A basin whose load the devices may be added to; empty: none.
        off: Devices that cannot go into that basin.
        status: Of the answer.
    """

    title: str
    text: str
    next_step: str = ""
    wrong: bool = True
    links: tuple[Link, ...] = ()
    add: str = ""
    off: tuple[str, ...] = ()
    status: int = 200

    @classmethod
    def of(cls, refusal: RefusedError, **more: Any) -> Said:
        """A refusal."""
        status = refusal_status(refusal).value
        return cls(_("Not taken"), refusal.text, refusal.next_step, status=status, **more)


def ways_out(book: Book, held: Held, basin: str, refusal: RefusedError, signed: Signed) -> Said:
    """Why a basin takes nothing now, with the form that puts it right."""
    if refusal.rule == "basin-busy":
        return Said.of(refusal, add=basin)
    if refusal.rule.startswith("unknown-"):
        return Said.of(refusal)
    found = readiness(book, basin)
    block = next((each for each in found.blocks if each.rule == refusal.rule), None)
    if block is None:
        return Said.of(refusal, off=tuple(each for each in held.devices if not _fits(book, each, basin)))
    links = override_links(book, held.devices, basin, signed.person)
    put_right = next_for(block, basin, found.fill)
    said = Said.of(refusal, links=(put_right, *links) if put_right else links)
    if found.fill and not links:  # without a fill nobody can let it start
        how = _("For that the steps go on record first, then the supervisor’s badge and the basin are scanned here.")
        return said._replace(next_step=f"{said.next_step} {how}")
    return said


def _fits(book: Book, device: str, basin: str) -> bool:
    try:
        rehearse(Book.looking(book.connection, book.at_ms), device, basin)
    except RefusedError:
        return False
    return True


def other_basin(book: Book, held: Held, basin: str) -> RefusedError:
    """The page is for one basin, and the label is another's."""
    rows = dict(book.connection.execute("SELECT node || '/' || name, label FROM basin").fetchall())
    here, there = (str(rows.get(each) or each) for each in (held.basin, basin))
    return RefusedError(
        "other-basin",
        _("That is {there}; this page is for {here}. Nothing was recorded.").format(there=there, here=here),
        _("Put the devices into {here} and scan that, or use the tablet at {there}.").format(there=there, here=here),
    )
