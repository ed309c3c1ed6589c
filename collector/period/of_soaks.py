"""Soaks: how many, what they were worth, by basin and by month; every closure of the range in a table."""

from __future__ import annotations

from collections import Counter

from collector.counting.counts import Counts, counted
from collector.counting.responses import Rounds, met_between, rounds_met
from collector.counting.soaks import Kind, Watched
from collector.period.looking import Looking, utc
from collector.period.parts import Part, Section, Shown, Table, number, percent, plural
from soak.quantity import in_words

_MONTHS_FROM_DAYS = 45
"""Ranges as long as that are shown by month too."""


def of_soaks(look: Looking) -> Part:
    """The section of soaks."""
    total = counted(look.soaks)
    rounds = rounds_of(look)
    tables = [_by_basin(look, total)]
    if look.asked.days >= _MONTHS_FROM_DAYS:
        tables.append(_by_month(look))
    section = Section(
        title="Soaks",
        source="measured, and reckoned from it",
        says=(verdicts(total), _became(rounds)),
        tables=tuple(tables),
        notes=(
            "A soak is a closure that held a load of which a device still had to meet; it belongs to the local day on "
            "which its lid was closed, and counts by the verdict that stands when this is issued. Beside them: closed "
            "again after a device was added, said first (the time began again); closed again over a load that had met; "
            "a minute or more without a load on record; under a minute, in passing.",
            *(
                ("The site counts every closing as a load: a closure without one on record counts as a soak.",)
                if look.found.every_closing_is_a_load
                else ()
            ),
        ),
    )
    return Part(section, [_closures(look)])


def verdicts(total: Counts) -> str:
    """One sentence on all soaks."""
    if not total.total:
        return "Nothing was soaked: no closure of the range held a load."
    share = f" Failed: {total.failed} of {number(total.total)} ({percent(total.failed, total.total)})."
    return (
        f"{plural(total.total, 'soak')}: {number(total.met)} met, {total.not_met} not met, {total.unproven} unproven."
        + (share if total.failed else " None failed.")
    )


def rounds_of(look: Looking) -> Rounds:
    """What became of the rounds whose soak met."""
    asked = look.asked
    return rounds_met(met_between(look.found.rounds, look.outcome.met_in, asked.since_ms, asked.until_ms))


def _became(rounds: Rounds) -> str:
    if not rounds.total:
        return "No device's round met in the range."
    median = rounds.waits.median_ms
    half = f", half of them within {in_words(median // 1000 * 1000)}" if median is not None else ""
    return (
        f"{plural(rounds.total, 'round')} of devices met: {number(rounds.waits.n)} released{half}; "
        f"{rounds.used_unreleased} used without release, {rounds.quarantined} in quarantine, {rounds.ended} begun "
        f"again, {rounds.waiting} not released yet."
    )


def _by_basin(look: Looking, total: Counts) -> Shown:
    kinds = Counter((each.closure.basin, each.kind) for each in look.inside)
    rows = []
    for basin in look.asked.basins:
        of_it = counted(each for each in look.soaks if each.basin == basin.key)
        rows.append(
            (basin.label, basin.place, *_figures(of_it), *_apart({kind: kinds[basin.key, kind] for kind in Kind}))
        )
    if len(rows) > 1:
        summed = Counter(each.kind for each in look.inside)
        rows.append(("All", "", *_figures(total), *_apart({kind: summed[kind] for kind in Kind})))
    head = ("Basin", "Place", "Soaks", "Met", "Not met", "Unproven", "Failed")
    apart = ("Device added", "After met", "No load", "In passing")
    return Shown(
        "By basin",
        (*head, *apart),
        tuple(rows),
        widths=(1, 1, *(0 for _ in range(9))),
        right=tuple(range(2, 11)),
        total=len(rows) > 1,
    )


def _figures(counts: Counts) -> tuple[str, ...]:
    return (
        *(number(each) for each in (counts.total, counts.met, counts.not_met, counts.unproven)),
        percent(counts.failed, counts.total),
    )


def _apart(kinds: dict[Kind, int]) -> tuple[str, ...]:
    apart = (Kind.OPENING_SAID, Kind.AFTER_MET, Kind.UNASSIGNED, Kind.PASSING)
    return tuple(number(kinds[kind]) for kind in apart)


def _by_month(look: Looking) -> Shown:
    by_month: dict[str, list[Watched]] = {}
    day = look.asked.first.replace(day=1)
    while day <= look.asked.last:
        by_month[f"{day:%Y-%m}"] = []
        day = day.replace(year=day.year + day.month // 12, month=day.month % 12 + 1)
    for each in look.soaks:
        by_month[f"{look.local(each.closing_ms):%Y-%m}"].append(each)
    rows = tuple((month, *_figures(counted(found))) for month, found in by_month.items())
    head = ("Month", "Soaks", "Met", "Not met", "Unproven", "Failed")
    return Shown("By month", head, rows, widths=(0, 0, 0, 0, 0, 0), right=(1, 2, 3, 4, 5))


def _closures(look: Looking) -> Table:
    head = ("row", "record", "closure", "basin", "closed_utc", "opened_utc", "what", "verdict", "proven_ms")
    more = ("contact_ms", "coldest_mc", "allowance_mc", "load", "rounds")
    rows = (
        (
            closure.id,
            look.numbers.get(closure.id),
            closure.key,
            closure.basin,
            utc(closure.closing_ms),
            utc(closure.opened_ms),
            kind.value,
            closure.verdict.value,
            closure.credited_ms,
            closure.contact_ms,
            closure.coldest_mc,
            closure.allowance_mc,
            load,
            " ".join(rounds),
        )
        for closure, kind, load, rounds in look.inside
    )
    return Table("closures.csv", "Every closure of the range, and what it was", (*head, *more), rows)
