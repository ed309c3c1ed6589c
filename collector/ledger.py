"""The ledger: everything that happened, as records that follow on, each bound to the one before by its hash.

A record's hash is SHA-256 over a tag and the record's canonical JSON (RFC 8785), which holds the hash of the record
before it. Nothing in it is ever changed: the database itself refuses UPDATE and DELETE.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from importlib.metadata import version
from typing import Any, NamedTuple

import msgspec
import rfc8785

from collector.errors import DataError

FORMAT = 1
"""Of the records that this version writes."""

TAG = b"soakledger/record/1\n"
"""Before the canonical JSON of each record, so that its hash is of nothing else."""

BEFORE_THE_FIRST = "0" * 64
"""What the first record has in the place of the hash of the one before it."""

COLLECTOR = "collector"
"""Who, where no person said it."""


class Head(NamedTuple):
    """The end of the chain: how many records, and the hash of the last."""

    records: int
    hash: str


class Record(NamedTuple):
    """One record.

    Attributes:
        number: From 1 on, without a gap.
        kind: What happened, e.g. "page" or "fill-poured".
        at_ms: When it was recorded, milliseconds since 1970.
        who: A person's id, or "collector".
        software: What wrote it.
        body: Its content, canonical JSON.
        reason: Why, in words; empty where nothing asks for one.
        hash: Of all of it and of the record before, hexadecimal.
        format: How it is written.
    """

    number: int
    kind: str
    at_ms: int
    who: str
    software: str
    body: str
    reason: str
    hash: str
    format: int = FORMAT

    def content(self) -> Any:
        """The body decoded."""
        return msgspec.json.decode(self.body)


_COLUMNS = "number, kind, at_ms, who, software, body, reason, hash, format"


def canonical(content: Any) -> str:
    """Canonical JSON (RFC 8785) of anything that msgspec can turn into builtins."""
    return rfc8785.dumps(msgspec.to_builtins(content)).decode()


def hashed(site: str, record: Record, previous: str) -> str:
    """The hash that a record must have.

    Args:
        site: The ledger's id.
        record: Its hash is not looked at. The body enters as it is written: any other spelling has another hash.
        previous: Hash of the record before it.
    """
    text = _text
    whole = (
        f'{{"at_ms":{record.at_ms},"body":{record.body},"format":{record.format},"kind":{text(record.kind)},'
        f'"number":{record.number},"previous":{text(previous)},"reason":{text(record.reason)},"site":{text(site)},'
        f'"software":{text(record.software)},"who":{text(record.who)}}}'
    )
    return hashlib.sha256(TAG + whole.encode()).hexdigest()


def _text(content: str) -> str:
    return rfc8785.dumps(content).decode()


def this_software() -> str:
    """What writes here: this program with its version."""
    return f"soakledger {version('soakledger')}"


class Ledger:
    """The one place that appends.

    Args:
        connection: To the database; appending stands in a transaction that was begun IMMEDIATE.
        clock: The wall clock, milliseconds since 1970.
        software: What writes; this version if not given.
    """

    def __init__(self, connection: sqlite3.Connection, clock: Callable[[], int], software: str | None = None) -> None:
        self._connection, self._clock = connection, clock
        self._software = software or this_software()

    def append(
        self, kind: str, body: Any, *, who: str = COLLECTOR, reason: str = "", at_ms: int | None = None
    ) -> Record:
        """Add a record.

        Args:
            kind: What happened.
            body: Its content; anything that msgspec can turn into builtins, numbers whole.
            who: Who says so.
            reason: Why.
            at_ms: When; now if not given.

        Returns:
            As it was written.

        Raises:
            ValueError: No transaction is open: the head could change before the record is written.
        """
        if not self._connection.in_transaction:
            raise ValueError("A record can be appended only inside a transaction.")
        count, previous = head(self._connection)
        record = Record(
            count + 1,
            kind,
            self._clock() if at_ms is None else at_ms,
            who,
            self._software,
            canonical(body),
            reason,
            "",
        )
        row = record._replace(hash=hashed(site_id(self._connection), record, previous))
        self._connection.execute(f"INSERT INTO ledger ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)  # noqa: S608
        return row


def site_id(connection: sqlite3.Connection) -> str:
    """The ledger's own id, drawn when it was begun."""
    row = connection.execute("SELECT content FROM site WHERE name = 'ledger'").fetchone()
    if row is None:
        raise DataError("The data have no ledger id: they were not made by this program. Restore the last backup.")
    return str(row[0])


def head(connection: sqlite3.Connection) -> Head:
    """The end of the chain."""
    row = connection.execute("SELECT number, hash FROM ledger ORDER BY number DESC LIMIT 1").fetchone()
    return Head(*row) if row else Head(0, BEFORE_THE_FIRST)


def records(connection: sqlite3.Connection, from_number: int = 1, kinds: tuple[str, ...] = ()) -> Iterator[Record]:
    """Records in order.

    Args:
        connection: To the database.
        from_number: The first.
        kinds: These only; all if none are given.
    """
    only = f" AND kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
    sql = f"SELECT {_COLUMNS} FROM ledger WHERE number >= ?{only} ORDER BY number"  # noqa: S608
    for row in connection.execute(sql, (from_number, *kinds)):
        yield Record._make(row)


def record(connection: sqlite3.Connection, number: int) -> Record | None:
    """One record."""
    row = connection.execute(f"SELECT {_COLUMNS} FROM ledger WHERE number = ?", (number,)).fetchone()  # noqa: S608
    return Record._make(row) if row else None
