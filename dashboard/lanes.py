"""What the pages show of a look, as texts and few figures: rendered by the templates first, by the live script then."""

from __future__ import annotations

import msgspec

from collector.fault_words import NOT_READ, fault_words
from collector.read import BasinNow, StoredClosure
from dashboard.look import BasinSeen, Look
from dashboard.readiness_view import ready_line
from dashboard.say import Kind
from dashboard.when import SiteTime
from dashboard.words import counter, edge_words, needs_words, short_reason, together
from soak.closure import Verdict
from soak.quantity import in_words, tenths
from soak.rehearsal import Rehearsal
from soak.requirement import Requirement

BACKLOG_WORTH_SAYING = 300
"""Readings on their way that are no news: the last few seconds of every basin."""
_RIM_Y, _FLOOR_Y = 30.0, 124.5
_ROOM_FOR_COUNTER = 40.0
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


class Frame(msgspec.Struct, frozen=True):
    """What every page shows around its own.

    Attributes:
        live_at: Time of this state, to the second.
        rehearsal: What to say of a rehearsal, or empty.
        backlog_percent: How much has arrived, rounded down; None when there is nothing to say.
    """

    site: str
    day: str
    live_at: str
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
        site=look.site or "This site",
        day=when.day(look.now_ms),
        live_at=when.clock_seconds(look.now_ms),
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
    faster = f"Rehearsal: time runs {rehearsal.speed} times faster. " if rehearsal.speed > 1 else ""
    return f"{faster}Simulated basins, invented data."


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
        shows="" if decisive is None else "no temperature" if decisive.fault else decisive.shows,
        needs=decisive.needs if decisive else "",
        more="" if others < 1 else f"and {others} other sensor{'s' if others > 1 else ''}",
        sensors=sensors,
        latest=_latest(seen.latest, seen.now_ms, when) if seen.latest else None,
        heard=f"last reading {when.near(seen.now.at_utc_ms, seen.now_ms)}" if seen.now else "no reading yet",
        ready=ready.word,
        why=together(ready.why),
        besides=[together(text) for text in ready.besides],
        solution=together(ready.solution),
    )


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
            SensorLine(sensor, "not known now", needs_words(requirement, each) if requirement else "", fault=False)
            for sensor, each in sorted(terms.items())
        ]
    lines = []
    for sensor in sorted(terms.keys() | now.mc.keys()):
        needs = (
            needs_words(requirement, terms[sensor])
            if requirement and sensor in terms
            else "not required"
            if terms
            else "no requirement"
        )
        mc, fault = now.mc.get(sensor), now.fault.get(sensor)
        if mc is not None:
            lines.append(SensorLine(sensor, f"{tenths(mc)} °C", needs, fault=False))
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
    end = "opened" if closure.opening_seen else f"end {edge_words(closure.opening_edge).partition(':')[0]}"
    text = f"{end} {when.near(latest.last_utc_ms, now_ms)} after {in_words(closure.closed_ms)}"
    return LatestLine(latest.id, closure.verdict, together(short_reason(closure)), together(text))


def _ticks(requirement: Requirement | None) -> list[Tick]:
    if requirement is None:
        return []
    contact_s = requirement.contact_ms / 1000
    step_s = next((step for step in _TICK_STEPS_S if contact_s / step <= _MOST_TICKS), contact_s)
    every = 3 if contact_s / step_s > 5 else 1
    ticks = []
    for index in range(1, int(contact_s / step_s) + 1):
        minutes = index * step_s / 60
        label = f"{minutes:g}" if index % every == 0 else ""
        ticks.append(Tick(round(_FLOOR_Y - (_FLOOR_Y - _RIM_Y) * index * step_s / contact_s, 1), label))
    return ticks
