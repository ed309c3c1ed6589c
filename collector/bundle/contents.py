"""The files of a bundle that are the same whatever it is asked for: tables, documents, the words beside them."""

from __future__ import annotations

import csv
import io
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from collector import ledger
from collector.bundle.told import Standing
from collector.ledger import Record
from collector.machine import ClosureJudged
from soak.decoding import from_json
from soak.quantity import utc_text

COLUMNS = (
    *("record", "basin", "stream", "first", "last", "closing_utc", "clock_synced", "closed_ms", "credited_ms"),
    *("min_mc", "max_mc", "contact_ms", "coldest_mc", "allowance_mc", "verdict", "findings"),
)


def line(record: Record) -> bytes:
    """A record as ledger.jsonl has it: its body letter for letter as it was hashed, as a string."""
    fields = {
        "number": record.number,
        "kind": record.kind,
        "at_ms": record.at_ms,
        "who": record.who,
        "software": record.software,
        "reason": record.reason,
        "format": record.format,
        "hash": record.hash,
        "body": record.body,
    }
    return msgspec.json.encode(fields) + b"\n"


def verdict_rows(
    connection: sqlite3.Connection, verdicts: Iterable[Standing], basins: dict[str, str]
) -> Iterator[bytes]:
    """verdicts.csv."""
    yield _row(COLUMNS)
    for verdict in verdicts:
        record = ledger.record(connection, verdict.record)
        assert record is not None  # noqa: S101 - it was walked over in the same look
        body = from_json(record.body, ClosureJudged)
        closure, requirement = body.closure, body.closure.requirement
        yield _row(
            (
                verdict.record,
                basins.get(verdict.stream, ""),
                verdict.stream,
                closure.first,
                closure.last,
                utc_text(body.closing_utc_ms),
                "yes" if body.clock_synced else "no",
                closure.closed_ms,
                closure.credited_ms,
                *((requirement.min_mc, requirement.max_mc, requirement.contact_ms) if requirement else (None,) * 3),
                closure.coldest_mc,
                closure.allowance_mc,
                closure.verdict.value,
                " ".join(finding.code for finding in closure.findings),
            )
        )


def _row(cells: Iterable[Any]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue().encode()


def pretty(content: Any) -> bytes:
    """JSON for people's eyes, keys sorted."""
    return msgspec.json.format(msgspec.json.encode(content, order="deterministic"), indent=1) + b"\n"
