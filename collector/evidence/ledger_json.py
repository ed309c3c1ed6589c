"""Records of the ledger as a file beside a paper: verbatim, with what it takes to make their hashes again."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Any, Final

import msgspec

from collector import ledger
from collector.evidence.sound import hash_before, refuse_changed
from collector.record.errors import RefusedError

HOW: Final = (
    "Each record's hash is SHA-256, in hexadecimal, of the tag followed by this JSON without white space, its fields "
    "in this order: at_ms, body (as it is written here, unescaped), format, kind, number, previous, reason, site, "
    "software, who. `previous` is the hash of the record before, which need not be in this file."
)


def records_json(connection: sqlite3.Connection, numbers: Iterable[int]) -> bytes:
    """Records by their numbers.

    Raises:
        RefusedError: One is missing, does not give its hash, or is of a newer version.
    """
    found: list[dict[str, Any]] = []
    for number in sorted(set(numbers)):
        record = ledger.record(connection, number)
        if record is None:
            raise RefusedError(
                "chain-broken",
                f"Record {number} is not in the ledger.",
                "Run `soakledger verify`, then restore the data from a backup.",
            )
        refuse_changed(connection, record)
        found.append({**record._asdict(), "previous": hash_before(connection, record)})
    content = {"site": ledger.site_id(connection), "tag": ledger.TAG.decode(), "how": HOW, "records": found}
    return msgspec.json.format(msgspec.json.encode(content), indent=1) + b"\n"
