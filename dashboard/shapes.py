"""What the HTTP API answers with. Units are in the names: `_ms` milliseconds, `_mc` millidegrees Celsius.

Times come twice: `…_at` for people and logs (RFC 3339 with the site's offset), `…_at_ms` for programs (milliseconds
since 1970).
"""

from __future__ import annotations

from typing import Any

import msgspec

from collector.read import Basin, NodeNow, StoredClosure
from dashboard.say import Kind
from dashboard.when import SiteTime
from dashboard.words import short_reason
from soak.closure import Closure, Edge, Verdict
from soak.reading import Lid
from soak.requirement import Requirement


class FindingBody(msgspec.Struct, frozen=True):
    """Why a verdict is what it is. `numbers` are the figures behind the text, units in their names."""

    code: str
    text: str
    at: str | None
    at_ms: int | None
    numbers: dict[str, int]


class RequirementBody(msgspec.Struct, frozen=True):
    """What the label asks of one soak; `max_mc` only where it prints a maximum."""

    min_mc: int
    max_mc: int | None
    contact_ms: int
    max_gap_ms: int


class ClosureBody(msgspec.Struct, frozen=True):
    """One unbroken time with the lid closed, and what it is worth.

    Attributes:
        id: Its row; null while it is running.
        reason: Why it is not met, the nearest cause in a word or two; empty for one that is met or running.
        closed_at: Time of its first reading.
        last_at: Time of its last reading.
        opened_at: Time of the open reading that ended it; null if nobody saw the lid open, or it is running.
        clock_synced: The node's wall clock was synchronised: the times of day can be trusted. Durations always can.
        dated_back_ms: How long after the closing the node's clock was set that dates it; null: the clock that came with
            the readings does.
        credited_ms: Longest time proven without a break.
        coldest_mc: Lowest corrected temperature.
        allowance_mc: By how much all sensors could be lowered with the soak still met.
        superseded_by: The later assessment that took its place.
    """

    id: int | None
    node: str
    basin: str
    label: str
    verdict: Verdict
    reason: str
    closed_at: str
    closed_at_ms: int
    last_at: str
    last_at_ms: int
    opened_at: str | None
    opened_at_ms: int | None
    closing: Edge
    opening: Edge
    clock_synced: bool
    dated_back_ms: int | None
    closed_ms: int
    credited_ms: int
    unknown_ms: int
    out_ms: int
    coldest_mc: int | None
    hottest_mc: int | None
    allowance_mc: int | None
    sensor_allowances_mc: dict[str, int | None]
    readings: int
    known: int
    lost_before: int
    lost_after: int
    faults: dict[str, int]
    requirement: RequirementBody | None
    findings: list[FindingBody]
    assessed_at: str | None
    assessed_at_ms: int | None
    superseded_by: int | None


class SensorBody(msgspec.Struct, frozen=True):
    """One sensor: what it indicates now, what it must indicate, and what is wrong with it."""

    sensor: str
    required: bool
    indicated_mc: int | None
    fault: str | None
    u_mc: int | None
    correction_mc: int | None
    needs_mc: int | None


class BasinBody(msgspec.Struct, frozen=True):
    """A basin now.

    Attributes:
        kind: What is going on, in a word.
        headline: What is going on, in a sentence.
        detail: What to do next, or why.
        heard_at: Time of its newest reading.
        silent_ms: How long nothing new has come.
        clock_synced: The node's wall clock is synchronised.
        unbroken_ms: Time proven without a break up to now.
        ready_at: When the contact time will be complete, if nothing breaks it.
        running: The closure in progress.
        latest: The latest closure that ended; one of under a minute only if there is no other lately.
    """

    node: str
    basin: str
    label: str
    place: str
    requirement: RequirementBody | None
    kind: Kind
    headline: str
    detail: str
    lid: Lid | None
    heard_at: str | None
    heard_at_ms: int | None
    silent_ms: int | None
    clock_synced: bool | None
    unbroken_ms: int
    ready_at: str | None
    ready_at_ms: int | None
    sensors: list[SensorBody]
    running: ClosureBody | None
    latest: ClosureBody | None


class BasinsBody(msgspec.Struct, frozen=True):
    """Every basin now."""

    now: str
    now_ms: int
    basins: list[BasinBody]


class ClosuresBody(msgspec.Struct, frozen=True):
    """A page of closures, newest first, and how many there are by verdict (with the same basin and times)."""

    total: int
    by_verdict: dict[str, int]
    limit: int
    offset: int
    closures: list[ClosureBody]


