"""What a period report says: its first page, and its sections in order.

Everything about wording is decided here, when the report is issued, and kept with it; the template only sets it. So a
later version of this module changes no report that is out.

People are named only where the record is a signature: whoever poured, discarded, tested, checked a sensor, let a load
start by an override, closed a look-back. Nobody is counted, compared or named anywhere else, and free text that names
somebody is left out, with a note of where it stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import msgspec

from collector.counting.counts import counted
from collector.counting.soaks import Kind
from collector.evidence.sheet import MONITORING_AID
from collector.period.asked import Asked
from collector.period.looking import Looking
from collector.period.of_alarms import of_alarms
from collector.period.of_changes import look_backs, of_corrections, of_look_backs
from collector.period.of_failures import Failure, failures_of, of_failures
from collector.period.of_gaps import Gaps, gaps_of, limits_of, of_gaps
from collector.period.of_sensors import of_sensors, overdue
from collector.period.of_soaks import of_soaks
from collector.period.of_solution import failed_tests, of_solution, tests_of
from collector.period.of_unassigned import Unassigned, of_unassigned, unassigned_of
from collector.period.parts import Section, Table, number, plural
from collector.record.book import Book
from soak.quantity import in_words

NAMED: Final = (
    "People are named only where the record is a signature: pouring, discarding, tests, sensor checks, overrides, "
    "look-backs. Nobody is counted or compared. Texts that name somebody are left out and stand where it says."
)


class Figure(msgspec.Struct, frozen=True):
    """A number on the first page.

    Attributes:
        figure: As it is printed.
        what: What it counts.
        mark: Somebody should look: it is set with a rule beside it.
    """

    figure: str
    what: str
    mark: bool = False


class Sheet(msgspec.Struct, frozen=True):
    """The words of one period report.

    Attributes:
        site: Whose.
        days: Which, in words.
        scope: Which basins, in words.
        figures: The first page's numbers.
        says: By section, its first sentence.
        limits: What could not be counted, or only as far as the record goes.
        sections: In order.
        times: How to read the times.
        named: Who is named.
        aid: What this is and what it is not.
    """

    site: str
    days: str
    scope: str
    figures: tuple[Figure, ...]
    says: tuple[tuple[str, str], ...]
    limits: tuple[str, ...]
    sections: tuple[Section, ...]
    times: str
    named: str
    aid: str


class Report(NamedTuple):
    """What a report says, and its tables whole."""

    sheet: Sheet
    tables: list[Table]


def report_of(book: Book, asked: Asked) -> Report:
    """Put a report together.

    Args:
        book: To look in, at the present.
        asked: What is asked for.
    """
    look = Looking(book, asked)
    failed, without, gaps = failures_of(look), unassigned_of(look), gaps_of(look)
    parts = [
        of_soaks(look),
        of_failures(look, failed),
        of_solution(look),
        of_sensors(look),
        of_alarms(look),
        of_unassigned(look, without),
        of_gaps(look, gaps),
        of_look_backs(look),
        of_corrections(look),
    ]
    (site,) = book.connection.execute("SELECT ifnull(max(content), '') FROM site WHERE name = 'name'").fetchone()
    sheet = Sheet(
        site=site or "Site without a name",
        days=_days(asked),
        scope=_scope(asked),
        figures=_figures(look, failed, without, gaps),
        says=tuple((part.section.title, part.section.says[0]) for part in parts),
        limits=tuple(_limits(look, gaps)),
        sections=tuple(part.section for part in parts),
        times=_times(look),
        named=NAMED,
        aid=MONITORING_AID,
    )
    return Report(sheet, [table for part in parts for table in part.tables])


def _days(asked: Asked) -> str:
    if asked.days == 1:
        return f"{asked.first}, one day"
    return f"{asked.first} to {asked.last}, {asked.days} days"


def _scope(asked: Asked) -> str:
    if not asked.basins:
        return "No basin is known"
    names = ", ".join(f"{each.label} ({each.key})" for each in asked.basins[:12])
    more = f" and {len(asked.basins) - 12} more" if len(asked.basins) > 12 else ""
    where = f"{asked.place}: " if asked.place else "All basins: " if asked.everywhere else ""
    return f"{where}{names}{more}"


def _figures(look: Looking, failed: Sequence[Failure], without: Sequence[Unassigned], gaps: Gaps) -> tuple[Figure, ...]:
    total = counted(look.soaks)
    no_action = sum(not each.settled for each in failed)
    inside = {turn for each in look.inside if each.kind is not Kind.PASSING for turn in each.rounds}
    unreleased = sum(look.found.rounds[each].unreleased_use for each in inside)
    tests = failed_tests(tests_of(look))
    open_ones = sum(each.open for each in without)
    sensors = overdue(look)
    overrides = sum(each.override is not None for each in look.loads)
    backs = sum(each.closed is None for each in look_backs(look))
    return (
        Figure(number(total.total), "soaks"),
        Figure(number(total.met), "met"),
        Figure(number(total.not_met), "not met", total.not_met > 0),
        Figure(number(total.unproven), "unproven", total.unproven > 0),
        Figure(number(no_action), "failed, nothing on record of what was done", no_action > 0),
        Figure(number(unreleased), "devices used without release", unreleased > 0),
        Figure(number(tests), "MEC tests failed or doubtful", tests > 0),
        Figure(number(overrides), "loads started by override", overrides > 0),
        Figure(number(open_ones), "closures of which nobody knows the load", open_ones > 0),
        Figure(number(sensors), "sensors overdue or without a check", sensors > 0),
        Figure(number(backs), "look-backs open", backs > 0),
        Figure(in_words(gaps.silent_ms // 60_000 * 60_000), "without temperature, all basins", gaps.silent_ms > 0),
    )


def _limits(look: Looking, gaps: Gaps) -> list[str]:
    asked, found = look.asked, []
    if not asked.basins:
        found.append("No basin is known here: there was nothing to count.")
    elif not look.inside:
        found.append("The range is empty: no closure of these basins ended in it.")
    elif not look.soaks:
        found.append(
            f"No load is on record, so no closure counts as a soak; {plural(len(look.inside), 'closure')} "
            f"{'is' if len(look.inside) == 1 else 'are'} on record by themselves."
        )
    if asked.running:
        found.append(
            f"The last day was not over when this was issued: it is counted until {look.minute(look.book.at_ms)}, and "
            "soaks under way then are not in it."
        )
    return found + limits_of(gaps)


def _times(look: Looking) -> str:
    begin, end = look.local(look.asked.since_ms), look.local(look.asked.until_ms - 1)
    first, last = f"{begin:%z}"[:5], f"{end:%z}"[:5]
    offsets = f"UTC{first[:3]}:{first[3:]}" + (f", later UTC{last[:3]}:{last[3:]}" if first != last else "")
    return f"Times are the site's ({offsets}), to the minute; in the attached tables they are in UTC, to the second."
