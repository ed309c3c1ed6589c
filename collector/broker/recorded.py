"""Puts on record who may speak to the broker: never a password, nor anything made from one."""

from __future__ import annotations

import socket
import sqlite3
from pathlib import Path

from collector.beside import append_beside
from collector.clock import UtcClock
from collector.errors import DataError
from collector.health import unusable
from collector.machine import NodeEnrolled, NodeRevoked
from collector.schema import FILE_NAME


def record(data_dir: Path, body: NodeEnrolled | NodeRevoked, clock: UtcClock) -> int | None:
    """Append it, also while the collector runs.

    Returns:
        The record's number; None where there are no data yet.

    Raises:
        DataError: The database cannot be used.
    """
    path = data_dir / FILE_NAME
    if not path.is_file() or path.stat().st_size == 0:
        return None
    try:
        return append_beside(data_dir, body, clock)
    except sqlite3.Error as error:
        raise DataError(unusable(path, error)) from None


def this_host() -> str:
    """The name of this machine, as far as it is text."""
    return socket.gethostname()[:253]
