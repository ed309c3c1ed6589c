"""What the pages show of a look, as texts and few figures: rendered by the templates first, by the live script then."""

from __future__ import annotations

import functools

import msgspec

from collector.fault_words import NOT_READ, fault_words
from collector.read import BasinNow, StoredClosure
from dashboard.degrees import shown_tenths
from dashboard.look import BasinSeen, Look
from dashboard.readiness_view import IN_USE, ready_line
from dashboard.say import Kind
from dashboard.texts import N_, _, many
from dashboard.today.need import NEED_WORDS, Need, next_of
from dashboard.when import SiteTime
from dashboard.words import counter, needs_words, short_reason, together
from soak.closure import Verdict
from soak.quantity import in_words
from soak.rehearsal import Rehearsal
from soak.requirement import Requirement

BACKLOG_WORTH_SAYING = 300
"""Readings on their way that are no news: the last few seconds of every basin."""
_RIM_Y, _FLOOR_Y = 30.0, 124.5
_ROOM_FOR_COUNTER = 40.0
_LID_WORDS = {"open": N_("lid open"), "closed": N_("lid closed"), "unknown": N_("lid not known")}
_TICK_STEPS_S = (10, 30, 60, 300, 600, 1800, 3600)
_MOST_TICKS = 16


class SensorLine(msgspec.Struct, frozen=True):
    """One sensor in words: "21.3 °C", what it needs, or its fault."""

    sensor: str
    shows: str
    needs: str
    fault: bool


class LatestLine(msgspec.Struct, frozen=True):
    """The latest ended closure in words: its verdict, the reason in short or empty, and when."""

    id: int
    verdict: Verdict
    reason: str
    text: str


class Tick(msgspec.Struct, frozen=True):
    """A mark on the vessel's wall; `label` in minutes, empty for a small one."""

    y: float
    label: str


class Lane(msgspec.Struct, frozen=True):
    """One basin.

    Attributes:
        key: "node/name".
        lid: "open", "closed" or "unknown".
        counter: Time left as a clock shows it, or empty.
        surface_y: Where the level's surface is drawn.
        depth: How high the level is drawn.
        counter_y: Where the counter stands: in the liquid while there is room, else above it.
        shows: The temperature that decides, or empty.
        needs: What it must show, or empty.
        more: How many other sensors there are, in words, or empty.
        ready: "Ready", "Not ready" or "In use".
        why: The one thing that blocks, with its next step.
        besides: Everything else that blocks, and then what is to be said all the same.
        solution: The fill in it, its use-by and its last MEC test; empty if there is none.
        need: Whether it needs somebody: "now", "due", "soaking" or "nothing".
        need_word: The same as people read it.
        next: What is next, in a sentence.
        then: The next step, or the reason.
        href: Where that is done or explained.
        lid_word: "lid open", "lid closed" or "lid not known".
        since_ms: When the closure in progress began, milliseconds since 1970; None with the lid open.
        until_ms: When it will be complete, or the time now.
        level: Time proven without a break, in thousandths of the contact time.
        at_ms: When the newest reading was taken, milliseconds since 1970; None if there is none.
        at_mc: What its coldest sensor showed, corrected; None if none did.
        drawn: Changes when the day's blocks are to be drawn anew.
    """

    key: str
    label: str
    place: str
    kind: Kind
    headline: str
    detail: str
    lid: str
    counter: str
    surface_y: float
    depth: float
    counter_y: float
    rim: str
    ticks: list[Tick]
    shows: str
    needs: str
    more: str
    sensors: list[SensorLine]
    latest: LatestLine | None
    heard: str
    ready: str
    why: str
    besides: list[str]
    solution: str
    need: Need
    need_word: str
    next: str
    then: str
    href: str
    lid_word: str
    since_ms: int | None
    until_ms: int | None
    level: int
    at_ms: int | None
    at_mc: int | None
    drawn: str


class Frame(msgspec.Struct, frozen=True):
    """What every page shows around its own.

    Attributes:
        live_at: Time of this state, to the second.
        now_ms: The same, milliseconds since 1970, a whole second.
        rehearsal: What to say of a rehearsal, or empty.
        backlog_percent: How much has arrived, rounded down; None when there is nothing to say.
    """

    site: str
    day: str
    live_at: str
    now_ms: int
    rehearsal: str
    backlog_percent: int | None
    lanes: list[Lane]


