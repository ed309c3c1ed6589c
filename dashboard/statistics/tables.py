"""The figures as tables for download: UTF-8, units in the columns' names; no text runs in a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from typing import Any

import msgspec

from collector.devices_csv import guarded
from dashboard.query import MissingError
from dashboard.statistics.shapes import MarginBody
from dashboard.statistics.sheet import Statistics

Rows = Iterable[Iterable[Any]]


def _soaks(found: Statistics) -> Rows:
    yield "group", "since_ms", "until_ms", "basin", "label", "soaks", "met", "not_met", "unproven"
    for group, basin, each in found.rows():
        key = f"{basin.node}/{basin.name}"
        yield group.name, group.since_ms, group.until_ms, key, basin.label, each.total, *each


def _share(found: Statistics) -> Rows:
    yield "group", "n", "failed", "share", "lower_limit", "upper_limit", "outside"
    for each in found.body().share.points:
        yield msgspec.structs.astuple(each)


def _margin(figure: Callable[[Statistics], MarginBody]) -> Callable[[Statistics], Rows]:
    def rows(found: Statistics) -> Rows:
        body = figure(found)
        unit = body.unit
        yield (
            *("group", "n", f"lowest_{unit}", f"median_{unit}", f"highest_{unit}", "median_outside"),
            *(f"mean_of_medians_{unit}", f"lower_limit_{unit}", f"upper_limit_{unit}"),
        )
        for each in body.points:
            yield *msgspec.structs.astuple(each), *(body.mean, body.lower, body.upper)

    return rows


def _release(found: Statistics) -> Rows:
    yield "from_ms", "until_ms", "rounds"
    for each in found.body().release.bars:
        yield each.from_ms, each.until_ms, each.count


def _alarms(found: Statistics) -> Rows:
    yield "priority", "raised", "seen", "median_ms", "p90_ms", "ended_unseen", "not_seen_yet"
    for each in found.body().alarms.by_priority:
        yield msgspec.structs.astuple(each)


def _failures(found: Statistics) -> Rows:
    yield (
        *("closure", "closed_at", "basin", "label", "verdict", "reason", "credited_ms", "contact_ms", "load"),
        *("became", "what_was_done", "texts_that_name_a_person"),
    )
    for each in found.failed(most=1_000_000).failures:
        became = "; ".join(f"{count} {word}" for word, count in each.became.items())
        yield (
            *(each.closure, each.closed_at, each.basin, each.label, each.verdict, each.reason),
            *(each.credited_ms, each.contact_ms, each.load, became, " / ".join(each.texts), each.withheld),
        )


TABLES: dict[str, Callable[[Statistics], Rows]] = {
    "soaks.csv": _soaks,
    "share.csv": _share,
    "time.csv": _margin(lambda found: found.body().time),
    "allowance.csv": _margin(lambda found: found.body().allowance),
    "coldest.csv": _margin(lambda found: found.body().coldest),
    "release.csv": _release,
    "alarms.csv": _alarms,
    "failures.csv": _failures,
}


def table(name: str) -> Callable[[Statistics], str]:
    """How a table is made.

    Raises:
        MissingError: There is none of that name.
    """
    rows = TABLES.get(name)
    if rows is None:
        raise MissingError(f"There is no table {name[:60]!r}. Known: {', '.join(TABLES)}.")

    def text(found: Statistics) -> str:
        file = io.StringIO()
        writer = csv.writer(file, lineterminator="\n")
        writer.writerows([_cell(each) for each in row] for row in rows(found))
        return file.getvalue()

    return text


def _cell(content: object) -> str:
    """Nothing for None; a figure is never guarded, so that a negative one stays a figure."""
    if content is None:
        return ""
    if isinstance(content, float):
        return f"{content:.6g}"
    return guarded(content) if isinstance(content, str) else str(content)
