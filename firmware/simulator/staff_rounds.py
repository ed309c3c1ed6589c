"""Rounds of devices as the invented staff declare them: from the encounter before to the cabinet after. Pure."""

from __future__ import annotations

from random import Random
from typing import Any

import msgspec

from firmware.simulator.script import Mistake
from firmware.simulator.staff_plan import Item, Occasion, Tool, Ward
from firmware.simulator.staff_stock import CABINETS, GOES_INTO, KIND_OF, LEAD, OTHER_LEAD, POINT, SHIFTS
from firmware.simulator.staff_supply import mec_test, reader

_SECOND_MS, _MINUTE_MS = 1_000, 60_000
_BEGIN_BEFORE_MS = 14 * _MINUTE_MS
_USED_BEFORE_MS = 25 * _MINUTE_MS
_SINK_BEFORE_MS = 200 * _SECOND_MS
_DIP_BEFORE_MS = 150 * _SECOND_MS
_AFTER_STORAGE_MS = 30 * _MINUTE_MS
_LATE_MS = 3 * _MINUTE_MS
BEGIN_AHEAD_MS = _BEGIN_BEFORE_MS + _USED_BEFORE_MS
"""So long before the lid is lifted the first declaration about a load is made."""

_NOT_READY = (
    *("node-heard", "temperature", "temperature-maximum", "sensor-alive", "lid-moved", "mec-tested", "fill-in-date"),
    "fill-failed",
)

_BECAUSE = {
    Mistake.OPENED_EARLY: "The lid was opened before the contact time was over.",
    Mistake.COLD_LOAD: "The load went in cold: the solution fell below its minimum.",
    Mistake.COLD_MORNING: "The solution was still cold in the morning.",
    Mistake.UNPLUGGED: "The sensor gave nothing during the soak: it cannot be proven.",
    Mistake.POWER_CUT: "The power failed during the soak: it cannot be proven.",
}
_UNPROVEN = "The soak was not met."


class Round(msgspec.Struct):
    """Devices that the staff put into a basin together.

    Attributes:
        occasion: When.
        devices: Which; none: nobody says anything about this load.
        who: Who works there.
        late: Nobody said so before the lid was opened.
    """

    occasion: Occasion
    devices: list[str]
    who: str
    late: bool = False


class Fates(msgspec.Struct, frozen=True):
    """How often things go wrong with what is declared; invented, so that a month shows everything.

    Attributes:
        unsaid: Nobody says anything about the load.
        late: It is said afterwards.
        no_encounter: A use without a reference.
        short_rinse: A rinse that ends too early, and is done again.
        late_strip: A strip that nobody reads in time.
    """

    unsaid: float = 0.03
    late: float = 0.03
    no_encounter: float = 0.03
    short_rinse: float = 0.03
    late_strip: float = 0.015


def begin(ward: Ward, occasion: Occasion, fates: Fates, from_ms: int) -> tuple[Round, list[Item]]:
    """What is declared until the lid is closed.

    Args:
        ward: What the staff know.
        occasion: The load.
        fates: How often things go wrong.
        from_ms: Nobody says anything about what would have begun before that.
    """
    dice = ward.dice(occasion.basin, occasion.closed_ms)
    began_ms = occasion.lifted_ms - _BEGIN_BEFORE_MS
    who = dice.choice(SHIFTS[occasion.node])
    chance = dice.random()
    devices = [] if began_ms - _USED_BEFORE_MS < from_ms else _chosen(ward, dice, occasion.basin, began_ms)
    if not devices or occasion.basin not in ward.fills or chance < fates.unsaid:
        return Round(occasion, [], who), []
    plain = bool(occasion.closure) and not occasion.mistakes and occasion.reopened_ms is None
    late = plain and chance < fates.unsaid + fates.late
    found = Round(occasion, devices, who, late)
    items: list[Item] = []
    for place, device in enumerate(devices):
        prepared = Preparing(device, occasion.lifted_ms, occasion.in_ms, place)
        items += _prepared(ward, dice, found.who, prepared, no_encounter=fates.no_encounter)
        ward.devices[device].free_ms = occasion.out_ms + 60 * _MINUTE_MS  # until its end is planned
    items += _tested(ward, dice, found, fates)
    if not late:
        items += _started(found)
    if occasion.reopened_ms is not None:
        items += _added(ward, dice, found, occasion.reopened_ms, fates)
    return found, items


