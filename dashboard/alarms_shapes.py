"""What the API answers about alarms."""

from __future__ import annotations

import msgspec

from soak.alarms import Priority


class SeenBody(msgspec.Struct, frozen=True):
    """Who saw an alarm first, when, and what was done."""

    by: str
    at: str
    at_ms: int
    done: str


class AlarmBody(msgspec.Struct, frozen=True):
    """One alarm.

    Attributes:
        code: Its kind.
        name: Its kind in words.
        todo: What to do next.
        about: What it is about: a basin, a closure, a fill, a node, "site".
        basin: As "node/name", or empty.
        label: What the basin is called.
        evidence: What it rests on, by name.
        cause_at: When its cause began.
        late: Its cause was long over when it was raised.
        risen_at_ms: When it became more urgent because nobody acted.
        told: How far down the list of people it has gone; `life` names them.
        silenced: Its sound is off now.
        standing: It has not ended.
    """

    id: str
    code: str
    priority: Priority
    name: str
    todo: str
    text: str
    about: str
    basin: str
    label: str
    evidence: dict[str, str]
    cause_at: str
    cause_at_ms: int
    raised_at: str
    raised_at_ms: int
    late: bool
    risen_at_ms: int | None
    told: int
    told_at_ms: int | None
    seen: SeenBody | None
    silenced: bool
    silenced_until_ms: int | None
    cleared_at_ms: int | None
    ended_at_ms: int | None
    standing: bool


class AlarmsBody(msgspec.Struct, frozen=True):
    """Alarms: what stands, most urgent first; or all, newest first.

    Attributes:
        total: How many stand, or how many there are in the range.
    """

    now: str
    now_ms: int
    total: int
    limit: int
    offset: int
    alarms: list[AlarmBody]


class StepBody(msgspec.Struct, frozen=True):
    """One step in an alarm's life, and the ledger's record that says so."""

    number: int
    at: str
    at_ms: int
    who: str
    text: str


class AlarmLifeBody(msgspec.Struct, frozen=True):
    """One alarm and its life, oldest first."""

    alarm: AlarmBody
    life: list[StepBody]


class CountsBody(msgspec.Struct, frozen=True):
    """How many alarms by priority, their total, and the late ones, which are in no other figure."""

    high: int
    medium: int
    low: int
    total: int
    late: int


class ShiftBody(msgspec.Struct, frozen=True):
    """The alarms of one shift, or of the part of it that is in the range.

    Attributes:
        by_basin: By basin as "node/name"; "" for what concerns none.
        per_10_min: Average per ten minutes and operator.
        most_in_10_min: Most within ten minutes, for each operator.
    """

    day: str
    name: str
    since: str
    since_ms: int
    until: str
    until_ms: int
    counts: CountsBody
    by_basin: dict[str, CountsBody]
    per_10_min: float
    most_in_10_min: float


class SeenTimesBody(msgspec.Struct, frozen=True):
    """How soon alarms were seen; never by person.

    Attributes:
        seen: How many somebody saw while they stood; the times are of these, by nearest rank.
        ended_unseen: Over before anybody saw them.
        not_seen_yet: They stand, and nobody has seen them.
    """

    seen: int
    median_ms: int | None
    p90_ms: int | None
    ended_unseen: int
    not_seen_yet: int


class FrequentBody(msgspec.Struct, frozen=True):
    """One kind of alarm at one basin: how often, and its share of all in per cent."""

    code: str
    name: str
    basin: str
    times: int
    share_percent: int


class StandingBody(msgspec.Struct, frozen=True):
    """An alarm that stands now, and for how long."""

    id: str
    code: str
    for_ms: int


class BenchmarkBody(msgspec.Struct, frozen=True):
    """A published figure and where it comes from."""

    metric: str
    text: str
    source: str


class LoadBody(msgspec.Struct, frozen=True):
    """The alarm load of a range.

    Attributes:
        caution: What the benchmarks are worth here.
    """

    since: str
    since_ms: int
    until: str
    until_ms: int
    operators: int
    counts: CountsBody
    per_10_min: float
    most_in_10_min: float
    shifts: list[ShiftBody]
    seen: dict[str, SeenTimesBody]
    frequent: list[FrequentBody]
    standing: list[StandingBody]
    benchmarks: list[BenchmarkBody]
    caution: str
