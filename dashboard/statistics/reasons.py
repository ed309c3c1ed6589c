"""Why soaks failed, in a word or two of the reader's language."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

import msgspec

from dashboard.words import short_reason
from soak.closure import Closure
from soak.decoding import from_json


class _Full(msgspec.Struct, frozen=True):
    closure: Closure


def reasons(connection: sqlite3.Connection, closures: Sequence[int]) -> dict[int, str]:
    """Why closures were not met or not proven, the nearest cause in a word or two, by row."""
    sql = "SELECT c.id, l.body FROM closure c JOIN ledger l ON l.number = c.number WHERE c.id = ?"
    rows = (row for closure_id in closures for row in connection.execute(sql, (closure_id,)))
    return {row_id: short_reason(from_json(body, _Full).closure) for row_id, body in rows}