def _added(ward: Ward, dice: Random, found: Round, reopened_ms: int, fates: Fates) -> list[Item]:
    """Another device goes into the load: said before the lid is lifted, so that it is no early opening."""
    occasion, who = found.occasion, found.who
    more = _chosen(ward, dice, occasion.basin, reopened_ms - _BEGIN_BEFORE_MS)[:1]
    announced = Item(
        at_ms=reopened_ms - 4_000, deed="announce-opening", who=who, fields={"basin": occasion.basin}, may=("no-load",)
    )
    if not more:
        return [announced]
    prepared = Preparing(more[0], reopened_ms, occasion.added_ms, 0)
    items = _prepared(ward, dice, who, prepared, no_encounter=fates.no_encounter)
    ward.devices[more[0]].free_ms = occasion.out_ms + 60 * _MINUTE_MS
    found.devices.extend(more)
    fields = {"basin": occasion.basin, "devices": more}
    return [*items, announced, Item(at_ms=occasion.added_ms + 2_500, deed="add-device", who=who, fields=fields)]


def _chosen(ward: Ward, dice: Random, basin: str, began_ms: int) -> list[str]:
    """Devices that are free; those that must be reprocessed first, then those that have waited longest."""
    there = [
        (tool.released, tool.free_ms, device)
        for device, tool in ward.devices.items()
        if KIND_OF[device].id in GOES_INTO[basin] and not tool.held and tool.free_ms + _AFTER_STORAGE_MS < began_ms
    ]
    there.sort()
    kinds = {KIND_OF[device].id for _, _, device in there}
    kind = dice.choice(sorted(kinds)) if kinds else ""
    again = [device for released, _, device in there if not released and ward.devices[device].begun]
    if again and dice.random() < 0.8:
        kind = KIND_OF[again[0]].id
    of_kind = [device for _, _, device in there if KIND_OF[device].id == kind]
    most = dice.choice((2, 3, 4)) if basin == "treatment/b1" else dice.choice((1, 1, 1, 2))
    return of_kind[:most]


class Preparing(msgspec.Struct, frozen=True):
    """A device on its way into a basin: the lid is lifted for it, it goes in, and which of several it is."""

    device: str
    lifted_ms: int
    in_ms: int
    place: int


def _prepared(ward: Ward, dice: Random, who: str, preparing: Preparing, *, no_encounter: float) -> list[Item]:
    """The encounter before, the round begun, its steps attested."""
    device, place = preparing.device, preparing.place
    tool, kind = ward.devices[device], KIND_OF[device]
    at_ms = preparing.lifted_ms - _BEGIN_BEFORE_MS + place * 20 * _SECOND_MS
    items = []
    if tool.released:
        encounter = "" if dice.random() < no_encounter else ward.encounter()
        used = {"device": device, "encounter": encounter}
        items.append(Item(at_ms=at_ms - _USED_BEFORE_MS, deed="record-use", who=who, fields=used))
    began: dict[str, Any] = {"device": device}
    if not tool.begun:
        began["came_from"] = ward.encounter()
    tool.begun, tool.released = True, False
    step_ms = place * 4 * _SECOND_MS
    items.append(Item(at_ms=at_ms, deed="begin-turn", who=who, fields=began))
    items.append(_attested(at_ms + 40 * _SECOND_MS, who, device, [POINT]))
    sink = [step for step in kind.before if step != POINT]
    items.append(_attested(preparing.lifted_ms - _SINK_BEFORE_MS + step_ms, who, device, sink))
    if kind.last:
        items.append(_attested(preparing.in_ms + 1_000 + place * 100, who, device, list(kind.last)))
    return items


def _attested(at_ms: int, who: str, device: str, steps: list[str]) -> Item:
    return Item(at_ms=at_ms, deed="attest-steps", who=who, fields={"device": device, "steps": steps})


def _tested(ward: Ward, dice: Random, found: Round, fates: Fates) -> list[Item]:
    """The solution is tested before each use."""
    occasion = found.occasion
    may_read = reader(occasion.basin)
    dip_ms = occasion.lifted_ms - _DIP_BEFORE_MS
    if occasion.checked_ms is not None:
        dip_ms = max(dip_ms, occasion.checked_ms + 5 * _SECOND_MS) - 10 * _SECOND_MS
        dip_ms = max(dip_ms, occasion.checked_ms + 2 * _SECOND_MS)
    items = []
    if dice.random() < fates.late_strip:
        items += mec_test(ward, occasion.basin, dip_ms - 4 * _MINUTE_MS, may_read, "late")
    helper = found.who if found.who != may_read and dice.random() < 0.15 else ""
    helper = helper if helper == "p-przykladek" else ""
    return [*items, *mec_test(ward, occasion.basin, dip_ms, may_read, helper=helper)]


def _started(found: Round) -> list[Item]:
    """The load is started; where the basin is not ready, a supervisor lets it start all the same."""
    occasion = found.occasion
    start = {"basin": occasion.basin, "devices": list(found.devices)}
    lead = OTHER_LEAD if occasion.node == "treatment" else LEAD
    override = start | {
        "override": True,
        "reason": "The list is waiting; what soaks in it is looked at again before release.",
    }
    return [
        Item(at_ms=occasion.in_ms + 3_000, deed="start-load", who=found.who, fields=start, may=_NOT_READY),
        Item(at_ms=occasion.in_ms + 3_500, deed="start-load", who=lead, fields=override, may=("basin-busy",)),
    ]


