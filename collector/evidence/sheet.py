"""What a disinfection record says: the facts of a soak as the words that stand on the paper. Pure but for names.

Everything that is decided about wording is decided here, when the paper is issued, and kept with it; the template only
sets it. So a later version of this module changes no paper that is out.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import msgspec

from collector.evidence.called import Called
from collector.evidence.sealed import Used
from collector.evidence.sheet_devices import devices_of
from collector.evidence.sheet_said import alarms_of, said_of, verdicts_of
from collector.evidence.sheet_sensors import sensors_of
from collector.evidence.sheet_solution import solution_of, test_of
from collector.evidence.soak_facts import Facts, Judged
from collector.evidence.times import Times
from collector.readings import dating_error_ms
from soak.closure import Closure, Edge, Verdict
from soak.quantity import celsius, exact_celsius, in_words
from soak.requirement import Requirement

Pair = tuple[str, str]
_STEP_MS = 1_000

MONITORING_AID: Final = (
    "Soakledger is a monitoring aid. The product's label, the device maker's instructions and local rules decide; it "
    "replaces neither the MEC test nor the cleaning step nor a trained person's judgement."
)
MEASURED: Final = (
    "Measured: the temperature at each sensor and whether the lid was closed, once a second and at every move of the "
    "lid. Reckoned from that by the exposure rule: proven time, coldest and warmest, allowance, verdict. Declared by "
    "people, not measured: which devices were in it, that they were wholly immersed, their channels filled and free of "
    "bubbles, the steps before and after, the solution and its MEC test. The concentration was not measured here."
)
_WORDS = {
    Verdict.MET: ("Soak met", "Soak met, rinse next: that alone releases no device."),
    Verdict.NOT_MET: ("Not met", "A device that was in it is not proven disinfected: reprocess."),
    Verdict.UNPROVEN: (
        "Unproven",
        "It may have been good, but there is no proof. A device that was in it is not proven disinfected: reprocess.",
    ),
    Verdict.RUNNING: ("Running", "Keep the lid closed."),
}
_EDGES = {
    Edge.SEEN: "seen",
    Edge.START: "not seen: the watch began with the lid already closed",
    Edge.LOST: "not seen: readings are missing",
    Edge.GAP: "not seen: too long a pause between readings",
    Edge.STREAM_END: "not seen: the node started again",
    Edge.RUNNING: "not yet",
}


class Sheet(msgspec.Struct, frozen=True):
    """The words of one disinfection record.

    Attributes:
        site: Whose.
        basin: Where.
        when: The closing.
        verdict: The verdict's own word, for its pattern.
        word: The verdict in large.
        means: What follows from it.
        superseded: Says that this verdict no longer stands, and which does; empty if it stands.
        no_load: Says that no load is on record for it; empty where one is.
        times_rule: How to read the times.
        proven: How long, beside what was asked.
        lid: What the lid did, and for how long the soak is proven: (what, figure).
        asked: What was asked: likewise.
        temperature: Temperatures and readings: likewise.
        trend: What the trend is, in words, for who cannot see it.
        findings: Text, and code with time.
        devices: Of each device: its name, and (what, figure).
        load: Of the load: (what, figure).
        solution: Of the fill: (what, figure).
        test: Of the MEC test: (what, figure).
        sensors: Rows of sensor, correction, U, allowance, last check before, first check after.
        sensors_note: What to know of them.
        said: Overrides, late assignments, notes, look-backs: (what, text).
        alarms: About it: (what, text).
        verdicts: Every verdict given of it: rows of record, when, verdict, proven, coldest, why.
        records: What people recorded, attached: (number, kind).
        software: What judged, what watched.
        measured: What of it was measured, what declared.
        aid: What decides instead of this.
    """

    site: str
    basin: str
    when: str
    verdict: str
    word: str
    means: str
    superseded: str
    no_load: str
    times_rule: str
    proven: str
    lid: tuple[Pair, ...]
    asked: tuple[Pair, ...]
    temperature: tuple[Pair, ...]
    trend: str
    findings: tuple[Pair, ...]
    devices: tuple[tuple[str, tuple[Pair, ...]], ...]
    load: tuple[Pair, ...]
    solution: tuple[Pair, ...]
    test: tuple[Pair, ...]
    sensors: tuple[tuple[str, ...], ...]
    sensors_note: str
    said: tuple[Pair, ...]
    alarms: tuple[Pair, ...]
    verdicts: tuple[tuple[str, ...], ...]
    records: tuple[Pair, ...]
    software: tuple[Pair, ...]
    measured: str = MEASURED
    aid: str = MONITORING_AID


def sheet_of(facts: Facts, used: Used, called: Called, times: Times) -> Sheet:
    """The words; `used` says by which clocks the readings are dated."""
    judged, closure = facts.judged, facts.judged.closure
    label, place = called.basin(judged.row.basin)
    word, means = _WORDS[closure.verdict]
    superseded = _superseded(facts, times)
    if superseded:
        word, means = f"Superseded: {word[0].lower()}{word[1:]}", "Do not rely on this verdict."
    return Sheet(
        site=facts.site,
        basin=f"{label}{f', {place}' if place else ''} ({judged.row.basin})",
        when=times.full(judged.row.closing_ms),
        verdict=closure.verdict.value,
        word=word,
        means=means,
        superseded=superseded,
        no_load=_no_load(facts),
        times_rule=times.rule(),
        proven=_proven(closure),
        lid=tuple(_lid(judged, times)),
        asked=tuple(_asked(closure.requirement)),
        temperature=(*_temperature(judged), *_clock_set(closure, used)),
        trend=_trend(facts),
        findings=tuple(
            (each.text, each.code if each.at_ms is None else f"{each.code}, {times.near(_utc(judged, each.at_ms))}")
            for each in closure.findings
        ),
        devices=devices_of(facts, called, times),
        load=tuple(_load(facts, called, times)),
        solution=tuple(solution_of(facts, called, times)),
        test=tuple(test_of(facts, called, times)),
        sensors=tuple(sensors_of(facts.checks, closure, called, times)),
        sensors_note=_sensors_note(facts),
        said=tuple(said_of(facts, called, times)),
        alarms=tuple(alarms_of(facts, called, times)),
        verdicts=tuple(verdicts_of(facts, times)),
        records=tuple((str(each.number), each.kind) for each in facts.records),
        software=tuple(_software(facts)),
    )


def _utc(judged: Judged, stream_ms: int) -> int:
    return judged.row.closing_ms + stream_ms - judged.closure.closing_ms


def _superseded(facts: Facts, times: Times) -> str:
    row = facts.judged.row
    if row.superseded_by is None:
        return ""
    later = next((each for each in facts.verdicts if each.row.id == row.superseded_by), None)
    if later is None:
        return "This verdict no longer stands: a later one took its place."
    return (
        f"This verdict no longer stands. Record {later.record.number} of {times.full(later.record.at_ms)} took its "
        f"place: {later.closure.verdict.value}. Both stay on record."
    )


def _no_load(facts: Facts) -> str:
    if facts.load is not None:
        return ""
    if facts.answer == "empty":
        return "Nothing was in it, as somebody said. The closure is kept and judged all the same."
    if facts.answer == "not known":
        return "Nobody knows what was in it, as somebody said: whatever was is not proven to be disinfected by this."
    return "No load is on record for it: nobody has said what was in it."


def _proven(closure: Closure) -> str:
    if closure.requirement is None:
        return "Nothing was required, so nothing is proven."
    return (
        f"{in_words(closure.credited_ms)} proven without a break, {in_words(closure.requirement.contact_ms)} required."
    )


def _lid(judged: Judged, times: Times) -> list[Pair]:
    closure = judged.closure
    opening = _EDGES[closure.opening_edge]
    if closure.opening_ms is not None:
        opening = f"{times.near(_utc(judged, closure.opening_ms))}, {opening}"
    return [
        ("Lid closed", f"{times.near(judged.row.closing_ms)}, {_EDGES[closure.closing_edge]}"),
        ("Lid opened", opening),
        ("Lid on for", in_words(closure.closed_ms)),
        ("Proven without a break", in_words(closure.credited_ms)),
    ]


def _temperature(judged: Judged) -> list[Pair]:
    closure = judged.closure
    found = [
        ("Coldest, corrected", "no value" if closure.coldest_mc is None else exact_celsius(closure.coldest_mc)),
        ("Warmest, corrected", "no value" if closure.hottest_mc is None else exact_celsius(closure.hottest_mc)),
        ("Allowance", _allowance(closure)),
        ("Out of range", in_words(closure.out_ms) if closure.out_ms else "never"),
        ("No temperature", in_words(closure.unknown_ms) if closure.unknown_ms else "never"),
        ("Readings", _readings(closure)),
    ]
    if closure.lost_before or closure.lost_after:
        found.append(("Readings missing", f"{closure.lost_before} just before, {closure.lost_after} just after"))
    found.append(("Node's clock", _clock(judged)))
    return found


def _readings(closure: Closure) -> str:
    if closure.known == closure.readings:
        return f"{closure.readings}, all with every temperature"
    return f"{closure.known} of {closure.readings} with every temperature"


def _allowance(closure: Closure) -> str:
    if closure.allowance_mc is None:
        return "none: no stretch as long as the contact time"
    return f"{exact_celsius(abs(closure.allowance_mc))} {'to spare' if closure.allowance_mc >= 0 else 'missing'}"


def _clock(judged: Judged) -> str:
    back_ms = judged.said.dated_back_ms
    if back_ms is not None:
        return (
            f"set {in_words(back_ms)} after the lid closed; times of day are counted back, to within "
            f"{in_words(dating_error_ms(back_ms))}"
        )
    if judged.said.clock_synced:
        return "synchronised"
    return "not synchronised: times of day may be off; durations hold"


def _clock_set(closure: Closure, used: Used) -> list[Pair]:
    """Where the node's wall clock was set while the lid was closed."""
    return [
        (
            "Clock was set",
            f"{'back' if after.offset_ms < before.offset_ms else 'forward'} by "
            f"{in_words(abs(after.offset_ms - before.offset_ms))} at reading {after.first}: times of day before and "
            "after it do not compare; durations are by the uninterrupted clock",
        )
        for before, after in pairwise(used.dates)
        if closure.first < after.first <= closure.last and abs(after.offset_ms - before.offset_ms) >= _STEP_MS
    ]


