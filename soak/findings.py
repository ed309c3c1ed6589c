"""Findings: why a closure's verdict is what it is, in the technician's words."""

from __future__ import annotations

from soak.closure import Closure, Edge, Finding, Verdict
from soak.quantity import celsius, exact_celsius, exactly_in_words, in_words

CODES = {
    "opened-early": "The lid was opened before the contact time was complete.",
    "too-short": "The lid was closed for less than the contact time.",
    "below-minimum": "The solution was colder than the label's minimum.",
    "above-maximum": "The solution was warmer than the label's maximum.",
    "guard-band": "It would be met only if the sensor had no uncertainty.",
    "sensor-fault": "A required sensor gave no temperature.",
    "readings-missing": "Readings are missing.",
    "closing-not-seen": "Nobody saw the lid close: it may have been open before.",
    "over-immersed": "The load was in solution for longer than the maximum immersion time.",
    "clock-unsynchronised": "The node's clock was not synchronised: durations hold, times of day may be off.",
    "check-overdue": "A sensor's check was overdue.",
    "sensor-out": "A sensor was out of the solution.",
    "no-requirement": "No requirement was set for the basin.",
}
"""Every finding there is, in one sentence; a soak's own text has the numbers."""


def explain(closure: Closure) -> tuple[Finding, ...]:
    """The findings that follow from a closure's own readings.

    What needs more than the readings (clock, sensor checks, loads) is added by whoever knows it.
    """
    requirement = closure.requirement
    findings: list[Finding] = []
    if requirement is None:
        text = "No minimum temperature and contact time are set for this basin: nothing to prove."
        findings.append(Finding("no-requirement", text))
    else:
        findings += _too_early(closure, requirement.contact_ms)
        findings += _temperature(closure, requirement.min_mc, requirement.max_mc)
        findings += _no_temperature(closure, requirement.max_gap_ms)
    findings += _edges(closure)
    return tuple(findings)


def _too_early(closure: Closure, contact_ms: int) -> list[Finding]:
    if closure.verdict is not Verdict.NOT_MET:
        return []
    numbers = {"closed_ms": closure.closed_ms, "credited_ms": closure.credited_ms, "contact_ms": contact_ms}
    found = []
    if closure.opening_seen:
        proven, contact = _told_apart(closure.credited_ms, contact_ms)
        text = f"Opened with {proven} of {contact} proven without a break."
        found.append(Finding("opened-early", text, closure.opening_ms, numbers))
    if closure.closed_ms < contact_ms and closure.closing_seen and closure.opening_seen:
        closed, contact = _told_apart(closure.closed_ms, contact_ms)
        text = f"Closed for {closed}; the contact time is {contact}."
        found.append(Finding("too-short", text, closure.last_ms, numbers))
    return found


def _temperature(closure: Closure, min_mc: int, max_mc: int | None) -> list[Finding]:
    found = []
    coldest_mc, hottest_mc = closure.coldest_mc, closure.hottest_mc
    if coldest_mc is not None and coldest_mc < min_mc:
        text = (
            f"Down to {_beside(coldest_mc, min_mc)}; the minimum is {exact_celsius(min_mc)}. "
            f"Out of range for {in_words(closure.out_ms)}."
        )
        numbers = {"coldest_mc": coldest_mc, "min_mc": min_mc, "out_ms": closure.out_ms}
        found.append(Finding("below-minimum", text, closure.out_first_ms, numbers))
    if hottest_mc is not None and max_mc is not None and hottest_mc > max_mc:
        text = (
            f"Up to {_beside(hottest_mc, max_mc, up=True)}; the maximum is {exact_celsius(max_mc)}. "
            f"Out of range for {in_words(closure.out_ms)}."
        )
        numbers = {"hottest_mc": hottest_mc, "max_mc": max_mc, "out_ms": closure.out_ms}
        found.append(Finding("above-maximum", text, closure.out_first_ms, numbers))
    if closure.met_without_u and closure.verdict in (Verdict.NOT_MET, Verdict.UNPROVEN):
        text = "Within the limits as indicated, but by less than the sensor's uncertainty: that is not proof."
        numbers = {"out_ms": closure.out_ms} | ({} if coldest_mc is None else {"coldest_mc": coldest_mc})
        found.append(Finding("guard-band", text, closure.out_first_ms, numbers))
    return found


def _no_temperature(closure: Closure, max_gap_ms: int) -> list[Finding]:
    missing = closure.readings - closure.known
    # A failed conversion or two do not break a soak and are no finding, unless they are what the proof lacks.
    silent_ms = closure.unknown_ms + closure.silent_out_ms
    if not missing or (silent_ms <= max_gap_ms and closure.verdict is not Verdict.UNPROVEN):
        return []
    words = ", ".join(f"{word} {count}" for word, count in sorted(closure.faults.items()))
    text = f"No temperature for {in_words(silent_ms)}, {missing} of {closure.readings} readings"
    numbers = {"unknown_ms": closure.unknown_ms, "missing": missing, "readings": closure.readings}
    if closure.silent_out_ms:
        numbers["silent_out_ms"] = closure.silent_out_ms
    return [Finding("sensor-fault", text + (f" ({words})." if words else "."), closure.unknown_first_ms, numbers)]


def _edges(closure: Closure) -> list[Finding]:
    found = []
    if not closure.closing_seen:
        text = {
            Edge.START: "The watch began with the lid already closed.",
            Edge.LOST: f"{_readings(closure.lost_before)} missing just before it: the lid may have been open.",
            Edge.GAP: "The pause before it was too long: the lid may have been open.",
        }[closure.closing_edge]
        found.append(Finding("closing-not-seen", text, closure.closing_ms, {"lost": closure.lost_before}))
    lost = closure.lost_before + closure.lost_after
    broken = (Edge.LOST, Edge.GAP, Edge.STREAM_END)
    if closure.closing_edge in broken or closure.opening_edge in broken:
        where = "at its end" if closure.opening_edge in broken else "just before it"
        if closure.closing_edge in broken and closure.opening_edge in broken:
            where = "on both sides"
        what = f"{_readings(lost)} missing" if lost else "The readings break off"
        at_ms = closure.last_ms if closure.opening_edge in broken else closure.closing_ms
        found.append(
            Finding("readings-missing", f"{what} {where}: what the lid did there was not seen.", at_ms, {"lost": lost})
        )
    return found


def _readings(count: int) -> str:
    return "1 reading is" if count == 1 else f"{count} readings are"


def _beside(mc: int, limit_mc: int, *, up: bool = False) -> str:
    """A temperature, to the hundredth unless it would then read like the limit beside it."""
    text = celsius(mc, up=up)
    return exact_celsius(mc) if text == exact_celsius(limit_mc) else text


def _told_apart(ms: int, contact_ms: int) -> tuple[str, str]:
    """A duration beside the contact time, to the second unless they would then read alike."""
    words = in_words(ms), in_words(contact_ms)
    return words if words[0] != words[1] else (exactly_in_words(ms), exactly_in_words(contact_ms))
