"""What the figures say, in sentences: they carry the meaning, plots and tables show it. Pure but for the language."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.degrees import difference
from dashboard.statistics.charts import FEWEST_EXPECTED, FEWEST_GROUPS, PChart
from dashboard.statistics.counts import Counts
from dashboard.statistics.failures import Became
from dashboard.statistics.groups import Group, Step
from dashboard.statistics.margins import Margins
from dashboard.statistics.responses import Response, Responses, Rounds
from dashboard.statistics.shapes import BasinCountsBody
from dashboard.texts import N_, _, many
from dashboard.when import SiteTime
from soak.quantity import in_words

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


def percent(share: float | None) -> str:
    """A share from 0 to 1: "2.8 %"; what is not nothing never reads as nothing, nor what is not all as all."""
    if share is None:
        return _("none")
    if 0 < share < 0.001:
        return _("under 0.1 %")
    if 0.999 < share < 1:
        return _("over 99.9 %")
    return f"{100 * share:.1f}".removesuffix(".0") + " %"


def lasted(ms: float | None) -> str:
    """A duration, also a negative one: "2 min 3 s", "−40 s"; to the second."""
    if ms is None:
        return _("none")
    whole = round(abs(ms) / 1000) * 1000
    return f"−{in_words(whole)}" if ms < 0 and whole else in_words(whole)


def degrees(mc: float | None) -> str:
    """A difference of temperatures, also a negative one: "0.31 °C"; rounded down, the safe way."""
    return _("none") if mc is None else difference(int(mc // 1)).replace("-", "−")


def label(group: Group, step: Step, when: SiteTime) -> str:
    """What people call a day or a week: "Tue 3 Mar 2026", "Week 10, from Mon 2 Mar 2026"."""
    day = when.day(group.since_ms)
    if step is Step.DAY:
        return day
    return _("Week {week}, from {day}").format(week=group.first.isocalendar().week, day=day)


def short(group: Group, step: Step, when: SiteTime) -> str:
    """The same where there is little room: "3 Mar", "week 10"."""
    if step is Step.DAY:
        return " ".join(when.day(group.since_ms).split()[1:3])
    return _("week {week}").format(week=group.first.isocalendar().week)


def of_counts(counts: Counts, days: int) -> str:
    """How many soaks, and what they were worth."""
    if not counts.total:
        return _("No soak is on record in this range.")
    total = many("{n} soak", "{n} soaks", counts.total).format(n=_thousands(counts.total))
    within = many("{n} day", "{n} days", days).format(n=days)
    parts = _("{met} met, {not_met} not met, {unproven} unproven").format(
        met=_thousands(counts.met), not_met=counts.not_met, unproven=counts.unproven
    )
    return _("{total} in {days}: {parts}.").format(total=total, days=within, parts=parts)


def of_basins(basins: Sequence[BasinCountsBody]) -> str:
    """How soaks were spread over the basins."""
    used = [each.soaks for each in basins if each.soaks]
    said = many("{used} of {n} basin had soaks", "{used} of {n} basins had soaks", len(basins))
    text = said.format(used=len(used), n=len(basins))
    if not used:
        return f"{text}."
    return _("{text}: from {least} to {most} in the range.").format(text=text, least=min(used), most=max(used))


def of_share(chart: PChart, labels: Sequence[str], step: Step) -> str:
    """What failed of all, and whether its share stayed inside its limits."""
    if chart.mean is None:
        return _("No soak is on record in this range, so there is no share.")
    said = many(
        "{failed} of {n} soak was not met or unproven ({percent})",
        "{failed} of {n} soaks were not met or unproven ({percent})",
        chart.n,
    ).format(failed=_thousands(chart.failed), n=_thousands(chart.n), percent=percent(chart.mean))
    outside = [(place, each.outside.value) for place, each in enumerate(chart.points) if each.outside]
    if not outside:
        return _("{said}; the share stayed inside its limits.").format(said=said)
    return _("{said}; {outside}").format(said=said, outside=_outside(outside, labels, step))


def _outside(outside: Sequence[tuple[int, str]], labels: Sequence[str], step: Step) -> str:
    if step is Step.DAY:
        count = many("{n} day was outside its limits", "{n} days were outside their limits", len(outside))
    else:
        count = many("{n} week was outside its limits", "{n} weeks were outside their limits", len(outside))
    named = "; ".join(f"{labels[place]} {_(OUTSIDE[where])}" for place, where in outside[-_NAMED:])
    more = _("; the table marks all") if len(outside) > _NAMED else ""
    return f"{count.format(n=len(outside))}: {named}{more}."


def of_time(margins: Margins, labels: Sequence[str], step: Step) -> str:
    """How long beyond the contact time."""
    if margins.all.median is None:
        return _("No soak with a required contact time is on record in this range.")
    said = _("Half of the {n} soaks were proven for {median} or more beyond the contact time").format(
        n=_thousands(margins.all.n), median=lasted(margins.all.median)
    )
    below = many("{n} did not reach it", "{n} did not reach it", margins.all.below_zero).format(
        n=_thousands(margins.all.below_zero)
    )
    return f"{said}; {below}. {_steady(margins, labels, step)}"


def of_allowance(margins: Margins, labels: Sequence[str], step: Step) -> str:
    """How much colder it might have been."""
    if margins.all.median is None:
        return _("No soak has a temperature allowance in this range: none was long enough with a temperature.")
    said = _("Half of the {n} soaks could have been {median} colder or more and still be met; the least is {lowest}")
    text = said.format(
        n=_thousands(margins.all.n), median=degrees(margins.all.median), lowest=degrees(margins.all.lowest)
    )
    return f"{text}. {_steady(margins, labels, step)}"


def of_coldest(margins: Margins, labels: Sequence[str], step: Step) -> str:
    """How far the coldest reading was from the minimum."""
    if margins.all.median is None:
        return _("No soak with a required temperature and a value is on record in this range.")
    said = _("Half of the {n} soaks stayed {median} or more above the minimum all the time; {below} went below it")
    text = said.format(
        n=_thousands(margins.all.n), median=degrees(margins.all.median), below=_thousands(margins.all.below_zero)
    )
    return f"{text}. {_steady(margins, labels, step)}"


def _steady(margins: Margins, labels: Sequence[str], step: Step) -> str:
    if margins.chart.upper is None:
        return _("With one point there are no limits.")
    outside = margins.outside()
    if outside:
        return _("Of the medians, {outside}").format(outside=_outside(outside, labels, step))
    return _("The medians stayed inside their limits.")


def few_groups(groups: int, step: Step) -> str:
    """That limits are provisional, and by which source; empty where there are enough groups."""
    if groups >= FEWEST_GROUPS:
        return ""
    if step is Step.DAY:
        said = many("they rest on {n} day with soaks", "they rest on {n} days with soaks", groups)
    else:
        said = many("they rest on {n} week with soaks", "they rest on {n} weeks with soaks", groups)
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


def margin_cautions(margins: Margins, step: Step) -> list[str]:
    """What an individuals chart of medians cannot say."""
    filled = sum(bool(each.n) for each in margins.by_group)
    found = [few_groups(filled, step)] if filled else []
    if margins.without:
        found.append(
            many(
                "{n} soak has no such figure: nothing was required, or no temperature was known for long enough.",
                "{n} soaks have no such figure: nothing was required, or no temperature was known for long enough.",
                margins.without,
            ).format(n=_thousands(margins.without))
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
        ).format(n=_thousands(rounds.total))
    return _(
        "Of {n} rounds that met, {released} were released: half of them within {median}, nine of ten within {p90}."
    ).format(
        n=_thousands(rounds.total),
        released=_thousands(waits.n),
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
        ).format(n=_thousands(everything.raised))
    return _(
        "Of {n} alarms, {seen} were seen while they stood: half of them within {median}, nine of ten within {p90}."
    ).format(
        n=_thousands(everything.raised),
        seen=_thousands(everything.times.seen),
        median=lasted(everything.times.median_ms),
        p90=lasted(everything.times.p90_ms),
    )


def of_failures(total: int, with_action: int) -> str:
    """How many failed, and for how many the record says what was done."""
    if not total:
        return _("No soak failed in this range.")
    failed = many("{n} soak was not met or unproven", "{n} soaks were not met or unproven", total).format(
        n=_thousands(total)
    )
    return _("{failed}; for {n} the record says what was done.").format(failed=failed, n=_thousands(with_action))


def between(from_ms: int, until_ms: int | None) -> str:
    """A bar of waits: "under 15 min", "15 min to 30 min", "24 h or more"."""
    if until_ms is None:
        return _("{least} or more").format(least=in_words(from_ms))
    if not from_ms:
        return _("under {most}").format(most=in_words(until_ms))
    return _("{least} to {most}").format(least=in_words(from_ms), most=in_words(until_ms))


def _thousands(count: int) -> str:
    """With a thin space: a comma or a point means something else elsewhere."""
    return f"{count:,}".replace(",", "\u202f") if count >= 10_000 else str(count)
