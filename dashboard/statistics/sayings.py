"""What the figures say, in sentences: they carry the meaning, plots and tables show it. Pure but for the language."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from collector.counting.counts import Counts
from collector.counting.failures import Became
from collector.counting.groups import Step
from collector.counting.responses import Response, Responses, Rounds
from dashboard.statistics.asked import CLOSURES
from dashboard.statistics.charts import FEWEST_EXPECTED, FEWEST_GROUPS, PChart
from dashboard.statistics.margins import Margins
from dashboard.statistics.shapes import BasinCountsBody
from dashboard.statistics.spelled import degrees, lasted, percent, thousands
from dashboard.texts import N_, _, many

_NAMED = 5
"""So many groups outside their limits are named in a sentence; the table marks all."""

SOURCE_GROUPS = N_("The Health Care Data Guide, p. 155, asks for 20 to 30: published, seen at second hand")
BECAME = {
    Became.MET_LATER: N_("met in a later closure of its load"),
    Became.QUARANTINED: N_("in quarantine"),
    Became.UNRELEASED: N_("used without release"),
    Became.AGAIN: N_("begun again"),
    Became.OPEN: N_("not settled yet"),
}
OUTSIDE = {"above": N_("above its limit"), "below": N_("below its limit")}


class Shown(NamedTuple):
    """How figures are shown: what counts, by day or week, and what the days or weeks are called."""

    counted: str
    step: Step
    labels: Sequence[str]

    def things(self, count: int) -> str:
        """So many soaks, or closures where every one is counted."""
        if self.counted == CLOSURES:
            return many("{n} closure", "{n} closures", count).format(n=thousands(count))
        return many("{n} soak", "{n} soaks", count).format(n=thousands(count))


def of_counts(counts: Counts, days: int, shown: Shown) -> str:
    """How many soaks, and what they were worth."""
    if not counts.total:
        return _("No soak is on record in this range.")
    within = many("{n} day", "{n} days", days).format(n=days)
    parts = _("{met} met, {not_met} not met, {unproven} unproven").format(
        met=thousands(counts.met), not_met=thousands(counts.not_met), unproven=thousands(counts.unproven)
    )
    return _("{soaks} in {days}: {parts}.").format(soaks=shown.things(counts.total), days=within, parts=parts)


def of_basins(basins: Sequence[BasinCountsBody]) -> str:
    """How soaks were spread over the basins."""
    used = [each.soaks for each in basins if each.soaks]
    said = many("{used} of {n} basin had any", "{used} of {n} basins had any", len(basins))
    text = said.format(used=len(used), n=len(basins))
    if len(used) < 2:
        return f"{text}."
    return _("{text}: from {least} to {most} in the range.").format(
        text=text, least=thousands(min(used)), most=thousands(max(used))
    )


def of_share(chart: PChart, shown: Shown) -> str:
    """What failed of all, and whether its share stayed inside its limits."""
    if chart.mean is None:
        return _("No soak is on record in this range, so there is no share.")
    said = many(
        "{failed} of {soaks} was not met or unproven ({percent})",
        "{failed} of {soaks} were not met or unproven ({percent})",
        chart.failed,
    ).format(failed=thousands(chart.failed), soaks=shown.things(chart.n), percent=percent(chart.mean))
    outside = [(place, each.outside.value) for place, each in enumerate(chart.points) if each.outside]
    if outside:
        return _("{said}; {outside}").format(said=said, outside=_outside(outside, shown))
    if sum(each.share is not None for each in chart.points) < 2:
        return _("{said}; one point alone has nothing to be compared with.").format(said=said)
    return _("{said}; the share stayed inside its limits.").format(said=said)


def _outside(outside: Sequence[tuple[int, str]], shown: Shown) -> str:
    if shown.step is Step.DAY:
        count = many("{n} day was outside its limits", "{n} days were outside their limits", len(outside))
    else:
        count = many("{n} week was outside its limits", "{n} weeks were outside their limits", len(outside))
    named = "; ".join(f"{shown.labels[place]} {_(OUTSIDE[where])}" for place, where in outside[-_NAMED:])
    more = _("; the table marks all") if len(outside) > _NAMED else ""
    return f"{count.format(n=len(outside))}: {named}{more}."


def of_time(margins: Margins, shown: Shown) -> str:
    """How long beyond the contact time."""
    median_ms = margins.all.median
    if median_ms is None:
        return _("Nothing with a required contact time is on record in this range.")
    text = (
        _("Half of {soaks} were proven for {median} or more beyond the contact time; {below} did not reach it.")
        if median_ms >= 0
        else _("Half of {soaks} fell short of the contact time by {median} or more; {below} did not reach it.")
    )
    return _margin(text, lasted(abs(median_ms)), margins, shown)


def of_allowance(margins: Margins, shown: Shown) -> str:
    """How much colder it might have been."""
    median_mc = margins.all.median
    if median_mc is None:
        return _("Nothing has a temperature allowance in this range: no temperature was known for long enough.")
    text = (
        _("Half of {soaks} could have been {median} colder or more and still be met; the least is {lowest}.")
        if median_mc >= 0
        else _("Half of {soaks} were {median} or more too cold to be met; the least is {lowest}.")
    )
    return _margin(text, degrees(abs(median_mc)), margins, shown)


def of_coldest(margins: Margins, shown: Shown) -> str:
    """How far the coldest reading was from the minimum."""
    median_mc = margins.all.median
    if median_mc is None:
        return _("Nothing with a required temperature and a value is on record in this range.")
    text = (
        _("Half of {soaks} stayed {median} or more above the minimum all the time; {below} went below it.")
        if median_mc >= 0
        else _("Half of {soaks} went {median} or more below the minimum; {below} went below it.")
    )
    return _margin(text, degrees(abs(median_mc)), margins, shown)


def _margin(text: str, median: str, margins: Margins, shown: Shown) -> str:
    said = text.format(
        soaks=shown.things(margins.all.n),
        median=median,
        below=thousands(margins.all.below_zero),
        lowest=degrees(margins.all.lowest),
    )
    if margins.chart.upper is None:
        return f"{said} {_('One point alone has no limits.')}"
    if outside := margins.outside():
        return f"{said} {_('Of the medians, {outside}').format(outside=_outside(outside, shown))}"
    return f"{said} {_('The medians stayed inside their limits.')}"


def few_groups(groups: int, step: Step) -> str:
    """That limits are provisional, and by which source; empty where there are enough groups."""
    if groups >= FEWEST_GROUPS:
        return ""
    if step is Step.DAY:
        said = many("they rest on {n} day", "they rest on {n} days", groups)
    else:
        said = many("they rest on {n} week", "they rest on {n} weeks", groups)
    text = _("The limits are provisional: {said}. {source}.")
    return text.format(said=said.format(n=groups), source=_(SOURCE_GROUPS))


def share_cautions(chart: PChart, sizes: Sequence[int], step: Step) -> list[str]:
    """What the p chart cannot say."""
    filled = [each for each in sizes if each]
    found = [few_groups(len(filled), step)] if filled else []
    small = sum(each * (chart.mean or 0) < FEWEST_EXPECTED for each in filled)
    if filled and small:
        found.append(
            _(
                "In {small} of {n} groups fewer than {least} failures were to be expected, so that a single one may "
                "lie outside its limits, and none below (common practice; from memory, not verified). Look at each "
                "failure by itself."
            ).format(small=small, n=len(filled), least=FEWEST_EXPECTED)
        )
    return [each for each in found if each]


def margin_cautions(margins: Margins, shown: Shown) -> list[str]:
    """What an individuals chart of medians cannot say."""
    filled = sum(bool(each.n) for each in margins.by_group)
    found = [few_groups(filled, shown.step)] if filled else []
    if margins.without:
        found.append(
            many(
                "{soaks} has no such figure: nothing was required, or no temperature was known for long enough.",
                "{soaks} have no such figure: nothing was required, or no temperature was known for long enough.",
                margins.without,
            ).format(soaks=shown.things(margins.without))
        )
    return [each for each in found if each]


def of_release(rounds: Rounds) -> str:
    """How soon devices were released after their soak had met."""
    if not rounds.total:
        return _("No round of a device met in this range.")
    waits = rounds.waits
    if not waits.n:
        return many(
            "{n} round of a device met; it has no release on record.",
            "{n} rounds of devices met; none has a release on record.",
            rounds.total,
        ).format(n=thousands(rounds.total))
    return many(
        "Of {n} rounds that met, {released} was released, {median} later.",
        "Of {n} rounds that met, {released} were released: half of them within {median}, nine of ten within {p90}.",
        waits.n,
    ).format(
        n=thousands(rounds.total),
        released=thousands(waits.n),
        median=lasted(waits.median_ms),
        p90=lasted(waits.p90_ms),
    )


def of_alarms(found: Responses) -> str:
    """How soon alarms were seen."""
    everything: Response = found.by_priority[-1]
    if not everything.raised:
        return _("No alarm was raised in this range.")
    if not everything.times.seen:
        return many(
            "{n} alarm was raised; nobody has seen it while it stood.",
            "{n} alarms were raised; nobody has seen one while it stood.",
            everything.raised,
        ).format(n=thousands(everything.raised))
    return many(
        "Of {n} alarms, {seen} was seen while it stood, after {median}.",
        "Of {n} alarms, {seen} were seen while they stood: half of them within {median}, nine of ten within {p90}.",
        everything.times.seen,
    ).format(
        n=thousands(everything.raised),
        seen=thousands(everything.times.seen),
        median=lasted(everything.times.median_ms),
        p90=lasted(everything.times.p90_ms),
    )


def of_failures(total: int, with_action: int, shown: Shown) -> str:
    """How many failed, and for how many the record says what was done."""
    if not total:
        return _("None failed in this range.")
    failed = many("{soaks} was not met or unproven", "{soaks} were not met or unproven", total)
    return _("{failed}; for {n} the record says what was done.").format(
        failed=failed.format(soaks=shown.things(total)), n=thousands(with_action)
    )