class SensorTrend(msgspec.Struct, frozen=True):
    """A sensor's line: corrected temperatures; null breaks the line where something is missing.

    Attributes:
        correction_mc: At the end of the range; each temperature is corrected by what was in force at its time.
        after_ms: Times, milliseconds after the range's begin.
        corrected_mc: Indicated plus correction, as it is judged.
        lowest_mc: Lowest of the minutes or half hours that touch the range, null if there is no value.
        highest_mc: Highest of them.
    """

    sensor: str
    correction_mc: int
    u_mc: int | None
    after_ms: list[int]
    corrected_mc: list[int | None]
    lowest_mc: int | None
    highest_mc: int | None


class LimitBody(msgspec.Struct, frozen=True):
    """What was required in a part of the range; counted is what is at least `min_mc` plus `u_mc`.

    Attributes:
        from_ms: Begin, milliseconds after the range's begin.
        until_ms: End, likewise.
        u_mc: The largest expanded uncertainty (k = 2) of the basin's sensors then.
    """

    from_ms: int
    until_ms: int
    min_mc: int
    max_mc: int | None
    u_mc: int


class BlocksBody(msgspec.Struct):
    """Closures of one verdict in columns; neighbours too close for any screen are one block.

    Attributes:
        quiet: Those of over an hour or under a minute: a basin standing by, a lid put down in passing.
        after_ms: Begin of each block, milliseconds after the range's begin.
        length_ms: How long it is.
        count: How many closures it is.
        id: The last of them.
    """

    verdict: Verdict
    quiet: bool
    after_ms: list[int] = []
    length_ms: list[int] = []
    count: list[int] = []
    id: list[int] = []


class MarkBody(msgspec.Struct):
    """An alarm that was raised, a sensor check or a thermometer check.

    Attributes:
        kind: "alarm", "sensor check" or "thermometer check".
        after_ms: When, milliseconds after the range's begin.
        page: Where it stands.
        count: How many of one kind and priority this is: those that follow close together are one mark.
        priority: Of an alarm.
        text: What the alarm is.
        sensor: Which was checked.
        read_mc: What the thermometer showed.
        indicated_mc: What the sensors indicated then.
    """

    kind: str
    after_ms: int
    page: str
    count: int = 1
    priority: str | None = None
    text: str = ""
    sensor: str = ""
    read_mc: int | None = None
    indicated_mc: int | None = None


class TrendBody(msgspec.Struct, frozen=True):
    """A basin's course.

    Attributes:
        source: "readings", every one looked at; or "minutes" or "half hours", the lowest and highest of each.
        offsets: From when on which offset from UTC holds at the site, both in milliseconds.
        requirement: What is required now.
        limits: What was required in the range, oldest first.
        lid_open: When the lid was open: begin, after the range's begin, and length, in milliseconds.
        blocks: All closures that ended, by verdict.
        closures: Closures that touch the range in full, newest first, the one in progress with them; where they are too
            many, only that one.
        closures_left_out: How many of them are given as blocks only.
        marks: Alarms and checks.
    """

    node: str
    basin: str
    since_ms: int
    until_ms: int
    source: str
    offsets: list[tuple[int, int]]
    requirement: RequirementBody | None
    limits: list[LimitBody]
    sensors: list[SensorTrend]
    lid_open: list[tuple[int, int]]
    blocks: list[BlocksBody]
    closures: list[ClosureBody]
    closures_left_out: int
    marks: list[MarkBody]


class NodeBody(msgspec.Struct, frozen=True):
    """A node as last heard of; `outbox` is how many readings it holds that the collector has not confirmed."""

    node: str
    up: bool
    heard_at: str
    heard_at_ms: int
    version: str
    outbox: int
    clock_synced: bool | None


class BacklogBody(msgspec.Struct, frozen=True):
    """How many of the readings that the nodes hold have arrived."""

    arrived: int
    expected: int


class ConditionBody(msgspec.Struct, frozen=True):
    """Something that is wrong at present: a code, whom it concerns, the whole text, and since when."""

    code: str
    subject: str
    text: str
    since: str
    since_ms: int


class SiteBody(msgspec.Struct, frozen=True):
    """The site, its nodes, and what could not be taken in (by reason, since the beginning).

    Attributes:
        rehearsal_speed: Rehearsal seconds per real second; null in earnest.
        not_stored: Why nothing new is stored at present; empty while all is well.
        conditions: What the collector says is wrong.
    """

    site: str
    version: str
    now: str
    now_ms: int
    rehearsal_speed: int | None
    basins: int
    backlog: BacklogBody
    nodes: list[NodeBody]
    parked: dict[str, int]
    not_stored: str
    conditions: list[ConditionBody]


