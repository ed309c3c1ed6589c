"""The ledger as the API gives it."""

from __future__ import annotations

import sqlite3
from itertools import islice

from collector import ledger
from collector.ledger import Record, canonical
from collector.projections import MACHINE
from collector.record.things import Thing
from dashboard.answers import HeadBody, HistoryBody, RecordBody, RecordsBody
from dashboard.things_view import thing_body
from dashboard.when import SiteTime


def head_body(connection: sqlite3.Connection) -> HeadBody:
    """The end of the chain."""
    return HeadBody(ledger.site_id(connection), *ledger.head(connection))


def records_body(
    connection: sqlite3.Connection, first: int, limit: int, kinds: tuple[str, ...], when: SiteTime
) -> RecordsBody:
    """Records from a number on."""
    head = ledger.head(connection)
    found = list(islice(ledger.records(connection, first, kinds), limit))
    return RecordsBody(
        ledger.site_id(connection), head.records, head.hash, [record_body(connection, each, when) for each in found]
    )


def record_body(connection: sqlite3.Connection, record: Record, when: SiteTime) -> RecordBody:
    """One record."""
    before = ledger.record(connection, record.number - 1)
    return RecordBody(
        number=record.number,
        kind=record.kind,
        at=when.rfc3339(record.at_ms),
        at_ms=record.at_ms,
        who=record.who,
        software=record.software,
        body=record.content(),
        reason=record.reason,
        format=record.format,
        previous=before.hash if before else ledger.BEFORE_THE_FIRST,
        hash=record.hash,
    )


def history(connection: sqlite3.Connection, kind: type[Thing], thing_id: str, when: SiteTime) -> HistoryBody:
    """Every record that changed a thing or is about it.

    Raises:
        MissingError: There is no such thing.
    """
    thing_body(connection, kind, thing_id, personal=True)
    about = f"{kind.KIND}/{thing_id}"
    found = [
        record
        for record in ledger.records(connection, kinds=_said_kinds(connection))
        if thing_id in record.body and _concerns(record, kind.KIND, thing_id, about)
    ]
    return HistoryBody(kind.KIND, thing_id, [record_body(connection, each, when) for each in found])


def records_about(connection: sqlite3.Connection, about: str) -> list[Record]:
    """Records whose body says that they are about a thing, e.g. "alarm/W3", oldest first.

    The collector's records of readings and verdicts are not looked through: they are about no thing.
    """
    kinds = _said_kinds(connection)
    text = f'"about":{canonical(about)}'  # as it stands in canonical JSON; inside a text its quotes would be escaped
    rows = connection.execute(
        f"SELECT number FROM ledger WHERE kind IN ({', '.join('?' * len(kinds))}) AND instr(body, ?) ORDER BY number",  # noqa: S608
        (*kinds, text),
    ).fetchall()
    found = (ledger.record(connection, number) for (number,) in rows)
    return [each for each in found if each is not None and each.content().get("about") == about]


def _concerns(record: Record, kind: str, thing_id: str, about: str) -> bool:
    content = record.content()
    return content.get("about") == about or thing_id in content.get("changes", {}).get(kind, {})


def _said_kinds(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Kinds of record other than the collector's own, which are nearly all there are: a jump for each, no scan."""
    rows = connection.execute(
        """WITH RECURSIVE kinds(kind) AS (
               SELECT min(kind) FROM ledger UNION ALL
               SELECT (SELECT min(kind) FROM ledger WHERE kind > kinds.kind) FROM kinds WHERE kinds.kind IS NOT NULL)
           SELECT kind FROM kinds WHERE kind IS NOT NULL"""
    )
    return tuple(kind for (kind,) in rows if kind not in MACHINE)
