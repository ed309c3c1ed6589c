"""What stands on our labels: of basins and fills, bottles and strip bottles, devices, people."""

from __future__ import annotations

from collections.abc import Callable

from collector.labels_sheet import Label
from collector.record.book import Book
from collector.record.errors import UnknownThingError
from collector.record.solutions.mec import daily
from collector.record.things import (
    Bottle,
    Device,
    DeviceType,
    Fill,
    Person,
    Profile,
    StripBottle,
)
from collector.scan_label import label_text
from soak.quantity import in_words

_DECIDES = "The product's label decides."


def basin_label(book: Book, basin: str) -> Label:
    """A basin with what is in it now; lines to write on where nothing is.

    Args:
        book: To look the record up.
        basin: "node/name".

    Raises:
        UnknownThingError: No node has told of it.
    """
    name = _basin_name(book, basin)
    if name is None:
        raise UnknownThingError("basin", basin, f"Known are: {', '.join(basins(book)) or 'none yet'}.")
    fills = book.all(Fill, group=basin, only_open=True, newest_first=True, limit=1)
    facts = _fill_facts(book, fills[0]) if fills else _EMPTY_FILL
    note = _fill_note(book, fills[0]) if fills else ""
    return Label(label_text("basin", basin), "Basin", name, facts, note, _printed(book, dated=bool(fills)))


def fill_label(book: Book, fill_id: str) -> Label:
    """A fill: for a basin's lid, as long as that fill is in it."""
    fill = book.get(Fill, fill_id)
    where = ("In", _basin_name(book, fill.basin) or fill.basin)
    facts = (where, *_fill_facts(book, fill))
    return Label(
        label_text("fill", fill.id), "Fill", fill.id, facts, _fill_note(book, fill), _printed(book, dated=True)
    )


def bottle_label(book: Book, bottle_id: str) -> Label:
    """A bottle of solution; lines to write on while it is closed."""
    bottle = book.get(Bottle, bottle_id)
    opened = book.local_text(bottle.opened_ms) if bottle.opened_ms is not None else None
    facts: list[tuple[str, str | None]] = [
        ("Solution", _profile_name(book, bottle.profile)),
        ("Lot", bottle.lot),
        ("Expiry", bottle.expires),
        ("Opened", opened),
    ]
    if bottle.activated_ms is not None:
        facts.append(("Activated", book.local_text(bottle.activated_ms)))
    facts.append(("Use by", book.local_text(bottle.use_by_ms) if opened else None))
    foot = _printed(book, dated=True)
    return Label(label_text("bottle", bottle.id), "Bottle", bottle.id, tuple(facts), _last_day(opened), foot)


def strips_label(book: Book, strip_bottle_id: str) -> Label:
    """A bottle of test strips, with its times."""
    bottle = book.get(StripBottle, strip_bottle_id)
    opened = book.local_text(bottle.opened_ms) if bottle.opened_ms is not None else None
    strip = bottle.strip
    controls = bottle.control_results[-1] if bottle.control_results else None
    facts = (
        ("For", _profile_name(book, bottle.profile)),
        ("Lot", bottle.lot),
        ("Expiry", bottle.expires),
        ("Opened", opened),
        ("Use by", book.local_text(bottle.use_by_ms) if opened else None),
        ("Controls", None if controls is None else ("passed" if controls.passed else "failed: do not use")),
    )
    note = (
        f"Dip {in_words(strip.dip_ms)}. Read {in_words(strip.read_from_ms)} to {in_words(strip.read_until_ms)} after "
        "taking it out. Doubtful is fail."
    )
    return Label(label_text("strips", bottle.id), "Test strips", bottle.id, facts, note, _printed(book, dated=True))


def device_label(book: Book, device_id: str) -> Label:
    """A device: its asset number."""
    device = book.get(Device, device_id)
    device_type = book.find(DeviceType, device.type)
    facts = [("Serial number", device.serial)] if device.serial else []
    kind = device_type.name if device_type else device.type
    return Label(label_text("device", device.id), kind, device.id, tuple(facts))


def badge_label(person: Person, code: str) -> Label:
    """A badge. Its code is a credential: it stands in the QR code only, in no letters.

    Args:
        person: Whose.
        code: As `credentials.new_badge` gave it; the badge before opens nothing any more.
    """
    roles = " and ".join(role.value for role in person.roles)
    foot = "Found? Hand it to a supervisor: it signs in as this person."
    return Label(code, roles, person.name, foot=foot, show_code=False)


LABELS: dict[str, Callable[[Book, str], Label]] = {
    "basins": basin_label,
    "fills": fill_label,
    "bottles": bottle_label,
    "strips": strips_label,
    "devices": device_label,
}
"""Kind of sheet: how to make one label of it."""


def all_ids(book: Book, kind: str) -> list[str]:
    """Everything of a kind that is in use: what a sheet holds where nobody chose.

    Args:
        book: To look the record up.
        kind: A key of `LABELS`.
    """
    if kind == "basins":
        return basins(book)
    things: dict[str, type[Fill | Bottle | StripBottle | Device]] = {
        "fills": Fill,
        "bottles": Bottle,
        "strips": StripBottle,
        "devices": Device,
    }
    return [thing.id for thing in book.all(things[kind], only_open=True)]


def basins(book: Book) -> list[str]:
    """Every basin as "node/name"."""
    rows = book.connection.execute("SELECT node, name FROM basin ORDER BY id")
    return [f"{node}/{name}" for node, name in rows]


def _basin_name(book: Book, basin: str) -> str | None:
    """As people call it; None if there is none."""
    node, _, name = basin.partition("/")
    row = book.connection.execute("SELECT label FROM basin WHERE node = ? AND name = ?", (node, name)).fetchone()
    return (str(row[0]) or basin) if row else None


_EMPTY_FILL: tuple[tuple[str, str | None], ...] = (
    ("Solution", None),
    ("Lot", None),
    ("Poured", None),
    ("Use by", None),
)


def _fill_facts(book: Book, fill: Fill) -> tuple[tuple[str, str | None], ...]:
    lots = tuple(dict.fromkeys(poured.lot for poured in fill.poured))
    return (
        ("Solution", _profile_name(book, fill.profile)),
        ("Lot" if len(lots) == 1 else "Lots", ", ".join(lots)),
        ("Poured", f"{book.local_text(fill.poured_ms)}, {book.name_of(fill.poured_by)}"),
        ("Use by", book.local_text(fill.use_by_ms)),
    )


def _fill_note(book: Book, fill: Fill) -> str:
    if fill.discarded is not None:
        return "Discarded: not to be used."
    if fill.failed_ms is not None:
        return "Out of use: a MEC test failed. Discard it."
    profile = book.find(Profile, fill.profile)
    return mec_rule(book, profile) if profile else ""


def mec_rule(book: Book, profile: Profile) -> str:
    """How often a solution is tested, in words: each use, unless label and policy both say daily."""
    if not profile.mec_monitored:
        return "No MEC test: its label asks for none."
    return "MEC test each day before the first use." if daily(book, profile) else "MEC test before each use."


def _profile_name(book: Book, profile_id: str) -> str:
    profile = book.find(Profile, profile_id)
    return profile.name if profile else profile_id


def _last_day(opened: str | None) -> str:
    return "" if opened else "Write date and time when you open it."


def _printed(book: Book, *, dated: bool) -> str:
    printed = f"Printed {book.local_text(book.at_ms)}."
    return f"{printed} Print anew after every change. {_DECIDES}" if dated else f"{printed} {_DECIDES}"
