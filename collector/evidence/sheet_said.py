"""What else is on record about a soak: what people said, alarms, and every verdict that was given of it."""

from __future__ import annotations

from collector.evidence.called import Called
from collector.evidence.soak_facts import Facts
from collector.evidence.times import Times
from soak.quantity import exact_celsius, in_words
from soak.requirement import Requirement

Pair = tuple[str, str]


def said_of(facts: Facts, called: Called, times: Times) -> list[Pair]:
    """Overrides, late assignments, notes, look-backs: (what, text)."""
    found: list[Pair] = []
    load = facts.load
    if load and load.override:
        over = load.override
        found.append(
            (
                "Override",
                f"{called.who(over.by)}, {times.near(over.at_ms)}: {over.reason} It stood against: "
                f"{' '.join(over.blocks)} An override changes no verdict and makes nothing releasable.",
            )
        )
    if load and load.late:
        found.append(("Assigned late", f"{called.who(load.late.by)}, {times.near(load.late.at_ms)}: {load.late.note}"))
    notes = [("Note on the closure", each) for each in (facts.notes.notes if facts.notes else ())]
    notes += [(f"Note on {device.device.id}", each) for device in facts.devices for each in device.turn.notes]
    found += [(what, f"{called.who(each.by)}, {times.near(each.at_ms)}: {each.note}") for what, each in notes]
    for back in facts.lookbacks:
        ended = f"closed by {called.who(back.closed.by)}: {back.closed.note}" if back.closed else "open"
        found.append((f"Look-back {back.id}", f"{back.text} Opened {times.near(back.opened_ms)}; {ended}."))
    profile = facts.profile
    if profile and profile.revision > 1:
        found.append(
            ("Profile corrected", f"{profile.name} is now in revision {profile.revision}; a soak judged anew is below.")
        )
    return found


def alarms_of(facts: Facts, called: Called, times: Times) -> list[Pair]:
    """About the soak: (what, text)."""
    found = []
    for each in facts.alarms:
        seen = "seen by nobody"
        if each.seen:
            done = f": {each.seen.done}" if each.seen.done else ""
            seen = f"seen by {called.who(each.seen.by)} {times.near(each.seen.at_ms)}{done}"
        text = f"{each.text} ({each.priority.value}, raised {times.near(each.raised_ms)}, {seen})"
        found.append((f"{each.id} {each.code}", text))
    return found


def verdicts_of(facts: Facts, times: Times) -> list[tuple[str, ...]]:
    """Every verdict given of it: rows of record, when, verdict, proven, coldest, what was required, its state."""
    return [
        (
            str(each.record.number),
            times.near(each.said.assessed_ms or each.record.at_ms),
            each.closure.verdict.value,
            in_words(each.closure.credited_ms),
            "no value" if each.closure.coldest_mc is None else exact_celsius(each.closure.coldest_mc),
            _required(each.closure.requirement),
            "stands" if each.row.superseded_by is None else "superseded",
        )
        for each in facts.verdicts
    ]


def _required(requirement: Requirement | None) -> str:
    if requirement is None:
        return "nothing required"
    most = "" if requirement.max_mc is None else f" to {exact_celsius(requirement.max_mc)}"
    return f"{in_words(requirement.contact_ms)} at {exact_celsius(requirement.min_mc)}{most}"
