"""What the start page shows: one sentence, four lines of a log sheet, and what the basin's scan will declare."""

from __future__ import annotations

import enum
from typing import NamedTuple
from urllib.parse import urlencode

from collector.record.basins.readiness import Block, readiness
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.loads import StartLoad, turns_of
from collector.record.rounds.rounds import basin_name, last_turn
from collector.record.rounds.soaks import SoakOf, soak_of
from collector.record.things import Device, DeviceType, Load, Person, Role, Stage, Step, Turn
from dashboard.look import BasinSeen
from dashboard.path.held import Held
from dashboard.path.starting import Phase, missing_steps, phase_of, rehearse
from dashboard.readiness_view import IN_USE
from dashboard.say import Kind
from dashboard.texts import _
from dashboard.when import SiteTime
from dashboard.words import together
from soak.closure import Verdict

_FORMS = {
    "mec-tested": "/do/begin-mec-test?fill={fill}",
    "fill-in-basin": "/do/pour-fill?basin={basin}",
    "fill-in-date": "/do/discard-fill?fill={fill}",
    "fill-failed": "/do/discard-fill?fill={fill}",
    "thermometer": "/do/read-thermometer?basin={basin}",
    "sensor-check": "/do/record-sensor-check?basin={basin}",
    "node-heard": "/site",
    "sensor-alive": "/site",
}
"""Where what blocks is put right; anything else is done at the basin itself, or by somebody with the solutions."""

_KNOWN = (Kind.SOAKING, Kind.MET, Kind.OUT, Kind.NO_TEMPERATURE, Kind.STANDING, Kind.NO_REQUIREMENT)
_NOT_HEARD = (Kind.UNHEARD, Kind.SILENT, Kind.BEHIND)


class State(enum.StrEnum):
    """How far a line of the sheet is."""

    DONE = "done"
    NEXT = "next"
    OPEN = "open"
    STOP = "stop"


class Line(NamedTuple):
    """One line of the sheet: what it asks for, what stands in it, each with something in small letters."""

    word: str
    entries: tuple[tuple[str, str], ...]
    state: State


class Declared(NamedTuple):
    """Steps that the basin's scan declares for one device."""

    device: str
    steps: tuple[str, ...]


class Link(NamedTuple):
    """Where to go on."""

    address: str
    word: str


class Shown(NamedTuple):
    """The page.

    Attributes:
        sentence: What to do next: the largest thing on the page.
        detail: Where, with what, or why.
        lines: Badge, devices, basin, lid.
        declared: What the basin's scan declares, in the name of who is signed in.
        links: Where to go on.
        dropped: Why something that was held is not held any more.
        devices: What is still held.
        watch: The page has something to wait for.
        mood: "next", "wait", "stop" or "done", for the eye.
    """

    sentence: str
    detail: str
    lines: tuple[Line, ...]
    declared: tuple[Declared, ...] = ()
    links: tuple[Link, ...] = ()
    dropped: tuple[RefusedError, ...] = ()
    devices: tuple[str, ...] = ()
    watch: bool = False
    mood: str = "next"


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
        return _of_load(book, load, person, seen, when)._replace(dropped=tuple(dropped))
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
    if basin.state is State.STOP:
        return _("{basin} is not ready").format(basin=basin.entries[0][0]), basin.entries[0][1]
    name = basin_name(book, held.basin) if held.basin else ""
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
    if first is None:
        return Line(_("Basin"), ((name, _("ready")),), State.NEXT if held.devices else State.OPEN)
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


