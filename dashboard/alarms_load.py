"""The alarm load as page and table show it: figures in words, beside published benchmarks."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from datetime import datetime, time
from typing import NamedTuple

from collector.alarms.load import (
    FEWER_LONG_STANDING,
    LONG_STANDING_MS,
    MANAGEABLE_PER_10_MIN,
    MOST_AFTER_UPSET,
    RECOMMENDED_PER_10_MIN,
    SHARES_PERCENT,
    Counts,
    Load,
    Shift,
    ShiftLoad,
    Standing,
    load,
    shifts,
    standing,
)
from collector.devices_csv import guarded
from collector.record import policy
from collector.record.book import Book
from collector.record.things import Alarm
from dashboard import query
from dashboard.alarms_words import count_words
from dashboard.forms import A_DURATION, fields
from dashboard.table import MOST_RANGE_MS
from dashboard.texts import N_, _
from dashboard.when import DAY_MS, SiteTime
from soak.alarms import Priority
from soak.quantity import in_words

USUAL_MS = 7 * DAY_MS
MOST_OPERATORS = 100
COLUMNS = (
    "shift_begins",
    "shift_ends",
    "basin",
    "label",
    "high",
    "medium",
    "low",
    "total",
    "late",
    "per_10_min_and_operator",
    "most_in_10_min_per_operator",
)
_STUDY = N_("EEMUA 191 as studied by the ASM Consortium on 37 consoles; published, seen at second hand")


class Benchmark(NamedTuple):
    """One published figure.

    Attributes:
        metric: Of what.
        text: The figure with its unit.
        source: Where it comes from, and how sure that is.
    """

    metric: str
    text: str
    source: str


def benchmarks() -> list[Benchmark]:
    """What is published, beside which the load stands."""
    recommended = _("at most {number} in 10 min for each operator, on average").format(number=RECOMMENDED_PER_10_MIN)
    manageable = _("{least} to {most} in 10 min for each operator").format(
        least=RECOMMENDED_PER_10_MIN, most=MANAGEABLE_PER_10_MIN
    )
    upset = _("at most {number} in the first 10 min").format(number=MOST_AFTER_UPSET)
    shares = _("{high} % high, {medium} % medium, {low} % low").format(**SHARES_PERCENT)
    long = _("fewer than {number}").format(number=FEWER_LONG_STANDING)
    return [
        Benchmark(_("recommended"), recommended, _(_STUDY)),
        Benchmark(_("manageable"), manageable, _(_STUDY)),
        Benchmark(_("after an upset"), upset, _(_STUDY)),
        Benchmark(_("shares"), shares, _("ANSI/ISA-18.2 and EEMUA 191, from memory, not verified")),
        Benchmark(_("standing for over a day"), long, _("ANSI/ISA-18.2, from memory, not verified")),
    ]


CAUTION = N_(
    "These come from control rooms of process plants, where operators sit before their screens. Nobody has shown that "
    "they fit a reprocessing room, where people have wet gloves and other work: take them for a direction."
)

_TUNED_BY = {
    "below-minimum": "alarm_on_ms",
    "above-maximum": "alarm_on_ms",
    "guard-band": "alarm_on_ms",
    "sensor-fault": "alarm_on_ms",
    "lid-left-open": "alarm_lid_open_ms",
    "soak-waits": "alarm_soak_waits_ms",
}
"""Which of the site's delays a kind of alarm waits for; the others come at once."""


class Tunable(NamedTuple):
    """A delay that a supervisor can set."""

    name: str
    label: str
    hint: str
    value: str


class Sheet(NamedTuple):
    """The load of a range, and what stands now."""

    load: Load
    standing: list[Standing]
    tunables: list[Tunable]

    @property
    def long_standing(self) -> int:
        """How many have stood for more than a day."""
        return sum(each.for_ms > LONG_STANDING_MS for each in self.standing)


