"""The start page once a load is on record: what the lid has to do, and then how the soak goes."""

from __future__ import annotations

from collector.record.book import Book
from collector.record.rounds.loads import turns_of
from collector.record.rounds.rounds import basin_name
from collector.record.rounds.soaks import SoakOf, soak_of
from collector.record.things import Device, DeviceType, Load, Person, Turn
from dashboard.look import BasinSeen
from dashboard.path.shapes import Line, Link, Shown, State
from dashboard.path.starting import Phase, phase_of
from dashboard.say import Kind
from dashboard.texts import _
from dashboard.when import SiteTime
from dashboard.words import together
from soak.closure import Verdict

_KNOWN = (Kind.SOAKING, Kind.MET, Kind.OUT, Kind.NO_TEMPERATURE, Kind.STANDING, Kind.NO_REQUIREMENT)
_NOT_HEARD = (Kind.UNHEARD, Kind.SILENT, Kind.BEHIND)


def of_load(book: Book, load: Load, person: Person | None, seen: BasinSeen | None, when: SiteTime) -> Shown:
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
        detail = _("{basin}: lay {devices} wholly under, then close it. The time counts from then.")
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
    sentence = said.headline if said is not None and said.kind is Kind.REPROCESS else _("Reprocess")
    if phase is Phase.OUT:
        detail = _("{devices}: not met. Not releasable: begin again with it, from cleaning on.")
    else:
        detail = _(
            "{basin}, {devices}: not met. Taken out: not releasable, begin again from cleaning on. Still in it: close "
            "the lid, the time starts from zero."
        )
    return sentence, detail.format(basin=name, devices=devices), "stop"


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
