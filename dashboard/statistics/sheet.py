"""One answer, put together from what the store has. Asks the store, counts, and says it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from collector.counting import counts, failures, stored
from collector.counting.groups import Group, groups
from collector.counting.responses import Responses, Rounds, met_between, responses, rounds_met
from collector.counting.soaks import PASSING_MS, Kind, Outcome, Round, Sorted, Watched, of_kind, sort_out
from collector.read import Basin
from collector.record.book import Book
from dashboard.statistics import margins, sayings, spelled
from dashboard.statistics.asked import CLOSURES, Asked
from dashboard.statistics.charts import FEWEST_GROUPS, Counted, p_chart
from dashboard.statistics.reasons import reasons
from dashboard.statistics.shapes import (
    AlarmsBody,
    ApartBody,
    BarBody,
    BasinCountsBody,
    FailureBody,
    FailuresBody,
    GroupBody,
    MarginBody,
    MarginPointBody,
    ReleaseBody,
    ResponseBody,
    ShareBody,
    SharePointBody,
    StatisticsBody,
)
from dashboard.when import DAY_MS, SiteTime
from soak.closure import Verdict

MOST_FAILURES = 500
"""So many of those that failed are listed, newest first; all are counted."""

_Says = Callable[[margins.Margins, sayings.Shown], str]


class Statistics:
    """Statistics of what is asked for.

    Args:
        book: To look in, at the present.
        asked: What is asked for.
        when: The site's local time.
    """

    def __init__(self, book: Book, asked: Asked, when: SiteTime) -> None:
        self._book, self._asked, self._when = book, asked, when
        self._basins = {f"{each.node}/{each.name}": each for each in asked.basins}
        rows = [(each.id, key) for key, each in self._basins.items()]
        self._found = stored.found(book, rows, asked.since_ms, asked.until_ms, no_basin=asked.everywhere)
        self._outcome: Outcome = sort_out(
            self._found.closures,
            self._found.loads,
            self._found.rounds,
            every_closing_is_a_load=self._found.every_closing_is_a_load,
        )
        self._inside = [each for each in self._outcome.closures if each.closure.closing_ms >= asked.since_ms]
        self._counted = [each for each in self._inside if self._counts(each)]
        self.soaks: list[Watched] = [each.closure for each in self._counted]
        self.groups: list[Group] = groups(asked.first, asked.last, asked.step, when.day_range)
        self._grouped = counts.in_groups(self.soaks, self.groups)
        self.labels = [spelled.label(each, asked.step, when, book.at_ms) for each in self.groups]
        self._shown = sayings.Shown(asked.counted, asked.step, self.labels)

    def _counts(self, each: Sorted) -> bool:
        if self._asked.counted == CLOSURES:
            return each.closure.last_ms - each.closure.closing_ms >= PASSING_MS
        return each.kind is Kind.SOAK

    def body(self, most_failures: int = MOST_FAILURES) -> StatisticsBody:
        """All of it; of those that failed at most so many, newest first."""
        asked, total = self._asked, counts.counted(self.soaks)
        by_group = [counts.counted(each) for each in self._grouped]
        return StatisticsBody(
            since=self._when.rfc3339(asked.since_ms),
            since_ms=asked.since_ms,
            until=self._when.rfc3339(asked.until_ms),
            until_ms=asked.until_ms,
            first_day=asked.first.isoformat(),
            last_day=asked.last.isoformat(),
            basins_asked=list(self._basins),
            counted=asked.counted,
            step=asked.step.value,
            finding=sayings.of_counts(total, self._days, self._shown),
            soaks=total.total,
            met=total.met,
            not_met=total.not_met,
            unproven=total.unproven,
            apart=_apart(self._inside),
            groups=[
                GroupBody(
                    group.name,
                    label,
                    spelled.short(group, asked.step, self._when),
                    group.since_ms,
                    group.until_ms,
                    each.total,
                    *each,
                )
                for group, label, each in zip(self.groups, self.labels, by_group, strict=True)
            ],
            by_basin=self._by_basin(),
            share=self._share(by_group),
            time=self._margin("ms", margins.time_ms, sayings.of_time),
            allowance=self._margin("mc", margins.allowance_mc, sayings.of_allowance),
            coldest=self._margin("mc", margins.coldest_mc, sayings.of_coldest),
            release=_release(rounds_met(self._met())),
            alarms=_alarms(responses(self._found.alarms)),
            failures=self.failed(most_failures),
        )

    @property
    def _days(self) -> int:
        """Days of the range that have begun."""
        until_ms = min(self._asked.until_ms, max(self._book.at_ms, self._asked.since_ms + 1))
        return max(1, -(-(until_ms - self._asked.since_ms) // DAY_MS))

    def _met(self) -> list[tuple[Round, Watched]]:
        asked = self._asked
        return met_between(self._found.rounds, self._outcome.met_in, asked.since_ms, asked.until_ms)

    def _by_basin(self) -> list[BasinCountsBody]:
        found = []
        for row in counts.by_basin(self._grouped, self._basins):
            basin: Basin = self._basins[row.basin]
            totals = [each.total for each in row.by_group]
            per_day = round(row.counts.total / self._days, 2)
            found.append(
                BasinCountsBody(
                    row.basin,
                    basin.label,
                    basin.place,
                    row.counts.total,
                    *row.counts,
                    per_day=per_day,
                    soaks_by_group=totals,
                )
            )
        return found

    def rows(self) -> Iterator[tuple[Group, Basin, counts.Counts]]:
        """Soaks of each day or week and basin, oldest first; without those that had none."""
        by_basin = counts.by_basin(self._grouped, self._basins)
        for place, group in enumerate(self.groups):
            for row in by_basin:
                if row.by_group[place].total:
                    yield group, self._basins[row.basin], row.by_group[place]

    def _share(self, by_group: Sequence[counts.Counts]) -> ShareBody:
        chart = p_chart([Counted(each.total, each.failed) for each in by_group])
        sizes = [each.total for each in by_group]
        return ShareBody(
            finding=sayings.of_share(chart, self._shown),
            soaks=chart.n,
            failed=chart.failed,
            mean=chart.mean,
            provisional=sum(bool(each) for each in sizes) < FEWEST_GROUPS,
            cautions=sayings.share_cautions(chart, sizes, self._asked.step),
            points=[
                SharePointBody(
                    group.name,
                    each.total,
                    each.failed,
                    point.share,
                    point.lower,
                    point.upper,
                    point.outside.value if point.outside else None,
                )
                for group, each, point in zip(self.groups, by_group, chart.points, strict=True)
            ],
        )

    def _margin(self, unit: str, figure: margins.Figure, says: _Says) -> MarginBody:
        found = margins.margins(self._grouped, figure)
        outside = dict(found.outside())
        chart = found.chart
        return MarginBody(
            finding=says(found, self._shown),
            unit=unit,
            soaks=found.all.n,
            without=found.without,
            lowest=found.all.lowest,
            p10=found.all.p10,
            median=found.all.median,
            highest=found.all.highest,
            below_zero=found.all.below_zero,
            mean=chart.mean,
            mean_moving_range=chart.mean_moving_range,
            lower=chart.lower,
            upper=chart.upper,
            provisional=len(chart.outside) < FEWEST_GROUPS,
            cautions=sayings.margin_cautions(found, self._shown),
            points=[
                MarginPointBody(group.name, each.n, each.lowest, each.median, each.highest, outside.get(place))
                for place, (group, each) in enumerate(zip(self.groups, found.by_group, strict=True))
            ],
        )

    def failed(self, most: int = MOST_FAILURES) -> FailuresBody:
        """Soaks that failed, newest first, at most so many of them; all are counted."""
        failed = [each for each in reversed(self._counted) if each.closure.failed]
        written = stored.said(self._book, [each.closure.key for each in failed], self._found.alarms)
        names = failures.words_of_names(stored.people(self._book)) if failed else frozenset()
        acted = [
            failures.action(each, self._found.rounds, self._outcome.met_in, written[each.closure.key], names)
            for each in failed
        ]
        why = reasons(self._book.connection, [each.closure.id for each in failed[:most]])
        rows = [self._failure(each, action, why) for each, action in list(zip(failed, acted, strict=True))[:most]]
        with_action = sum(each.on_record for each in acted)
        return FailuresBody(sayings.of_failures(len(failed), with_action, self._shown), len(failed), with_action, rows)

    def _failure(self, failed: Sorted, action: failures.Action, why: Mapping[int, str]) -> FailureBody:
        closure = failed.closure
        return FailureBody(
            closure=closure.id,
            closed_at=self._when.rfc3339(closure.closing_ms),
            closed_at_ms=closure.closing_ms,
            basin=closure.basin,
            label=self._basins[closure.basin].label,
            verdict=closure.verdict.value,
            reason=why[closure.id],
            credited_ms=closure.credited_ms,
            contact_ms=closure.contact_ms,
            load=failed.load,
            became={each.value: count for each, count in action.became.items()},
            texts=action.texts,
            withheld=action.withheld,
            on_record=action.on_record,
        )


def _apart(inside: Sequence[Sorted]) -> ApartBody:
    unassigned = of_kind(inside, Kind.UNASSIGNED)
    return ApartBody(
        opening_said=len(of_kind(inside, Kind.OPENING_SAID)),
        after_met=len(of_kind(inside, Kind.AFTER_MET)),
        unassigned=len(unassigned),
        unassigned_met=sum(each.verdict is Verdict.MET for each in unassigned),
        in_passing=len(of_kind(inside, Kind.PASSING)),
    )


def _release(found: Rounds) -> ReleaseBody:
    waits = found.waits
    return ReleaseBody(
        finding=sayings.of_release(found),
        rounds=found.total,
        released=waits.n,
        median_ms=waits.median_ms,
        p90_ms=waits.p90_ms,
        longest_ms=waits.longest_ms,
        used_unreleased=found.used_unreleased,
        quarantined=found.quarantined,
        ended=found.ended,
        waiting=found.waiting,
        bars=[BarBody(spelled.between(*each[:2]), *each) for each in waits.bars],
    )


def _alarms(found: Responses) -> AlarmsBody:
    rows = [
        ResponseBody(each.priority.value if each.priority else "all", each.raised, *each.times)
        for each in found.by_priority
    ]
    return AlarmsBody(sayings.of_alarms(found), rows, found.late)
