"""What the start page shows: one sentence, four lines of a log sheet, and what the basin's scan will declare."""

from __future__ import annotations

from urllib.parse import urlencode

from collector.record.basins.readiness import Block, readiness
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.loads import StartLoad, load_in
from collector.record.rounds.rounds import basin_name, last_turn
from collector.record.things import Device, DeviceType, Load, Person, Role, Stage, Step
from dashboard.look import BasinSeen
from dashboard.path.held import Held
from dashboard.path.loaded import of_load
from dashboard.path.shapes import Declared, Line, Link, Shown, State
from dashboard.path.starting import Phase, missing_steps, phase_of, rehearse
from dashboard.readiness_view import IN_USE
from dashboard.texts import _
from dashboard.when import SiteTime
from dashboard.words import together

_FORMS = {
    "mec-tested": "/do/begin-mec-test?fill={fill}",
    "fill-in-basin": "/do/pour-fill?basin={basin}",
    "fill-in-date": "/do/discard-fill?fill={fill}",
    "fill-failed": "/do/discard-fill?fill={fill}",
    "thermometer": "/do/read-thermometer?basin={basin}",
    "sensor-check": "/sensors/check?basin={basin}",
    "node-heard": "/site",
    "sensor-alive": "/site",
}
"""Where what blocks is put right; anything else is done at the basin itself, or by somebody with the solutions."""


def shown(book: Book, held: Held, person: Person | None, seen: BasinSeen | None, when: SiteTime) -> Shown:
    """The page for what it holds.

    Args:
        book: To look the record up.
        held: What has been scanned.
        person: Who is signed in.
        seen: The basin of the load that was started here, as it is now; None where none was.
        when: Local time.
    """
    good, dropped = _still_good(book, held)
    load = book.find(Load, held.load) if held.load else None
    if load is not None and not good:
        return of_load(book, load, person, seen, when)._replace(dropped=tuple(dropped))
    return _gathering(book, held.but(devices=tuple(good)), person)._replace(dropped=tuple(dropped))


def may_start(person: Person) -> bool:
    """Their role lets them start a load."""
    return bool(StartLoad.ROLES & set(person.roles))


def unknown(held: Held) -> Shown:
    """The page of a site that shows nothing to who is not signed in."""
    entries = tuple((each, "") for each in held.devices)
    lines = (
        Line(_("Badge"), ((_("not scanned"), ""),), State.NEXT),
        Line(_("Devices"), entries or ((_("none yet"), ""),), State.DONE if entries else State.OPEN),
        Line(_("Basin"), ((_("not scanned"), ""),), State.OPEN),
        Line(_("Lid"), ((_("after the basin"), ""),), State.OPEN),
    )
    detail = _("What was scanned is kept.") if entries else ""
    return Shown(_("Scan your badge"), detail, lines, devices=held.devices)


def next_for(block: Block, basin: str, fill: str) -> Link | None:
    """The form that puts right what blocks; None where it is done at the basin itself."""
    form = _FORMS.get(block.rule)
    return Link(form.format(basin=basin, fill=fill), _("Do this now")) if form else None


def _still_good(book: Book, held: Held) -> tuple[list[str], list[RefusedError]]:
    """Devices that could go in now, and why the others could not: somebody else may have been quicker."""
    good, dropped = list[str](), list[RefusedError]()
    for each in held.devices:
        try:
            rehearse(Book.looking(book.connection, book.at_ms), each, held.basin)
        except RefusedError as refusal:
            dropped.append(refusal)
        else:
            good.append(each)
    return good, dropped


def _gathering(book: Book, held: Held, person: Person | None) -> Shown:
    """Before the basin's scan: nothing is on record yet but who is here."""
    basin = _basin_line(book, held)
    may = person is not None and may_start(person)
    blocked = basin.state is State.STOP
    sentence, detail = _next(book, held, person, basin)
    badge = Line(
        _("Badge"),
        ((person.name, "") if person else (_("not scanned"), ""),),
        State.DONE if may else State.NEXT if person is None else State.STOP,
    )
    devices = tuple((each, _about(book, each)) for each in held.devices) or ((_("none yet"), ""),)
    state = State.DONE if held.devices else State.NEXT if may else State.OPEN
    lid = Line(_("Lid"), ((_("after the basin"), ""),), State.OPEN)
    return Shown(
        sentence,
        detail,
        (badge, Line(_("Devices"), devices, state), basin, lid),
        declared=_declared(book, held.devices),
        links=_links(book, held, person, blocked=blocked),
        devices=held.devices,
        watch=bool(held.basin),
        mood="stop" if blocked or (person is not None and not may) else "next",
    )


