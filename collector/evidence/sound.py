"""Whether the record is fit to be printed from: no paper comes from records that do not hold."""

from __future__ import annotations

import sqlite3

from collector import ledger
from collector.ledger import BEFORE_THE_FIRST, FORMAT, Record
from collector.record.errors import RefusedError

TAIL = 64
"""Records at the chain's end that are checked whenever a paper is issued; `soakledger verify` checks all of them."""

_VERIFY = "Run `soakledger verify`: it names the first record that does not hold. Then restore the data from a backup."


def refuse_unsound_tail(connection: sqlite3.Connection) -> None:
    """The chain's end is what a paper is tied to: its last records must follow on and give their hashes.

    Raises:
        RefusedError: They do not, or a newer version wrote one of them.
    """
    count = ledger.head(connection).records
    (rows,) = connection.execute("SELECT count(*) FROM ledger WHERE number > ?", (count - TAIL,)).fetchone()
    if rows != min(count, TAIL):
        raise RefusedError("chain-broken", f"Of the last {TAIL} records of the ledger some are missing.", _VERIFY)
    first = max(1, count - TAIL + 1)
    before = ledger.record(connection, first - 1)
    previous = before.hash if before else BEFORE_THE_FIRST
    site = ledger.site_id(connection)
    for record in ledger.records(connection, first):
        _refuse_newer(record)
        if record.hash != ledger.hashed(site, record, previous):
            raise _changed(record)
        previous = record.hash


def refuse_changed(connection: sqlite3.Connection, record: Record) -> None:
    """A record that a paper rests on must give its hash.

    Raises:
        RefusedError: It does not, or a newer version wrote it.
    """
    _refuse_newer(record)
    if record.hash != ledger.hashed(ledger.site_id(connection), record, hash_before(connection, record)):
        raise _changed(record)


def hash_before(connection: sqlite3.Connection, record: Record) -> str:
    """The hash of the record before."""
    before = ledger.record(connection, record.number - 1)
    return before.hash if before else BEFORE_THE_FIRST


def newer(text: str) -> RefusedError:
    """Something was written by a newer version: half of it would be left out unseen."""
    return RefusedError(
        "newer-version",
        f"{text} A newer version of this program wrote it, so a paper from here could leave something out.",
        "Issue it with that version, or a later one.",
    )


def _refuse_newer(record: Record) -> None:
    if record.format > FORMAT:
        raise newer(f"Record {record.number} is written in format {record.format}; this version reads up to {FORMAT}.")


def _changed(record: Record) -> RefusedError:
    return RefusedError(
        "chain-broken",
        f"Record {record.number} of the ledger does not give its hash: it, or the one before it, was changed.",
        _VERIFY,
    )