Worded = dict[int, tuple[BasinSeen, "Lane"]]
"""What has been put into words already, by the basin's row."""


def frame(look: Look, when: SiteTime, rehearsal: Rehearsal | None, worded: Worded | None = None) -> Frame:
    """Put a look into words.

    Args:
        look: The look.
        when: Local time.
        rehearsal: Set in a rehearsal.
        worded: Kept by the caller from look to look: what has not changed since is taken from it.
    """
    speed = rehearsal.speed if rehearsal else 1
    worded = {} if worded is None else worded
    return Frame(
        site=look.site or _("This site"),
        day=when.day(look.now_ms),
        live_at=when.clock_seconds(look.now_ms),
        now_ms=look.now_ms // 1000 * 1000,
        rehearsal=rehearsal_words(rehearsal),
        backlog_percent=backlog_percent(look.backlog.arrived, look.backlog.expected, speed),
        lanes=[_worded(each, when, worded) for each in look.basins],
    )


def _worded(basin: BasinSeen, when: SiteTime, worded: Worded) -> Lane:
    known = worded.get(basin.seen.basin.id)
    if known is None or known[0] is not basin:
        known = worded[basin.seen.basin.id] = basin, lane(basin, when)
    return known[1]


def rehearsal_words(rehearsal: Rehearsal | None) -> str:
    """What every page says of a rehearsal; empty in earnest."""
    if rehearsal is None:
        return ""
    simulated = _("Simulated basins, invented data.")
    if rehearsal.speed == 1:
        return simulated
    return f"{_('Rehearsal: time runs {speed} times faster.').format(speed=rehearsal.speed)} {simulated}"


def backlog_percent(arrived: int, expected: int, speed: int) -> int | None:
    """How much of what the nodes hold has arrived, in whole per cent; None if it is as good as all."""
    if expected - arrived <= BACKLOG_WORTH_SAYING * speed:
        return None
    return arrived * 100 // expected


def lane(basin: BasinSeen, when: SiteTime) -> Lane:
    """Put one basin into words."""
    seen, said = basin.seen, basin.said
    known = seen.now if said.kind not in (Kind.UNHEARD, Kind.SILENT, Kind.BEHIND) else None
    sensors = _sensors(basin, known)
    decides = _deciding(basin, known)
    decisive = next((line for line in sensors if line.sensor == decides), None)
    others = len(sensors) - 1 if decisive else 0
    depth = round((_FLOOR_Y - _RIM_Y) * said.level / 1000, 1)
    requirement = _requirement(basin)
    ready = ready_line(basin.standing, seen.now_ms, when)
    following = next_of(basin, when)
    since_ms = _closed_since_ms(seen.now)
    return Lane(
        key=f"{seen.basin.node}/{seen.basin.name}",
        label=seen.basin.label,
        place=seen.basin.place,
        kind=said.kind,
        headline=together(said.headline),
        detail=together(said.detail),
        lid=known.lid.value if known else "unknown",
        counter="" if said.left_ms is None else counter(said.left_ms),
        surface_y=round(_FLOOR_Y - depth, 1),
        depth=depth,
        counter_y=round(_FLOOR_Y - depth / 2 + 10 if depth >= _ROOM_FOR_COUNTER else _FLOOR_Y - depth - 12, 1),
        rim=in_words(requirement.contact_ms) if requirement else "",
        ticks=_ticks(requirement),
        shows="" if decisive is None else _("no temperature") if decisive.fault else decisive.shows,
        needs=decisive.needs if decisive else "",
        more="" if others < 1 else many("and {n} other sensor", "and {n} other sensors", others).format(n=others),
        sensors=sensors,
        latest=_latest(seen.latest, seen.now_ms, when) if seen.latest else None,
        heard=_("last reading {time}").format(time=when.near(seen.now.at_utc_ms, seen.now_ms))
        if seen.now
        else _("no reading yet"),
        ready=ready.word,
        why=together(ready.why),
        besides=[together(text) for text in ready.besides],
        solution=together(ready.solution),
        need=following.need,
        need_word=_(NEED_WORDS[following.need]),
        next=together(following.sentence),
        then=together(following.why),
        href=following.href,
        lid_word=_(_LID_WORDS[known.lid.value if known else "unknown"]),
        since_ms=since_ms,
        until_ms=None if since_ms is None else max(said.ready_ms or 0, seen.now_ms),
        level=said.level,
        at_ms=known.at_utc_ms if known else None,
        at_mc=_coldest_mc(basin, known),
        drawn=_drawn(basin, since_ms),
    )


