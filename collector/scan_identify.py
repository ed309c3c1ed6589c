"""What a scanned code is the code of, among what is recorded."""

from __future__ import annotations

import msgspec

from collector.record import shelf
from collector.record.book import Book
from collector.record.things import Bottle, Device, DeviceType, Fill, Profile, StripBottle, Thing
from collector.scan import Form, Reading, Scan, gtin14, read_udi
from collector.scan_label import BADGE, like_a_badge

_LABELLED: dict[str, type[Thing]] = {"device": Device, "bottle": Bottle, "fill": Fill, "strips": StripBottle}
"""What our labels name, besides basins and badges."""

_CONTAINERS: tuple[type[Thing], ...] = (Bottle, StripBottle)
_NUMBERED: tuple[type[Thing], ...] = (Bottle, StripBottle, Fill)


class Found(msgspec.Struct, frozen=True):
    """One thing that a code may be of.

    Attributes:
        kind: As in the record: "device", "profile", "bottle", "strip-bottle", "fill"; or "basin", "badge".
        id: Its id; empty for a badge: whose it is, signing in finds out.
        name: It, in words.
        by: What it was found by.
        reading: The text of the reading that it fits, where a code can be read in several ways.
    """

    kind: str
    id: str
    name: str
    by: str
    reading: str = ""


class Identified(msgspec.Struct, frozen=True):
    """A code and what it is of.

    Attributes:
        scan: What was read; of a badge, or of what may be a part of one, nothing that could be used to sign in.
        found: What it is of; several where a person must choose.
        ask: A person must choose, among readings or among what was found.
        text: What to say, in words.
        next_step: What to do now.
    """

    scan: Scan
    found: tuple[Found, ...]
    ask: bool
    text: str
    next_step: str


def identify(book: Book, scan: Scan) -> Identified:
    """Find what a code is of: our own label, asset number, (product code, serial), product code, lot.

    Args:
        book: To look the record up; `Book.looking` is enough.
        scan: What was read.
    """
    if scan.kind == BADGE:
        hidden = Scan(Form.LABEL, "a badge", kind=BADGE, warnings=scan.warnings)
        badge = Found(BADGE, "", "a person's badge", "our own label")
        return Identified(hidden, (badge,), ask=False, text="This is a badge.", next_step="Sign in with it.")
    if scan.form is Form.LABEL:
        found = _of_label(book, scan)
    elif scan.form is Form.GS1:
        found = _of_ways(book, scan)
    else:
        found = _of_plain(book, scan)
        if scan.ask and not found:
            found = _of_ways(book, scan)
    return _said(scan, tuple(dict.fromkeys(found)))


def _of_label(book: Book, scan: Scan) -> list[Found]:
    by = "our own label"
    if scan.kind == "basin":
        return [Found("basin", scan.id, label, by) for label in _basin_labels(book, scan.id)]
    thing = book.find(_LABELLED[scan.kind], scan.id)
    return [_found(book, thing, by)] if thing else []


def _of_ways(book: Book, scan: Scan) -> list[Found]:
    if not scan.readings:
        return _of_gs1(book, Reading(scan.text, (), scan.gtin, scan.lot, scan.serial, scan.expires, scan.made))
    return [
        msgspec.structs.replace(each, reading=reading.text)
        for reading in scan.readings
        for each in _of_gs1(book, reading)
    ]


def _of_gs1(book: Book, reading: Reading) -> list[Found]:
    """A device by product code and serial; else bottles by product code and lot; else the profile by product code."""
    today = book.local_date(book.at_ms)
    if reading.gtin and reading.serial:
        devices = [
            device
            for device in shelf.find_by(book.connection, Device, "serial", reading.serial)
            if read_udi(device.udi, today).gtin == reading.gtin
        ]
        if devices:
            return [_found(book, device, "product code and serial number") for device in devices]
    profiles = {profile.id: profile for profile in _profiles(book, reading.gtin)} if reading.gtin else {}
    if reading.lot:
        bottles = [
            bottle
            for bottle in shelf.find_by(book.connection, Bottle, "lot", reading.lot)
            if not bottle.gone
            and (
                not reading.gtin
                or gtin14(bottle.gtin) == reading.gtin
                or (not bottle.gtin and bottle.profile in profiles)
            )
            and (not reading.serial or bottle.serial in ("", reading.serial))
        ]
        exact = [bottle for bottle in bottles if reading.serial and bottle.serial == reading.serial]
        if bottles:
            return [
                _found(book, bottle, "product code and lot" if reading.gtin else "lot") for bottle in exact or bottles
            ]
    return [_found(book, profile, "product code") for profile in profiles.values()]


