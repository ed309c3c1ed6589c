"""What `/api/statistics` answers with. Units are in the names: `_ms` milliseconds, `_mc` millidegrees Celsius.

Shares are from 0 to 1. Control limits are computed from the groups that are shown. No person is named or counted.
"""

from __future__ import annotations

import msgspec


class GroupBody(msgspec.Struct, frozen=True):
    """One local day or week ("2026-03-03", "2026-W10") and its soaks; each belongs to the day of its closing."""

    group: str
    label: str
    short: str
    since_ms: int
    until_ms: int
    soaks: int
    met: int
    not_met: int
    unproven: int


class BasinCountsBody(msgspec.Struct, frozen=True):
    """One basin's soaks.

    Attributes:
        soaks_by_group: In the order of `groups`.
        per_day: Soaks for each day of the range so far.
    """

    basin: str
    label: str
    place: str
    soaks: int
    met: int
    not_met: int
    unproven: int
    per_day: float
    soaks_by_group: list[int]


class ApartBody(msgspec.Struct, frozen=True):
    """Closures that were not counted as soaks.

    Attributes:
        opening_said: Opened to add a device, said first: the time began again, which is no failure.
        after_met: The lid was put on again over a load that had met.
        unassigned: No load was in them, a minute or more.
        unassigned_met: As many of those would have met.
        in_passing: No load was in them, under a minute.
    """

    opening_said: int
    after_met: int
    unassigned: int
    unassigned_met: int
    in_passing: int


class SharePointBody(msgspec.Struct, frozen=True):
    """One group of the p chart; nulls where there was no soak. `outside`: "above", "below", or null inside."""

    group: str
    n: int
    failed: int
    share: float | None
    lower: float | None
    upper: float | None
    outside: str | None


class ShareBody(msgspec.Struct, frozen=True):
    """p chart of the share that was not met or unproven (NIST/SEMATECH e-Handbook 6.3.3.2).

    Attributes:
        mean: Share of all groups together, the centre line.
        provisional: Limits rest on fewer groups than they should.
        cautions: What this chart cannot say.
    """

    finding: str
    soaks: int
    failed: int
    mean: float | None
    provisional: bool
    cautions: list[str]
    points: list[SharePointBody]


class MarginPointBody(msgspec.Struct, frozen=True):
    """The margins of one group, in the unit of the chart; `outside` is the median's place beside the limits."""

    group: str
    n: int
    lowest: int | None
    median: int | None
    highest: int | None
    outside: str | None


class MarginBody(msgspec.Struct, frozen=True):
    """Margins of all soaks, and the individuals chart of the groups' medians (NIST/SEMATECH e-Handbook 6.3.2.2).

    Attributes:
        unit: "ms", or "mc": of every figure here.
        soaks: Soaks with this figure.
        without: Soaks without it: nothing was required, or no value.
        p10: One of ten is at or below it, by nearest rank.
        below_zero: Soaks with less than was asked.
        mean: Centre line: mean of the medians.
        mean_moving_range: Mean difference between neighbouring medians.
        lower: Lower limit.
        upper: Upper limit.
    """

    finding: str
    unit: str
    soaks: int
    without: int
    lowest: int | None
    p10: int | None
    median: int | None
    highest: int | None
    below_zero: int
    mean: float | None
    mean_moving_range: float | None
    lower: float | None
    upper: float | None
    provisional: bool
    cautions: list[str]
    points: list[MarginPointBody]


class BarBody(msgspec.Struct, frozen=True):
    """Waits of at least `from_ms` and less than `until_ms` (null: without end)."""

    label: str
    from_ms: int
    until_ms: int | None
    count: int


class ReleaseBody(msgspec.Struct, frozen=True):
    """Rounds whose soak met in the range: from met at the latest until release, and what became of the others.

    Attributes:
        rounds: All of them.
        released: Those with a release.
        median_ms: By nearest rank.
        p90_ms: Nine of ten were released within it, by nearest rank.
        used_unreleased: Used without release.
        quarantined: In quarantine.
        ended: Begun again without release.
        waiting: Not released yet.
    """

    finding: str
    rounds: int
    released: int
    median_ms: int | None
    p90_ms: int | None
    longest_ms: int | None
    used_unreleased: int
    quarantined: int
    ended: int
    waiting: int
    bars: list[BarBody]


class ResponseBody(msgspec.Struct, frozen=True):
    """Alarms of one priority ("all": of all): from raised to seen, of those seen while they stood."""

    priority: str
    raised: int
    seen: int
    median_ms: int | None
    p90_ms: int | None
    ended_unseen: int
    not_seen_yet: int


class AlarmsBody(msgspec.Struct, frozen=True):
    """How soon alarms were seen; `late`: raised when their cause was long over, counted apart."""

    finding: str
    by_priority: list[ResponseBody]
    late: int


class FailureBody(msgspec.Struct, frozen=True):
    """A soak that was not met or unproven, and what the record says was done.

    Attributes:
        closure: Its row: the page is /closures/{closure}.
        reason: The nearest cause in a word or two.
        became: What became of the devices, and how many.
        texts: What was written of what was done; none that names a person.
        withheld: Texts that name a person; they stand on the soak's page.
    """

    closure: int
    closed_at: str
    closed_at_ms: int
    basin: str
    label: str
    verdict: str
    reason: str
    credited_ms: int
    contact_ms: int | None
    load: str
    became: dict[str, int]
    texts: list[str]
    withheld: int
    on_record: bool


class FailuresBody(msgspec.Struct, frozen=True):
    """Soaks that failed, newest first."""

    finding: str
    total: int
    with_action: int
    failures: list[FailureBody]


class StatisticsBody(msgspec.Struct, frozen=True):
    """Statistics of a range of local days.

    Attributes:
        since: First millisecond, with the site's offset.
        until: End, exclusive.
        first_day: First local day.
        last_day: Last local day, which belongs to the range.
        basins_asked: As "node/name".
        counted: "soaks", or "closures": every one of a minute or more.
        step: "day" or "week".
        finding: How many soaks, in a sentence.
        apart: What was not counted.
        time: Time proven beyond the contact time, milliseconds.
        allowance: By how much all sensors could be lowered with the soak still met, millidegrees; U is counted in.
        coldest: Coldest corrected temperature beyond the minimum, millidegrees; U is not counted in.
    """

    since: str
    since_ms: int
    until: str
    until_ms: int
    first_day: str
    last_day: str
    basins_asked: list[str]
    counted: str
    step: str
    finding: str
    soaks: int
    met: int
    not_met: int
    unproven: int
    apart: ApartBody
    groups: list[GroupBody]
    by_basin: list[BasinCountsBody]
    share: ShareBody
    time: MarginBody
    allowance: MarginBody
    coldest: MarginBody
    release: ReleaseBody
    alarms: AlarmsBody
    failures: FailuresBody