def take_out(found: Round) -> list[Item]:
    """What is declared as soon as the lid is open: taken out, or said only now that they lay in it."""
    occasion, who = found.occasion, found.who
    if not found.devices:
        return []
    if not found.late:
        return [Item(at_ms=occasion.out_ms, deed="take-out", who=who, fields={"basin": occasion.basin})]
    second = next(other for other in (*SHIFTS[occasion.node], LEAD) if other != who)
    fields = {
        "closure": occasion.closure,
        "devices": found.devices,
        "second_person": second,
        "reason": "The tablet was in the other room; both of us saw them go in.",
    }
    return [Item(at_ms=occasion.out_ms + _LATE_MS, deed="assign-late", who=who, fields=fields)]


def finish(
    ward: Ward, found: Round, *, met: bool, kept: bool = False, unreleased: bool = False, fates: Fates
) -> list[Item]:
    """What is declared after that, once the screen shows what the soak is worth.

    Args:
        ward: What the staff know.
        found: The devices.
        met: The closure that they lay in from the closing to the opening met the requirement.
        kept: Something else stands against them: they are quarantined whatever their soak is worth.
        unreleased: Somebody uses them without a release.
        fates: How often things go wrong.
    """
    occasion = found.occasion
    if not found.devices:
        return []
    dice = ward.dice(occasion.basin, occasion.opened_ms, "end")
    at_ms = occasion.out_ms + (_LATE_MS if found.late else 0)
    if kept or not met:
        return _refused(ward, dice, found, at_ms, kept=kept)
    items = _rinsed(dice, found, at_ms + 40 * _SECOND_MS, fates)
    ready_ms = items[-1].at_ms + dice.randrange(20_000, 120_000)
    return items + (_used(ward, found, ready_ms) if unreleased else _released(ward, found, ready_ms))


def _refused(ward: Ward, dice: Random, found: Round, at_ms: int, *, kept: bool) -> list[Item]:
    """Not met: soaked again at the next occasion, or put aside with a reason."""
    why = next((_BECAUSE[each] for each in found.occasion.mistakes if each in _BECAUSE), _UNPROVEN)
    aside = kept or dice.random() < 0.45
    items = []
    for place, device in enumerate(found.devices):
        tool = ward.devices[device]
        tool.free_ms = at_ms + (3 + place) * _MINUTE_MS
        if aside:
            tool.held = why
            fields = {"device": device, "reason": why, "next_action": "Reprocess it."}
            items.append(Item(at_ms=tool.free_ms, deed="quarantine-device", who=found.who, fields=fields))
        tool.free_ms -= _AFTER_STORAGE_MS  # it need not wait for an encounter first
    return items


def _rinsed(dice: Random, found: Round, at_ms: int, fates: Fates) -> list[Item]:
    """Rinsed, each time in fresh water, and dried."""
    items: list[Item] = []
    for place, device in enumerate(found.devices):
        water_ms = at_ms + place * 8 * _SECOND_MS
        short = dice.random() < fates.short_rinse
        for number in range(4 if short else 3):
            began = {"device": device, "fresh_water": True}
            lasts_ms = 41_000 if short and not number else dice.randrange(61_000, 80_000)
            items.append(Item(at_ms=water_ms, deed="begin-rinse", who=found.who, fields=began))
            items.append(Item(at_ms=water_ms + lasts_ms, deed="end-rinse", who=found.who, fields={"device": device}))
            water_ms += lasts_ms + dice.randrange(8_000, 25_000)
        dry_ms = water_ms + KIND_OF[device].dry_ms + dice.randrange(5_000, 90_000)
        items.append(Item(at_ms=dry_ms, deed="attest-dried", who=found.who, fields={"device": device}))
    return sorted(items, key=lambda item: item.at_ms)


def _released(ward: Ward, found: Round, at_ms: int) -> list[Item]:
    """Released together and stored."""
    items = [Item(at_ms=at_ms, deed="release", who=found.who, fields={"devices": found.devices})]
    for place, device in enumerate(found.devices):
        stored_ms = at_ms + (30 + 10 * place) * _SECOND_MS
        fields = {"device": device, "cabinet": CABINETS[found.occasion.node]}
        items.append(Item(at_ms=stored_ms, deed="store-device", who=found.who, fields=fields))
        ward.devices[device] = Tool(free_ms=stored_ms, begun=True, released=True)
    return items


def _used(ward: Ward, found: Round, at_ms: int) -> list[Item]:
    """Used at once, before anybody has released it: recorded, never refused."""
    items = []
    for device in found.devices:
        fields = {"device": device, "encounter": ward.encounter()}
        items.append(Item(at_ms=at_ms, deed="record-use", who=found.who, fields=fields))
        ward.devices[device] = Tool(free_ms=at_ms, begun=True, held="It was used without a release.")
    return items
