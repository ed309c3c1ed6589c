"""What is going on in one basin, in one sentence, and what to do next. Pure: what is known comes in, words go out."""

from __future__ import annotations

import enum

import msgspec

from collector.fault_words import NOT_READ, fault_words
from collector.read import Basin, BasinNow, StoredClosure
from dashboard.degrees import shown_tenths
from dashboard.texts import _
from dashboard.when import SiteTime
from dashboard.words import (
    OPENED_EARLY,
    STANDING_MS,
    bare_tenths,
    nearest_cause,
    quiet,
    requirement_words,
    short_reason,
)
from soak.closure import Closure, Verdict
from soak.quantity import in_words
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
            _("Nothing heard yet"),
            _("No reading has come from this basin. Check that its node is running and reaches the broker."),
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
    lid, todo = (
        (_("Lid closed."), _("Keep it closed until this page knows."))
        if now.lid is Lid.CLOSED
        else (_("Lid open."), _("Do not release what came out of it yet."))
    )
    coming = _("Earlier readings are still coming; what they prove is not known yet.")
    return Said(Kind.BEHIND, _("Catching up"), f"{lid} {coming} {todo}")


def _not_heard(seen: Seen, now: BasinNow, when: SiteTime) -> Said:
    last = when.near(now.at_utc_ms, seen.now_ms)
    if seen.arriving:
        detail = _("Readings from {time} are arriving. What happens in the basin now is not known yet.")
        return Said(Kind.BEHIND, _("Catching up"), detail.format(time=last))
    closed = now.lid is Lid.CLOSED
    known = _("Lid closed when last heard, {time}.") if closed else _("Lid open when last heard, {time}.")
    if seen.not_stored:
        todo = _("Nothing new is stored at present: see above. What the node records will follow.")
    elif seen.node_gone:
        todo = _("Its node is off or cut off. Check power and network.")
    else:
        todo = _("Check the node’s power and network; what it recorded will follow.")
    headline = _("Not heard for {time}").format(time=in_words(seen.silent_ms // 1000 * 1000))
    return Said(Kind.SILENT, headline, f"{known.format(time=last)} {todo}")


def _no_requirement(basin: Basin, closure: Closure | None) -> Said:
    lid = _("Lid closed for {time}.").format(time=in_words(closure.closed_ms)) if closure else _("Lid open.")
    if basin.requirement is not None:
        why = _("The requirement was set after this closing and holds from the next one. Open and close the lid.")
        return Said(Kind.NO_REQUIREMENT, _("No requirement at this closing"), f"{lid} {why}")
    todo = _(
        "Nothing can be proven. Set minimum temperature and contact time for {basin} in the collector’s settings."
    ).format(basin=f"{basin.node}/{basin.name}")
    return Said(Kind.NO_REQUIREMENT, _("No requirement set"), f"{lid} {todo}")


def _open(seen: Seen, when: SiteTime) -> Said:
    latest = seen.latest
    lid_open = Said(
        Kind.OPEN, _("Lid open"), _("Asks for {need}.").format(need=requirement_words(seen.basin.requirement))
    )
    if latest is None or quiet(latest.closure.closed_ms) or seen.now_ms - latest.last_utc_ms > FRESH_MS:
        return lid_open
    closure = latest.closure
    opened = when.near(latest.last_utc_ms, seen.now_ms)
    if closure.verdict is Verdict.MET:
        detail = _("Opened {time} after {duration}.").format(time=opened, duration=in_words(closure.closed_ms))
        return Said(Kind.MET, _("Soak met. Rinse next."), detail)
    why, early = short_reason(closure), nearest_cause(closure) == OPENED_EARLY
    if closure.requirement and early:
        contact = in_words(closure.requirement.contact_ms)
        why = _("opened at {time} of {contact}").format(time=in_words(closure.credited_ms), contact=contact)
    text = closure.findings[0].text if closure.findings and not early else ""
    detail = _("Opened {time}. A device that was in it is not proven disinfected.").format(time=opened)
    headline = _("Reprocess: {why}").format(why=why) if why else _("Reprocess")
    return Said(Kind.REPROCESS, headline, f"{detail} {text}".strip())


def _closed(seen: Seen, now: BasinNow, closure: Closure, requirement: Requirement, when: SiteTime) -> Said:
    if closure.closed_ms > STANDING_MS:
        return _standing(closure, now, when)
    if closure.verdict is Verdict.MET:
        detail = _("{contact} proven. Lid on for {time}.").format(
            contact=in_words(requirement.contact_ms), time=in_words(closure.closed_ms)
        )
        return Said(Kind.MET, _("Soak met. Rinse next."), detail, FULL)
    return _unfinished(seen, now, requirement, when)


def _standing(closure: Closure, now: BasinNow, when: SiteTime) -> Said:
    since = when.near(now.at_utc_ms - closure.closed_ms, now.at_utc_ms)
    met = closure.verdict is Verdict.MET
    detail = (
        _("{time}, contact time met long ago. A device still in it: look at its maker’s longest time.")
        if met
        else _("{time}, contact time not met. A device still in it: look at its maker’s longest time.")
    ).format(time=in_words(closure.closed_ms))
    return Said(Kind.STANDING, _("Lid on since {time}").format(time=since), detail, FULL if met else 0)


def _unfinished(seen: Seen, now: BasinNow, requirement: Requirement, when: SiteTime) -> Said:
    level = min(FULL, seen.unbroken_ms * FULL // requirement.contact_ms)
    if seen.without_ms > requirement.max_gap_ms:
        return Said(Kind.NO_TEMPERATURE, _("No temperature"), _faulty(seen.basin, now), level)
    out = _out_of_range(seen.basin, now, requirement)
    if out:
        return out
    left_ms = requirement.contact_ms - seen.unbroken_ms
    ready_ms = (now.at_utc_ms if now.synced else seen.now_ms - seen.silent_ms) + left_ms
    proven = _("{time} of {contact} proven without a break.").format(
        time=in_words(seen.unbroken_ms), contact=in_words(requirement.contact_ms)
    )
    headline = _("Keep closed. Ready {time}.").format(time=when.ready(ready_ms, seen.now_ms))
    return Said(Kind.SOAKING, headline, proven, level, left_ms, ready_ms)


def _faulty(basin: Basin, now: BasinNow) -> str:
    faulty = [
        _("Sensor {sensor} {fault}.").format(
            sensor=sensor, fault=fault_words(now.fault[sensor].code) if sensor in now.fault else NOT_READ
        )
        for sensor in basin.sensors
        if now.mc.get(sensor) is None
    ]
    return " ".join([_("Nothing can be proven meanwhile."), *faulty])


def _out_of_range(basin: Basin, now: BasinNow, requirement: Requirement) -> Said | None:
    """The sensor furthest out of range, as its display shows it; None if all are in range or without a value."""
    known = [(mc, terms) for sensor, terms in basin.sensors.items() if (mc := now.mc.get(sensor)) is not None]
    short_mc, mc, terms = max(
        ((needs_mc(requirement, terms) - mc, mc, terms) for mc, terms in known), key=_first, default=(0, 0, None)
    )
    if terms is not None and short_mc > 0:
        least = bare_tenths(needs_mc(requirement, terms), up=True)
        detail = _("The display must show {least} or more. The time starts again from zero.").format(least=least)
        return Said(Kind.OUT, _("Too cold: {temperature}").format(temperature=shown_tenths(mc)), detail)
    for mc, terms in known:
        most = most_mc(requirement, terms)
        if most is not None and mc > most:
            detail = _("The display may show {most} at most. The time starts again from zero.")
            warm = _("Too warm: {temperature}").format(temperature=shown_tenths(mc, up=True))
            return Said(Kind.OUT, warm, detail.format(most=bare_tenths(most)))
    return None


def _first(shortest: tuple[int, object, object]) -> int:
    return shortest[0]