def _closed_since_ms(now: BasinNow | None) -> int | None:
    if now is None or now.closure is None:
        return None
    return now.at_utc_ms - now.ms + now.closure.closing_ms


def _coldest_mc(basin: BasinSeen, now: BasinNow | None) -> int | None:
    """As the day's line shows it: corrected, of the required sensors, or of any where none is required."""
    if now is None:
        return None
    terms = basin.seen.basin.sensors
    known = [
        mc + (terms[sensor].correction_mc if sensor in terms else 0)
        for sensor, mc in now.mc.items()
        if mc is not None and (not terms or sensor in terms)
    ]
    return min(known, default=None)


def _drawn(basin: BasinSeen, since_ms: int | None) -> str:
    """What the blocks and marks of a day depend on, but for what the live page draws by itself."""
    latest = basin.seen.latest.id if basin.seen.latest else 0
    load = any(each.rule == IN_USE for each in basin.standing.readiness.blocks)
    alarms = ",".join(each.id for each in basin.doings.alarms)
    return f"{latest}.{since_ms or 0}.{int(load)}.{len(basin.unassigned_ms)}.{alarms}"


def _requirement(basin: BasinSeen) -> Requirement | None:
    """The one in force: of the closure in progress, else of the next."""
    now = basin.seen.now
    if now and now.closure and now.closure.requirement:
        return now.closure.requirement
    return basin.seen.basin.requirement


def _sensors(basin: BasinSeen, now: BasinNow | None) -> list[SensorLine]:
    terms, requirement = basin.seen.basin.sensors, _requirement(basin)
    if now is None:
        return [
            SensorLine(sensor, _("not known now"), needs_words(requirement, each) if requirement else "", fault=False)
            for sensor, each in sorted(terms.items())
        ]
    lines = []
    for sensor in sorted(terms.keys() | now.mc.keys()):
        needs = (
            needs_words(requirement, terms[sensor])
            if requirement and sensor in terms
            else _("not required")
            if terms
            else _("no requirement")
        )
        mc, fault = now.mc.get(sensor), now.fault.get(sensor)
        if mc is not None:
            lines.append(SensorLine(sensor, shown_tenths(mc), needs, fault=False))
        else:
            lines.append(SensorLine(sensor, fault_words(fault.code) if fault else NOT_READ, needs, fault=True))
    return lines


def _deciding(basin: BasinSeen, now: BasinNow | None) -> str | None:
    """The sensor with the least margin; one without a value comes first."""
    if now is None:
        return None
    terms = basin.seen.basin.sensors

    def margin(sensor: str) -> tuple[bool, int]:
        mc, each = now.mc.get(sensor), terms.get(sensor)
        return mc is not None, (mc or 0) + (each.correction_mc - each.u_mc if each else 0)

    return min(terms or sorted(now.mc), key=margin, default=None)


def _latest(latest: StoredClosure, now_ms: int, when: SiteTime) -> LatestLine:
    closure = latest.closure
    end = _("opened") if closure.opening_seen else _("end not seen")
    text = _("{end} {time} after {duration}").format(
        end=end, time=when.near(latest.last_utc_ms, now_ms), duration=in_words(closure.closed_ms)
    )
    return LatestLine(latest.id, closure.verdict, together(short_reason(closure)), together(text))


def _ticks(requirement: Requirement | None) -> list[Tick]:
    return [] if requirement is None else _ticks_of(requirement.contact_ms)


@functools.cache
def _ticks_of(contact_ms: int) -> list[Tick]:
    contact_s = contact_ms / 1000
    step_s = next((step for step in _TICK_STEPS_S if contact_s / step <= _MOST_TICKS), contact_s)
    every = 3 if contact_s / step_s > 5 else 1
    ticks = []
    for index in range(1, int(contact_s / step_s) + 1):
        minutes = index * step_s / 60
        label = f"{minutes:g}" if index % every == 0 else ""
        ticks.append(Tick(round(_FLOOR_Y - (_FLOOR_Y - _RIM_Y) * index * step_s / contact_s, 1), label))
    return ticks
