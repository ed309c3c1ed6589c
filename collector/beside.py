"""A record of the collector's own, appended by a command beside it, also while it runs."""

from __future__ import annotations

from pathlib import Path

from collector import projections
from collector.clock import UtcClock
from collector.ledger import Ledger
from collector.machine import Machine
from collector.schema import FILE_NAME, connect, refuse_newer


def append_beside(data_dir: Path, body: Machine, clock: UtcClock) -> int:
    """Append it with what follows from it, in a transaction of its own.

    Returns:
        The record's number.

    Raises:
        DataError: A newer version wrote the data.
        sqlite3.Error: The database cannot be written; nothing was recorded.
    """
    database = connect(data_dir / FILE_NAME)
    try:
        refuse_newer(database)
        database.conn.execute("BEGIN IMMEDIATE")
        try:
            record = Ledger(database.conn, clock).append(body.KIND, body)
            projections.follow(database.conn, record)
            database.conn.commit()
        except BaseException:
            database.conn.rollback()
            raise
        return record.number
    finally:
        database.close()
