"""What a scan means on the path: a person, a device, a basin, "cancel"; anything else is refused in words."""

from __future__ import annotations

import enum
from typing import NamedTuple

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Device
from collector.scan import read_scan
from collector.scan_identify import Found, Identified, identify
from collector.scan_label import BADGE
from dashboard.texts import _

CANCEL = ("cancel", "undo")
"""A code with this text takes back what was scanned last; there is no label of a thing that could say so."""


class Kind(enum.StrEnum):
    """What was scanned."""

    CANCEL = "cancel"
    BADGE = "badge"
    DEVICE = "device"
    BASIN = "basin"


class Meaning(NamedTuple):
    """What was scanned.

    Attributes:
        kind: What.
        id: Its id; of a badge its code, which is never shown; of "cancel" empty.
        warnings: What a person should compare.
    """

    kind: Kind
    id: str = ""
    warnings: tuple[str, ...] = ()


def badge_of(book: Book, text: str) -> str:
    """A badge's code without looking anything up: for those who may not look before they are signed in.

    Raises:
        RefusedError: It is no badge.
    """
    scan = read_scan(text, book.local_date(book.at_ms))
    if scan.kind != BADGE:
        raise RefusedError("not-signed-in", _("Nobody is signed in."), _("Scan your badge first."))
    return scan.id


def meaning(book: Book, text: str) -> Meaning:
    """What a scan, or what was typed in its place, means.

    Args:
        book: To look the record up; `Book.looking` is enough.
        text: As it came, with everything around it.

    Raises:
        RefusedError: It cannot be read, is not recorded, or is of no use here; the text says what was read.
    """
    plain = text.strip()
    if plain.lower() in CANCEL:
        return Meaning(Kind.CANCEL)
    if (basin := _basin_called(book, plain)) and book.find(Device, plain) is None:
        return Meaning(Kind.BASIN, basin)
    scan = read_scan(text, book.local_date(book.at_ms))
    if scan.kind == BADGE:
        return Meaning(Kind.BADGE, scan.id, scan.warnings)
    of = identify(book, scan)
    usable = [each for each in of.found if each.kind in (Kind.DEVICE, Kind.BASIN)]
    if len(of.found) == 1 and len(usable) == 1 and not of.ask:
        return Meaning(Kind(usable[0].kind), usable[0].id, scan.warnings)
    raise _of_no_use(of, usable)


def _basin_called(book: Book, text: str) -> str:
    """A basin typed by its name or as "node/name"; empty where no basin, or more than one, is called so."""
    if not text or len(text) > 200:
        return ""
    rows = book.connection.execute("SELECT node || '/' || name, label FROM basin").fetchall()
    found = [str(key) for key, label in rows if text.lower() in (str(key).lower(), str(label or "").strip().lower())]
    return found[0] if len(found) == 1 else ""


def _of_no_use(of: Identified, usable: list[Found]) -> RefusedError:
    if not of.found:
        return RefusedError("unknown-label", of.text, of.next_step)
    if usable:
        return RefusedError(
            "several-things", of.text, _("Scan the device’s own label, or type the asset number printed on it.")
        )
    what = of.found[0].name
    return RefusedError(
        "other-label",
        _("{what}: that is the label of something else.").format(what=f"{what[:1].upper()}{what[1:]}"),
        _("Here badges, devices and basins are scanned. Nothing was taken from it."),
    )
