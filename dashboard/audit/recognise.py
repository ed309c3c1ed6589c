"""One field for anything, an id, an asset number, a lot, a name, a scanned label: what it can mean, with its address.

What is typed or scanned here may be a secret, such as a badge: it comes in the body of a request, never in an address,
and a badge is neither shown nor looked up.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from collector.ledger import record
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Alarm, Bottle, Device, Fill, Load, MecTest, Person, StripBottle, Turn
from collector.scan import LONGEST, Form, Scan, read_scan
from collector.scan_identify import identify
from collector.scan_label import BADGE, is_badge
from dashboard.audit.spans import of_encounter
from dashboard.audit.wanted import Wanted
from dashboard.ledger_pages import page_of
from dashboard.texts import _

_MOST = 20
_CONTAINERS = (Bottle.KIND, StripBottle.KIND)
_BADGE_INSIDE = re.compile(r"[^A-Za-z]+")


class Meaning(NamedTuple):
    """One thing that a text can mean: in words, and where it is shown."""

    text: str
    href: str


def meanings(book: Book, typed: str) -> list[Meaning]:
    """Everything that a text can mean, the surest first; nothing if nothing here is called so.

    Raises:
        RefusedError: It is a badge, or nothing can be searched for by it.
    """
    text = typed.strip()
    if not text:
        raise RefusedError(
            "empty",
            _("Nothing was written."),
            _("Write a number, a lot, a name or a reference, or hold the scanner to a label."),
        )
    if len(text) > LONGEST:
        raise RefusedError(
            "too-long",
            _("This is longer than any label or reference ({most} characters).").format(most=LONGEST),
            _("Empty the field and scan or write one thing."),
        )
    if any(is_badge(part) for part in (text, *_BADGE_INSIDE.split(text))):
        raise RefusedError(
            "badge",
            _("This is a person’s badge. It was not looked up and is kept nowhere."),
            _("Choose the person in the form below; badges are for signing in."),
        )
    found = dict.fromkeys([*_things(book, text), *_scanned(book, text), *_names(book, text)])
    return list(found)[:_MOST]


def _soaks(**asked: str) -> str:
    return f"/audit?{Wanted(**asked).query()}"


def _things(book: Book, text: str) -> Iterator[Meaning]:
    """By an id of ours, capital letters or not."""
    for each in dict.fromkeys((text, text.upper())):
        if book.find(Load, each):
            yield Meaning(_("load {id}").format(id=each), f"/loads/{each}")
        if turn := book.find(Turn, each):
            words = _("round {id} of device {device}").format(id=each, device=turn.device)
            yield Meaning(words, f"/devices/{turn.device}#{each}")
        if book.find(Fill, each):
            yield Meaning(_("fill {id}").format(id=each), f"/fills/{each}")
        if test := book.find(MecTest, each):
            words = _("MEC test {id} of fill {fill}").format(id=each, fill=test.fill)
            yield Meaning(words, page_of(book, MecTest.KIND, each))
        if book.find(Alarm, each):
            yield Meaning(_("alarm {id}").format(id=each), f"/alarms/{each}")
        if book.find(Bottle, each) or book.find(StripBottle, each):
            yield Meaning(_("soaks with bottle {id}").format(id=each), _soaks(lot=each))
    if row := _closure(book, text):
        yield Meaning(_("closure {key}").format(key=text), f"/closures/{row}")
    if text.isascii() and text.isdigit() and len(text) < 16 and record(book.connection, int(text)):
        yield Meaning(_("record {number} of the ledger").format(number=int(text)), f"/record/{int(text)}")


def _closure(book: Book, text: str) -> int | None:
    """A closure by its name in the record, "stream:first"."""
    stream, _colon, first = text.partition(":")
    if not (first.isascii() and first.isdigit() and len(first) < 16):
        return None
    row = book.connection.execute(
        """SELECT c.id FROM closure c JOIN stream s ON s.id = c.stream_id
           WHERE s.stream = ? AND c.first = ? AND c.superseded_by IS NULL""",
        (stream, int(first)),
    ).fetchone()
    return int(row[0]) if row else None


def _scanned(book: Book, text: str) -> Iterator[Meaning]:
    """By a label: ours, or a maker's with product code, lot and serial number."""
    try:
        scan = read_scan(text, book.local_date(book.at_ms))
    except RefusedError:
        return
    if scan.kind == BADGE:
        return
    for found in identify(book, scan).found:
        if found.kind in _CONTAINERS and scan.form is not Form.LABEL:
            continue  # of all the bottles of a lot: the lot is searched for, below
        yield from _identified(found.kind, found.id, found.name)
    yield from _printed(scan)


def _identified(kind: str, thing_id: str, name: str) -> Iterator[Meaning]:
    if kind == "device":
        yield Meaning(_("soaks of device {id}").format(id=thing_id), _soaks(device=thing_id))
        yield Meaning(_("device {id}: where it is, and its rounds").format(id=thing_id), f"/devices/{thing_id}")
    elif kind in _CONTAINERS:
        yield Meaning(_("soaks with bottle {id}").format(id=thing_id), _soaks(lot=thing_id))
    elif kind == "basin":
        yield Meaning(_("soaks in {basin}").format(basin=name), _soaks(basin=thing_id))
    elif kind == "fill":
        yield Meaning(_("fill {id}").format(id=thing_id), f"/fills/{thing_id}")
    elif kind == "profile":
        yield Meaning(_("solution {name}").format(name=name), f"/profiles/{thing_id}")


def _printed(scan: Scan) -> Iterator[Meaning]:
    """What a maker's label says, also where nothing of it is recorded."""
    for lot in dict.fromkeys((scan.lot, *(each.lot for each in scan.readings))):
        if lot:
            yield Meaning(_("soaks with lot {lot}").format(lot=lot), _soaks(lot=lot))


def _names(book: Book, text: str) -> Iterator[Meaning]:
    """By what people call things: asset and serial numbers, lots, references of encounters, names."""
    asked = text.casefold()
    for device in book.all(Device):
        if asked in (device.id.casefold(), device.serial.casefold()):
            yield from _identified("device", device.id, device.id)
    lots = {each.lot for each in book.all(Bottle)} | {each.lot for each in book.all(StripBottle)}
    for lot in sorted(each for each in lots if each.casefold() == asked):
        yield Meaning(_("soaks with lot {lot}").format(lot=lot), _soaks(lot=lot))
    if of_encounter(book, text).means:
        yield Meaning(_("soaks before and after encounter {reference}").format(reference=text), _soaks(encounter=text))
    for person in book.all(Person):
        if asked in (person.id.casefold(), person.name.casefold()):
            words = _("soaks with which {name} had to do").format(name=person.name)
            yield Meaning(words, _soaks(person=person.id))
    for node, name, label in book.connection.execute("SELECT node, name, label FROM basin ORDER BY id"):
        if asked in (label.casefold(), f"{node}/{name}"):
            yield from _identified("basin", f"{node}/{name}", label)
    if len(asked) > 1 and not any(asked == each.id.casefold() for each in book.all(Device)):
        near = sorted(each.id for each in book.all(Device) if asked in each.id.casefold())
        if near:
            some = ", ".join(near[:3]) + (", …" if len(near) > 3 else "")
            yield Meaning(_("soaks of devices with “{text}”: {some}").format(text=text, some=some), _soaks(device=text))