class HealthBody(msgspec.Struct, frozen=True):
    """Whether soaks are being recorded. No figure of a soak, nobody's name.

    Attributes:
        status: "ok", or "failing": new readings are not stored at present, or nobody can see them.
        collector: "running", or "not running": it has said nothing for ten seconds, or said that it was stopped.
        store: "ready", "no data yet" or "unreadable".
        storing: The collector runs and nothing keeps it from storing.
        heartbeat_age_ms: Since the collector last said how it is; null where that is not known.
        stored_age_ms: Since it last stored anything; null if nothing was since its start.
        newest_reading_age_ms: Age of the newest reading of any basin; null where there is none.
        conditions: Codes of what the collector says is wrong, each once.
    """

    status: str
    collector: str
    store: str
    storing: bool
    heartbeat_age_ms: int | None
    stored_age_ms: int | None
    newest_reading_age_ms: int | None
    conditions: list[str]


class ProblemBody(msgspec.Struct, frozen=True):
    """What went wrong and what would be right."""

    status: int
    text: str


def requirement_body(requirement: Requirement | None) -> RequirementBody | None:
    """A requirement as the API gives it."""
    if requirement is None:
        return None
    return RequirementBody(requirement.min_mc, requirement.max_mc, requirement.contact_ms, requirement.max_gap_ms)


def stored_body(stored: StoredClosure, basin: Basin, when: SiteTime) -> ClosureBody:
    """An ended closure as the API gives it."""
    offset_ms = stored.closing_utc_ms - stored.closure.closing_ms
    return closure_body(
        stored.closure,
        basin,
        when,
        offset_ms,
        clock_synced=stored.clock_synced,
        id=stored.id,
        dated_back_ms=stored.dated_back_ms,
        assessed_at=when.rfc3339(stored.assessed_ms),
        assessed_at_ms=stored.assessed_ms,
        superseded_by=stored.superseded_by,
    )


def closure_body(
    closure: Closure, basin: Basin, when: SiteTime, offset_ms: int, *, clock_synced: bool, **stored: Any
) -> ClosureBody:
    """A closure as the API gives it; `offset_ms` is the wall clock minus the node's uninterrupted clock."""
    opened_ms = None if closure.opening_ms is None else closure.opening_ms + offset_ms
    row: dict[str, Any] = (
        dict.fromkeys(("id", "assessed_at", "assessed_at_ms", "superseded_by", "dated_back_ms")) | stored
    )
    return ClosureBody(
        node=basin.node,
        basin=basin.name,
        label=basin.label,
        verdict=closure.verdict,
        reason=short_reason(closure),
        closed_at=when.rfc3339(closure.closing_ms + offset_ms),
        closed_at_ms=closure.closing_ms + offset_ms,
        last_at=when.rfc3339(closure.last_ms + offset_ms),
        last_at_ms=closure.last_ms + offset_ms,
        opened_at=None if opened_ms is None else when.rfc3339(opened_ms),
        opened_at_ms=opened_ms,
        closing=closure.closing_edge,
        opening=closure.opening_edge,
        clock_synced=clock_synced,
        closed_ms=closure.closed_ms,
        credited_ms=closure.credited_ms,
        unknown_ms=closure.unknown_ms,
        out_ms=closure.out_ms,
        coldest_mc=closure.coldest_mc,
        hottest_mc=closure.hottest_mc,
        allowance_mc=closure.allowance_mc,
        sensor_allowances_mc=closure.sensor_allowances_mc,
        readings=closure.readings,
        known=closure.known,
        lost_before=closure.lost_before,
        lost_after=closure.lost_after,
        faults=closure.faults,
        requirement=requirement_body(closure.requirement),
        findings=[
            FindingBody(
                finding.code,
                finding.text,
                None if finding.at_ms is None else when.rfc3339(finding.at_ms + offset_ms),
                None if finding.at_ms is None else finding.at_ms + offset_ms,
                finding.numbers,
            )
            for finding in closure.findings
        ],
        **row,
    )


def node_body(node: NodeNow, when: SiteTime) -> NodeBody:
    """A node as the API gives it."""
    state = node.state
    return NodeBody(
        node=node.node,
        up=node.up,
        heard_at=when.rfc3339(node.heard_ms),
        heard_at_ms=node.heard_ms,
        version=state.version,
        outbox=state.outbox,
        clock_synced=state.clock.synced if state.clock else None,
    )