def _next(book: Book, held: Held, person: Person | None, basin: Line) -> tuple[str, str]:
    if person is None:
        kept = _("What was scanned is kept. ") if held.devices else ""
        return _("Scan your badge"), kept + _("Then the devices, then the basin. Nothing is on record yet.")
    if not may_start(person):
        detail = _("{name} cannot start a load: that takes a technician or a supervisor.").format(name=person.name)
        return _("Scan another badge"), detail
    name = basin_name(book, held.basin) if held.basin else ""
    if basin.state is State.STOP:
        in_use = load_in(book, held.basin) is not None
        sentence = _("{basin} is in use") if in_use else _("{basin} is not ready")
        return sentence.format(basin=name), basin.entries[0][1]
    if not held.devices:
        detail = _("It goes into {basin}.").format(basin=name) if name else _("Scan the label on each, one or several.")
        return _("Scan a device"), detail
    if name:
        return _("Scan {basin}, then close the lid").format(basin=name), _("Or scan the next device of this load.")
    return _("Scan the basin, then close the lid"), _("Or scan the next device of this load.")


def _basin_line(book: Book, held: Held) -> Line:
    if not held.basin:
        state = State.NEXT if held.devices else State.OPEN
        return Line(_("Basin"), ((_("not scanned"), ""),), state)
    name = basin_name(book, held.basin)
    blocks = readiness(book, held.basin).blocks
    first = next((each for each in blocks if each.rule == IN_USE), blocks[0] if blocks else None)
    load = load_in(book, held.basin)
    goes_on = load is not None and phase_of(book, load) in (Phase.CLOSE, Phase.OPEN_FIRST)
    if first is None or goes_on:
        ready = _("load {load} is being put in").format(load=load.id) if load is not None else _("ready")
        return Line(_("Basin"), ((name, ready),), State.NEXT if held.devices else State.OPEN)
    return Line(_("Basin"), ((name, together(f"{first.text} {first.next_step}")),), State.STOP)


def _links(book: Book, held: Held, person: Person | None, *, blocked: bool) -> tuple[Link, ...]:
    if not blocked or person is None:
        return ()
    found = readiness(book, held.basin)
    put_right = next_for(found.blocks[0], held.basin, found.fill)
    links = override_links(book, held.devices, held.basin, person)
    return (put_right, *links) if put_right else links


def override_links(book: Book, devices: tuple[str, ...], basin: str, person: Person) -> tuple[Link, ...]:
    """The form on which a supervisor lets a load start all the same; only once whoever did the steps has said so."""
    if Role.SUPERVISOR not in person.roles or not devices or any(missing for _, missing in _missing(book, devices)):
        return ()
    query = urlencode({"basin": basin, "devices": "\n".join(devices), "override": "yes"})
    return (Link(f"/do/start-load?{query}", _("Start all the same, with a reason")),)


def _declared(book: Book, devices: tuple[str, ...]) -> tuple[Declared, ...]:
    return tuple(
        Declared(each, tuple(step.value for step in missing)) for each, missing in _missing(book, devices) if missing
    )


def _missing(book: Book, devices: tuple[str, ...]) -> list[tuple[str, tuple[Step, ...]]]:
    return [(each, missing_steps(book, book.get(Device, each))) for each in devices]


def _about(book: Book, device_id: str) -> str:
    """What kind of device it is, and what its last round has come to where that matters now."""
    device = book.get(Device, device_id)
    kind = book.get(DeviceType, device.type).name
    turn = last_turn(book, device)
    if turn is not None and turn.stage is Stage.RELEASED:
        return _("{kind}; it is released: a new soak ends that release").format(kind=kind)
    if turn is not None and turn.stage is Stage.SOAKED:
        return _("{kind}; it waits for release: a new soak begins a new round").format(kind=kind)
    return kind
