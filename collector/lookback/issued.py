"""A list that was issued, as paper and as a table: made of what the record keeps of it, so the bytes come again."""

from __future__ import annotations

import csv
import io

from collector.evidence.typeset import Attachment, typeset
from collector.lookback.paper import Content
from collector.record.things import LookBackList
from soak.decoding import from_json

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet would take for a formula at the beginning of a cell."""


def content(issued: LookBackList) -> Content:
    """All that stands in a list."""
    return from_json(issued.content, Content)


def as_csv(issued: LookBackList) -> bytes:
    """A line for each round, with a head; UTF-8, commas."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    found = content(issued)
    writer.writerow(["look_back", "list", *found.columns])
    for row in found.rows:
        writer.writerow([found.look_back, found.id, *(_plain(getattr(row, each)) for each in found.columns)])
    return text.getvalue().encode()


def as_pdf(issued: LookBackList) -> bytes:
    """The paper, PDF/A-3a, with the table inside."""
    found = content(issued)
    attached = Attachment(f"{issued.id}.csv", "text/csv", "The rounds of the list as a table", as_csv(issued))
    return typeset(found.template, found, title=found.title, at_ms=issued.at_ms, attachments=[attached])


def _plain(cell: str) -> str:
    return f"'{cell}" if cell.startswith(_FORMULA) else cell
