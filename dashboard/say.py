"""What is going on in one basin, in one sentence, and what to do next. Pure: what is known comes in, words go out."""

from __future__ import annotations

import enum

import msgspec

from collector.fault_words import NOT_READ, fault_words
from collector.read import Basin, BasinNow, StoredClosure
from dashboard.when import SiteTime
from dashboard.words import STANDING_MS, quiet, requirement_words, short_reason
from soak.closure import Closure, Verdict
from soak.quantity import in_words, tenths
from soak.reading import Lid
from soak.requirement import Requirement, most_mc, needs_mc

STALE_MS = 5_000
"""Without news for this long a basin counts as not heard."""
FRESH_MS = 30 * 60_000
"""For this long after the lid was opened a verdict stays the sentence; afterwards the lid is simply open."""
FULL = 1000


class Kind(enum.StrEnum):
    """What is going on."""

    UNHEARD = "unheard"  # no reading ever
    SILENT = "silent"  # no reading for a while
    BEHIND = "behind"  # old readings are arriving
    NO_REQUIREMENT = "no requirement"
    OPEN = "open"
    REPROCESS = "reprocess"  # just opened, and what was in it is not disinfected
    MET = "met"
    STANDING = "standing"  # lid on for so long that nobody is waiting for it
    OUT = "out of range"
    NO_TEMPERATURE = "no temperature"
    SOAKING = "soaking"


class Seen(msgspec.Struct, frozen=True):
    """Everything that is known of a basin at this moment.

    Attributes:
        basin: The basin and its requirement.
        now: Its newest reading; None if there is none.
        latest: Its latest ended closure; None if there is none.
        now_ms: The time, milliseconds since 1970.
        silent_ms: How long nothing new has come, by the wall clock or by watching the store, whichever is longer.
        arriving: Something has come just now, old as it may be.
        unbroken_ms: Time proven without a break up to now, in the closure in progress.
        without_ms: How long a required sensor has been without a value.
        node_gone: The node, or the broker for it, has said that it is gone.
        not_stored: The collector stores nothing at present: whether the node works cannot be told.
        speed: Rehearsal seconds per real second; 1 in earnest.
    """

    basin: Basin
    now: BasinNow | None
    latest: StoredClosure | None
    now_ms: int
    silent_ms: int = 0
    arriving: bool = False
    unbroken_ms: int = 0
    without_ms: int = 0
    node_gone: bool = False
    not_stored: bool = False
    speed: int = 1


class Said(msgspec.Struct, frozen=True):
    """What is going on and what to do.

    Attributes:
        kind: What is going on.
        headline: The sentence, the largest thing on the page.
        detail: What to do next, or why.
        level: Time proven without a break, in thousandths of the contact time.
        left_ms: Milliseconds until the contact time is complete; None when none is running down.
        ready_ms: When that will be, milliseconds since 1970.
    """

    kind: Kind
    headline: str
    detail: str
    level: int = 0
    left_ms: int | None = None
    ready_ms: int | None = None


def say(seen: Seen, when: SiteTime) -> Said:
    """Find the sentence for one basin; what blocks comes before what is nice to know."""
    now, requirement = seen.now, seen.basin.requirement
    if now is None:
        return Said(
            Kind.UNHEARD,
            "Nothing heard yet",
            "No reading has come from this basin. Check that its node is running and reaches the broker.",
        )
    if seen.silent_ms > STALE_MS * seen.speed:
        return _not_heard(seen, now, when)
    if _behind(now):
        return _with_a_hole(now)
    closure = now.closure
    requirement = closure.requirement if closure is not None else seen.basin.requirement
    if requirement is None:
        return _no_requirement(seen.basin, closure)
    if closure is None or now.lid is Lid.OPEN:
        return _open(seen, when)
    return _closed(seen, now, closure, requirement, when)


def _behind(now: BasinNow) -> bool:
    """Readings before the newest are still to come: what is judged may be another load than the one in the basin."""
    hole = now.judged_to is not None and now.judged_to < now.number
    return hole or (now.lid is Lid.CLOSED and now.closure is None)


def _with_a_hole(now: BasinNow) -> Said:
    todo = (
        "Keep it closed until this page knows." if now.lid is Lid.CLOSED else "Do not release what came out of it yet."
    )
    detail = f"Lid {now.lid.value}. Earlier readings are still coming; what they prove is not known yet. {todo}"
    return Said(Kind.BEHIND, "Catching up", detail)


def _not_heard(seen: Seen, now: BasinNow, when: SiteTime) -> Said:
    last = when.near(now.at_utc_ms, seen.now_ms)
    if seen.arriving:
        detail = f"Readings from {last} are arriving. What happens in the basin now is not known yet."
        return Said(Kind.BEHIND, "Catching up", detail)
    known = f"Lid {now.lid.value} when last heard, {last}."
    if seen.not_stored:
        todo = "Nothing new is stored at present: see above. What the node records will follow."
    elif seen.node_gone:
        todo = "Its node is off or cut off. Check power and network."
    else:
        todo = "Check the node’s power and network; what it recorded will follow."
    return Said(Kind.SILENT, f"Not heard for {in_words(seen.silent_ms // 1000 * 1000)}", f"{known} {todo}")


