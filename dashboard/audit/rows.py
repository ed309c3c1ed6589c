"""What a page of the audit, and its table for download, show of each closure."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from collector.read import Basin, StoredClosure
from collector.record.book import Book
from collector.record.things import Load, Turn
from dashboard.audit.loads_over import loads_over
from dashboard.shapes import ClosureBody, stored_body
from dashboard.table import millidegrees
from dashboard.when import SiteTime

COLUMNS = (
    "closed_at",
    "opened_at",
    "basin",
    "basin_name",
    "verdict",
    "lid_on_s",
    "proven_s",
    "contact_s",
    "coldest_c",
    "findings",
    "load",
    "devices",
    "encounters_before",
    "encounters_after",
    "fill",
    "page",
)
_BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Row(NamedTuple):
    """A closure with what was declared to be in it.

    Attributes:
        closure: What was measured.
        load: The load; None: no load explains it.
        turns: The rounds of the devices that lay in it.
    """

    closure: ClosureBody
    load: Load | None
    turns: Sequence[Turn]


def rows_of(book: Book, found: Sequence[StoredClosure], basins: Sequence[Basin], when: SiteTime) -> list[Row]:
    """Closures with their loads, in the same order."""
    by_id = {each.id: each for each in basins}
    loads: dict[tuple[int, int], Load] = {}
    for basin_id, of_basin in groupby(sorted(found, key=lambda each: each.basin_id), lambda each: each.basin_id):
        basin = by_id[basin_id]
        over = loads_over(book, f"{basin.node}/{basin.name}", (each.closing_utc_ms for each in of_basin))
        loads |= {(basin_id, closing_ms): load for closing_ms, load in over.items()}
    rows = []
    for each in found:
        load = loads.get((each.basin_id, each.closing_utc_ms))
        turns = _turns(book, load, each.closing_utc_ms) if load else []
        rows.append(Row(stored_body(each, by_id[each.basin_id], when), load, turns))
    return rows


def _turns(book: Book, load: Load, closing_ms: int) -> list[Turn]:
    """Of a load, the rounds whose device was in it when the lid was closed."""
    turns = [turn for each in load.turns if (turn := book.find(Turn, each))]
    return [
        turn
        for turn in turns
        if (turn.in_ms is None or turn.in_ms <= closing_ms) and (turn.out_ms is None or turn.out_ms > closing_ms)
    ]


def table(rows: Iterable[Row] | None) -> str:
    """The rows as CSV; with None, the line of column names."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    if rows is None:
        writer.writerow(COLUMNS)
    else:
        writer.writerows([harmless(cell) for cell in _cells(row)] for row in rows)
    return text.getvalue()


def _cells(row: Row) -> Iterator[str]:
    closure, load = row.closure, row.load
    yield closure.closed_at
    yield closure.opened_at or ""
    yield f"{closure.node}/{closure.basin}"
    yield closure.label
    yield closure.verdict.value
    yield f"{closure.closed_ms / 1000:.3f}"
    yield f"{closure.credited_ms / 1000:.3f}"
    yield f"{closure.requirement.contact_ms / 1000:.3f}" if closure.requirement else ""
    yield millidegrees(closure.coldest_mc)
    yield "; ".join(finding.code for finding in closure.findings)
    yield load.id if load else ""
    yield "; ".join(turn.device for turn in row.turns)
    yield "; ".join(turn.came_from for turn in row.turns if turn.came_from)
    yield "; ".join(turn.used.encounter for turn in row.turns if turn.used and turn.used.encounter)
    yield load.fill if load else ""
    yield f"/closures/{closure.id}"


def harmless(cell: str) -> str:
    """A text that a spreadsheet would take for a formula, made plain; a negative temperature stays a number."""
    if cell.startswith(_BEGINS_A_FORMULA) and not cell.removeprefix("-").replace(".", "", 1).isdigit():
        return f"'{cell}"
    return cell
