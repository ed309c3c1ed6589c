"""The devices of a disinfection record: what they were, what was attested, what became of them. All declared."""

from __future__ import annotations

from collector.evidence.called import Called, both
from collector.evidence.soak_facts import DeviceSoaked, Facts
from collector.evidence.times import Times
from collector.record.things import Attested, Device, DeviceType, Step, Turn
from soak.closure import Verdict
from soak.quantity import in_words

Pair = tuple[str, str]

_ORDER = {step.value: place for place, step in enumerate(Step)}
"""Steps in the order in which they are done."""


def devices_of(facts: Facts, called: Called, times: Times) -> tuple[tuple[str, tuple[Pair, ...]], ...]:
    """Of each device its name and (what, figure)."""
    return tuple((_name(each, called), tuple(_about(each, called, times))) for each in facts.devices)


def _name(soaked: DeviceSoaked, called: Called) -> str:
    """Asset number, type and serial number, as they were then and as they are now."""
    now, then = soaked.device, called.then(Device, soaked.device.id) or soaked.device
    words = [
        now.id,
        both(_type(called.then(DeviceType, then.type), then), _type(called.now(DeviceType, now.type), now)),
    ]
    if then.serial or now.serial:
        words.append(f"serial {both(then.serial, now.serial)}")
    if then.udi or now.udi:
        words.append(f"UDI {both(then.udi, now.udi)}")
    return ", ".join(words)


def _type(found: DeviceType | None, device: Device) -> str:
    return found.name if found else device.type


def _about(soaked: DeviceSoaked, called: Called, times: Times) -> list[Pair]:
    turn = soaked.turn
    found = [
        (f"Round {turn.id}", f"from encounter {turn.came_from}" if turn.came_from else "no encounter reference given"),
        ("Before the soak", _steps(turn, called, times)),
        ("In and out", _in_out(turn, called, times)),
        ("Its verdict", _verdict(soaked)),
        ("Rinses", _rinses(turn, called, times)),
        ("Dried", _by(turn.dried, called, times) if turn.dried else "not on record"),
        ("Released", _released(turn, called, times)),
        ("Used", _used(turn, called, times)),
    ]
    if turn.late:
        found.append(("Assigned late", f"{_by(turn.late, called, times)}: {turn.late.note}"))
    found += [("Finding", each.text) for each in soaked.findings if each.code != "assigned-late"]
    return found


def _steps(turn: Turn, called: Called, times: Times) -> str:
    """Steps of one person at one moment together."""
    groups: dict[str, list[str]] = {}
    for step, each in sorted(turn.steps.items(), key=lambda item: (item[1].at_ms, _ORDER.get(item[0], len(_ORDER)))):
        note = f" ({each.note})" if each.note else ""
        groups.setdefault(_by(each, called, times), []).append(f"{step}{note}")
    return "; ".join(f"{', '.join(steps)}: {by}" for by, steps in groups.items()) or "no step attested"


def _by(attested: Attested, called: Called, times: Times) -> str:
    late = ""
    if attested.recorded_ms is not None and attested.recorded_ms != attested.at_ms:
        late = f", recorded {times.near(attested.recorded_ms)}"
    return f"{called.who(attested.by)} {times.near(attested.at_ms)}{late}"


def _in_out(turn: Turn, called: Called, times: Times) -> str:
    if turn.in_ms is None:
        return "not on record"
    into = f"in {times.near(turn.in_ms)}{f' ({called.who(turn.in_by)})' if turn.in_by else ''}"
    if turn.out_ms is None:
        return f"{into}; still in"
    return f"{into}, out {times.near(turn.out_ms)}{f' ({called.who(turn.out_by)})' if turn.out_by else ''}"


def _verdict(soaked: DeviceSoaked) -> str:
    if soaked.verdict is None:
        return "it lay in no whole closure: reprocess"
    word = "soak met" if soaked.verdict is Verdict.MET else soaked.verdict.value
    if soaked.here:
        return f"{word}, by this closure, in which it lay from closing to opening"
    part = "another closure of its load" if soaked.throughout else "another closure; it was not in this one throughout"
    return f"{word}, by {part}"


def _rinses(turn: Turn, called: Called, times: Times) -> str:
    words = []
    for each in turn.rinses:
        lasted = "running" if each.ended_ms is None else in_words(each.ended_ms - each.began_ms)
        water = " ".join(word for word in ("fresh" if each.fresh else "", each.water) if word)
        words.append(
            f"{lasted}{f' ({water} water)' if water else ''} {called.who(each.by)} {times.near(each.began_ms)}"
        )
    return "; ".join(words) or "none on record"


def _released(turn: Turn, called: Called, times: Times) -> str:
    if turn.released:
        note = f": {turn.released.note}" if turn.released.note else ""
        return f"{_by(turn.released, called, times)}{note}"
    if turn.quarantine:
        kept = turn.quarantine
        return f"not released; quarantine, {called.who(kept.by)} {times.near(kept.at_ms)}: {kept.reason}"
    return "not released"


def _used(turn: Turn, called: Called, times: Times) -> str:
    if turn.used is None:
        return "not since, as far as is on record"
    encounter = f"encounter {turn.used.encounter}" if turn.used.encounter else "no encounter reference given"
    warn = "" if turn.used.released else ", without release"
    return f"{encounter}, {times.near(turn.used.at_ms)} ({called.who(turn.used.by)}){warn}"