def _no_requirement(basin: Basin, closure: Closure | None) -> Said:
    lid = f"Lid closed for {in_words(closure.closed_ms)}." if closure else "Lid open."
    if basin.requirement is not None:
        detail = (
            f"{lid} The requirement was set after this closing and holds from the next one. Open and close the lid."
        )
        return Said(Kind.NO_REQUIREMENT, "No requirement at this closing", detail)
    todo = f"Set minimum temperature and contact time for {basin.node}/{basin.name} in the collector’s settings."
    return Said(Kind.NO_REQUIREMENT, "No requirement set", f"{lid} Nothing can be proven. {todo}")


def _open(seen: Seen, when: SiteTime) -> Said:
    latest = seen.latest
    lid_open = Said(Kind.OPEN, "Lid open", f"Asks for {requirement_words(seen.basin.requirement)}.")
    if latest is None or quiet(latest.closure.closed_ms) or seen.now_ms - latest.last_utc_ms > FRESH_MS:
        return lid_open
    closure = latest.closure
    opened = f"Opened {when.near(latest.last_utc_ms, seen.now_ms)}"
    if closure.verdict is Verdict.MET:
        detail = f"{opened} after {in_words(closure.closed_ms)}."
        return Said(Kind.MET, "Soak met. Rinse next.", detail)
    why = short_reason(closure)
    if closure.requirement and why.startswith("opened"):
        why = f"{why} of {in_words(closure.requirement.contact_ms)}"
    text = closure.findings[0].text if closure.findings and not why.startswith("opened") else ""
    detail = f"{opened}. A device that was in it is not proven disinfected. {text}".strip()
    return Said(Kind.REPROCESS, f"Reprocess: {why}" if why else "Reprocess", detail)


def _closed(seen: Seen, now: BasinNow, closure: Closure, requirement: Requirement, when: SiteTime) -> Said:
    if closure.closed_ms > STANDING_MS:
        return _standing(closure, now, when)
    if closure.verdict is Verdict.MET:
        detail = f"{in_words(requirement.contact_ms)} proven. Lid on for {in_words(closure.closed_ms)}."
        return Said(Kind.MET, "Soak met. Rinse next.", detail, FULL)
    return _unfinished(seen, now, requirement, when)


def _standing(closure: Closure, now: BasinNow, when: SiteTime) -> Said:
    since = when.near(now.at_utc_ms - closure.closed_ms, now.at_utc_ms)
    met = closure.verdict is Verdict.MET
    proven = "contact time met long ago" if met else "contact time not met"
    detail = f"{in_words(closure.closed_ms)}, {proven}. A device still in it: look at its maker’s longest time."
    return Said(Kind.STANDING, f"Lid on since {since}", detail, FULL if met else 0)


def _unfinished(seen: Seen, now: BasinNow, requirement: Requirement, when: SiteTime) -> Said:
    level = min(FULL, seen.unbroken_ms * FULL // requirement.contact_ms)
    if seen.without_ms > requirement.max_gap_ms:
        return Said(Kind.NO_TEMPERATURE, "No temperature", _faulty(seen.basin, now), level)
    out = _out_of_range(seen.basin, now, requirement)
    if out:
        return out
    left_ms = requirement.contact_ms - seen.unbroken_ms
    ready_ms = (now.at_utc_ms if now.synced else seen.now_ms - seen.silent_ms) + left_ms
    proven = f"{in_words(seen.unbroken_ms)} of {in_words(requirement.contact_ms)} proven without a break."
    return Said(
        Kind.SOAKING, f"Keep closed. Ready {when.ready(ready_ms, seen.now_ms)}.", proven, level, left_ms, ready_ms
    )


def _faulty(basin: Basin, now: BasinNow) -> str:
    faulty = [
        f"Sensor {sensor} {fault_words(now.fault[sensor].code) if sensor in now.fault else NOT_READ}."
        for sensor in basin.sensors
        if now.mc.get(sensor) is None
    ]
    return " ".join(["Nothing can be proven meanwhile.", *faulty])


def _out_of_range(basin: Basin, now: BasinNow, requirement: Requirement) -> Said | None:
    """The sensor furthest out of range, as its display shows it; None if all are in range or without a value."""
    known = [(mc, terms) for sensor, terms in basin.sensors.items() if (mc := now.mc.get(sensor)) is not None]
    short_mc, mc, terms = max(
        ((needs_mc(requirement, terms) - mc, mc, terms) for mc, terms in known), key=_first, default=(0, 0, None)
    )
    if terms is not None and short_mc > 0:
        least = tenths(needs_mc(requirement, terms), up=True)
        detail = f"The display must show {least} or more. The time starts again from zero."
        return Said(Kind.OUT, f"Too cold: {tenths(mc)} °C", detail)
    for mc, terms in known:
        most = most_mc(requirement, terms)
        if most is not None and mc > most:
            detail = f"The display may show {tenths(most)} at most. The time starts again from zero."
            return Said(Kind.OUT, f"Too warm: {tenths(mc, up=True)} °C", detail)
    return None


def _first(shortest: tuple[int, object, object]) -> int:
    return shortest[0]