def _of_plain(book: Book, scan: Scan) -> list[Found]:
    """An asset number; else a product code; else a lot or one of our own numbers."""
    devices = [
        _found(book, device, "asset number") for device in shelf.find_by(book.connection, Device, "id", scan.text)
    ]
    if devices:
        return devices
    if scan.gtin and (profiles := _profiles(book, scan.gtin)):
        return [_found(book, profile, "product code") for profile in profiles]
    found: list[Found] = []
    for kind in _CONTAINERS:
        things = shelf.find_by(book.connection, kind, "lot", scan.text)
        found += [_found(book, thing, "lot") for thing in things if thing.open()]
    for kind in _NUMBERED:
        found += [_found(book, thing, "its number") for thing in shelf.find_by(book.connection, kind, "id", scan.text)]
    return found


def _profiles(book: Book, gtin: str) -> list[Profile]:
    return [
        profile
        for profile in book.all(Profile, only_open=True)
        if gtin in {gtin14(code) for code in profile.product_codes}
    ]


def _basin_labels(book: Book, basin: str) -> list[str]:
    node, _, name = basin.partition("/")
    rows = book.connection.execute("SELECT label FROM basin WHERE node = ? AND name = ?", (node, name))
    return [str(label or basin) for (label,) in rows]


def _found(book: Book, thing: Thing, by: str) -> Found:
    return Found(thing.KIND, thing.id, _name(book, thing), by)


def _name(book: Book, thing: Thing) -> str:
    """A thing for people."""
    if isinstance(thing, Device):
        device_type = book.find(DeviceType, thing.type)
        return f"{device_type.name if device_type else thing.type} {thing.id}{', retired' if thing.retired else ''}"
    if isinstance(thing, Profile):
        return thing.name
    profile = book.find(Profile, thing.profile) if isinstance(thing, (Bottle, StripBottle, Fill)) else None
    solution = profile.name if profile else ""
    if isinstance(thing, Bottle):
        return f"bottle {thing.id} of {solution}, lot {thing.lot}"
    if isinstance(thing, StripBottle):
        return f"strip bottle {thing.id} for {solution}, lot {thing.lot}"
    if isinstance(thing, Fill):
        label = (*_basin_labels(book, thing.basin), thing.basin)[0]
        return f"fill {thing.id} of {solution} in {label}{', discarded' if thing.discarded else ''}"
    return thing.id


def _said(scan: Scan, found: tuple[Found, ...]) -> Identified:
    """What to say about it, and what to do."""
    if len(found) == 1 and (not scan.ask or (scan.form is Form.PLAIN and not found[0].reading)):
        return Identified(
            scan, found, ask=False, text=f"{_capital(found[0].name)}, found by {found[0].by}.", next_step=""
        )
    if scan.ask:
        step = "Compare with the label and choose how it reads."
        return Identified(scan, found, ask=True, text=scan.ask_why, next_step=step)
    if found:
        text = f"{len(found)} things fit: {'; '.join(each.name for each in found)}."
        return Identified(scan, found, ask=True, text=text, next_step="Choose the one that you hold.")
    if like_a_badge(scan.text):
        hidden = Scan(Form.PLAIN, "", warnings=scan.warnings)
        text = f"Nothing here has the {len(scan.text)} letters that were read."
        step = "Was it a badge? Then scan it again: a part of it was lost."
        return Identified(hidden, (), ask=False, text=text, next_step=step)
    text, step = _unknown(scan)
    return Identified(scan, (), ask=False, text=text, next_step=step)


def _unknown(scan: Scan) -> tuple[str, str]:
    if scan.form is Form.LABEL:
        return (
            f"The label names the {scan.kind} {scan.id!r}, which is not recorded here.",
            "It may be another site's label, or older than the data. Print the label anew.",
        )
    if scan.gtin and scan.form is not Form.PLAIN:
        if scan.gtin[0] not in "09":
            return (
                f"The product code {scan.gtin} is not recorded; its first digit, {scan.gtin[0]}, says that it is "
                "an outer package's.",
                "Scan the code on the bottle or device itself.",
            )
        return (
            f"No solution profile or device has the product code {scan.gtin}.",
            "A new product: a supervisor adds the code to its solution profile, or records the device.",
        )
    if scan.form is Form.GS1:
        return (
            f"{scan.text!r} has no product code (01), and nothing recorded has its lot.",
            "Scan the code with (01) on the same label first.",
        )
    return (
        f"Nothing recorded has the number {scan.text!r}.",
        "Compare it with the label. A new device is recorded by a supervisor.",
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