def _of_load(book: Book, load: Load, person: Person | None, seen: BasinSeen | None, when: SiteTime) -> Shown:
    """After the basin's scan: what the lid has to do, and then how the soak goes."""
    phase, name = phase_of(book, load), basin_name(book, load.basin)
    turns = turns_of(book, load)
    devices = ", ".join(turn.device for turn in turns)
    newest = max(turns, key=lambda turn: turn.in_ms or 0)
    soak = soak_of(book, newest)
    sentence, detail, mood = _of_phase(phase, name, devices, soak, seen)
    after = () if phase in (Phase.CLOSE, Phase.OPEN_FIRST) else (Link("/release", _("Rinse, dry, release")),)
    lines = (
        Line(_("Badge"), ((person.name, "") if person else (_("scan for the next load"), ""),), State.DONE),
        Line(_("Devices"), tuple((turn.device, _kind_of(book, turn)) for turn in turns), State.DONE),
        Line(_("Basin"), ((name, _("load {load} is on record").format(load=load.id)),), State.DONE),
        Line(_("Lid"), (_lid_words(phase, soak, when),), _lid_state(phase)),
    )
    return Shown(together(sentence), together(detail), lines, links=after, watch=phase is not Phase.OUT, mood=mood)


def _kind_of(book: Book, turn: Turn) -> str:
    device = book.find(Device, turn.device)
    device_type = book.find(DeviceType, device.type) if device else None
    return device_type.name if device_type else ""


def _of_phase(phase: Phase, name: str, devices: str, soak: SoakOf, seen: BasinSeen | None) -> tuple[str, str, str]:
    said = seen.said if seen else None
    if said is not None and said.kind in _NOT_HEARD:
        return said.headline, f"{name}: {said.detail}", "stop"
    if phase is Phase.CLOSE:
        detail = _("{basin}: see that {devices} lies wholly under, then close it. The time counts from then.")
        return _("Close the lid"), detail.format(basin=name, devices=devices), "next"
    if phase is Phase.OPEN_FIRST:
        detail = _("The lid of {basin} is on. Put {devices} in and close it again: the time counts from then.")
        return _("Open the lid"), detail.format(basin=name, devices=devices), "next"
    if phase is Phase.SOAKING:
        return _of_soaking(name, devices, seen)
    return _of_opened(phase, name, devices, soak, seen)


def _of_soaking(name: str, devices: str, seen: BasinSeen | None) -> tuple[str, str, str]:
    if seen is None or seen.said.kind not in _KNOWN:
        return _("Keep closed"), f"{name}: {devices}.", "wait"
    mood = {Kind.SOAKING: "wait", Kind.MET: "done"}.get(seen.said.kind, "stop")
    return seen.said.headline, f"{name}: {devices}. {seen.said.detail}", mood


def _of_opened(phase: Phase, name: str, devices: str, soak: SoakOf, seen: BasinSeen | None) -> tuple[str, str, str]:
    if phase is Phase.OUT and soak.verdict is None:
        return _("Taken out"), _("{devices} came out of {basin}.").format(basin=name, devices=devices), "done"
    if soak.verdict is Verdict.MET:
        return _("Soak met. Rinse next."), _("{basin}: take {devices} out.").format(basin=name, devices=devices), "done"
    said = seen.said if seen else None
    if said is not None and said.kind is Kind.REPROCESS:
        return said.headline, f"{name}: {devices}. {said.detail}", "stop"
    detail = _("{basin}: the soak of {devices} is not met. Do not release; begin again, from cleaning on.")
    return _("Reprocess"), detail.format(basin=name, devices=devices), "stop"


def _lid_words(phase: Phase, soak: SoakOf, when: SiteTime) -> tuple[str, str]:
    if phase is Phase.CLOSE:
        return _("open: close it"), ""
    if phase is Phase.OPEN_FIRST:
        return _("on since before this load"), _("open it, put the devices in, close it")
    if phase is Phase.SOAKING and soak.running_since_ms is not None:
        return _("closed {time}").format(time=when.clock(soak.running_since_ms)), ""
    if soak.closures:
        opened = soak.closures[-1].opened_ms
        return _("opened {time}").format(time=when.clock(opened)), ""
    return _("open"), ""


def _lid_state(phase: Phase) -> State:
    return State.NEXT if phase in (Phase.CLOSE, Phase.OPEN_FIRST) else State.DONE