def span_of(since: str | None, until: str | None, last: str | None, when: SiteTime, now_ms: int) -> tuple[int, int]:
    """The range that is asked for: the last week if nothing is; days at the site may be written for times.

    Raises:
        QueryError: It cannot be read, is empty, or too long.
    """

    def day(text: str | None, edge: int) -> str | None:
        if text and len(text) == 10 and text[4] == "-":
            return str(query.local_day(text, when)[edge])
        return text

    since_ms, until_ms = query.time_range(day(since, 0), day(until, 1), last, now_ms, USUAL_MS)
    if since_ms < now_ms:
        until_ms = min(until_ms, now_ms)  # what is still to come makes no average
    if until_ms - since_ms > MOST_RANGE_MS:
        text = _("At most {number} days at once. Ask year by year.").format(number=MOST_RANGE_MS // DAY_MS)
        raise query.QueryError(text)
    return since_ms, until_ms


def operators_of(text: str | None) -> int:
    """How many people look after the basins at a time.

    Raises:
        QueryError: No such number.
    """
    return query.whole("operators", text, 1, 1, MOST_OPERATORS)


def sheet(book: Book, span: tuple[int, int], operators: int, when: SiteTime) -> Sheet:
    """The alarm load of a range, from the record."""
    since_ms, until_ms = span
    in_shifts = shifts(since_ms, until_ms, when.local_date(since_ms), when.moment_ms)
    alarms = book.all(Alarm, since_ms=since_ms, until_ms=until_ms)
    tunables = [
        Tunable(each.name, each.label, _what(each.hint), in_words(getattr(book.policy, each.name)))
        for each in fields(policy.SetPolicy)
        if each.name.startswith("alarm_")
    ]
    open_now = standing(book.all(Alarm, only_open=True), book.at_ms)
    return Sheet(load(alarms, in_shifts, operators=operators), open_now, tunables)


def _what(hint: str) -> str:
    """A form's hint without how it is written."""
    return hint.removesuffix(_(A_DURATION)).strip()


def shift_words(shift: Shift, when: SiteTime) -> str:
    """Its day and its hours: "Tue 3 Mar 2026, 06–14"."""
    return f"{when.day(when.moment_ms(datetime.combine(shift.day, time(12))))}, {shift.name}"


def rate_words(rate: float) -> str:
    """How an average compares with the benchmark."""
    if rate <= RECOMMENDED_PER_10_MIN:
        return _("within what is recommended")
    return _("manageable") if rate <= MANAGEABLE_PER_10_MIN else _("more than is manageable")


def figure(number: float) -> str:
    """A rate with as many decimals as are of use; what is not nothing never reads as nothing."""
    return _("under 0.01") if 0 < number < 0.01 else f"{number:.2f}".rstrip("0").rstrip(".")


def tuned_by(code: str, tunables: list[Tunable]) -> Tunable | None:
    """The delay that a kind of alarm waits for; None if it comes at once."""
    return next((each for each in tunables if each.name == _TUNED_BY.get(code)), None)


def counts_words(counts: Counts) -> str:
    """What a bar shows: "2 high, 3 low"."""
    found = ((getattr(counts, each.value), each) for each in Priority)
    return ", ".join(count_words(priority, count) for count, priority in found if count)


class Bar(NamedTuple):
    """A piece of a shift's bar, in per mille of the longest bar."""

    priority: Priority
    x: int
    width: int


def bars(shift: ShiftLoad, most: int) -> list[Bar]:
    """A shift's bar; `most` is the longest shift's total."""
    found, x = [], 0
    for priority in Priority:
        width = getattr(shift.counts, priority.value) * 1000 // most if most else 0
        if width:
            found.append(Bar(priority, x, width))
        x += width
    return found


def csv_text(found: Load, when: SiteTime, basin_label: Callable[[str], str]) -> str:
    """Alarms by shift and basin. For each shift first a line for all basins together, without a basin."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in _csv_rows(found, when, basin_label):
        writer.writerow([guarded(cell) for cell in row])
    return text.getvalue()


def _csv_rows(found: Load, when: SiteTime, basin_label: Callable[[str], str]) -> Iterator[list[str]]:
    for each in found.shifts:
        span = [when.rfc3339(each.shift.since_ms), when.rfc3339(each.shift.until_ms)]
        rates = [f"{each.per_10_min:.4f}", f"{each.most_in_10_min:g}"]
        for basin, counts in [(None, each.counts), *each.by_basin.items()]:
            label = "all" if basin is None else basin_label(basin) if basin else "no basin"
            figures = (counts.high, counts.medium, counts.low, counts.total, counts.late)
            yield [*span, basin or "", label, *map(str, figures), *(rates if basin is None else ["", ""])]