def _asked(requirement: Requirement | None) -> list[Pair]:
    if requirement is None:
        return [("Required", "nothing was set for this basin at that time")]
    found = [("Contact time", in_words(requirement.contact_ms)), ("Minimum", exact_celsius(requirement.min_mc))]
    if requirement.max_mc is not None:
        found.append(("Maximum", exact_celsius(requirement.max_mc)))
    found.append(("Longest pause watched", in_words(requirement.max_gap_ms)))
    return found


def _trend(facts: Facts) -> str:
    closure = facts.judged.closure
    known = "no temperature is known"
    if closure.coldest_mc is not None and closure.hottest_mc is not None:
        known = f"corrected from {celsius(closure.coldest_mc)} to {celsius(closure.hottest_mc, up=True)}"
    limit = "nothing was required"
    if closure.requirement is not None:
        limit = f"the minimum is {exact_celsius(closure.requirement.min_mc)}"
    return (
        f"Trend of the temperature over the soak: lid closed for {in_words(closure.closed_ms)}, {known}; {limit}. "
        "Every reading is in the attached table."
    )


def _load(facts: Facts, called: Called, times: Times) -> list[Pair]:
    load = facts.load
    if load is None:
        return []
    ended = "still in" if load.ended_ms is None else f"taken out {times.near(load.ended_ms)}"
    began = f"started {times.near(load.began_ms)} by {called.who(load.by)}; {ended}"
    found = [(f"Load {load.id}", began)]
    found += [("Opening announced", f"{times.near(ms)}, to add a device") for ms in load.openings_ms]
    return found


def _sensors_note(facts: Facts) -> str:
    unchecked = [each.sensor for each in facts.checks if each.terms is not None and each.before is None]
    note = (
        "U is the expanded uncertainty (k = 2) of the corrected value: a reading counts only if it clears the limit "
        "by U."
    )
    if unchecked:
        which = "this sensor" if len(facts.checks) == 1 else ", ".join(unchecked)
        note += (
            f" No check of {which} before this soak is on record: its U and correction are those of the settings, or "
            "the datasheet's where they name none."
        )
    return note


def _software(facts: Facts) -> list[Pair]:
    node = facts.judged.row.basin.partition("/")[0]
    last = facts.node_software or "not told"
    return [
        ("Judged by", facts.judged.record.software),
        (f"Node {node}", f"{last}, as it said of itself when last heard before issuing"),
    ]


def as_data(sheet: Sheet) -> Any:
    """The words as JSON."""
    return msgspec.to_builtins(sheet)
