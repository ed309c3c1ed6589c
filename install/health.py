"""Whether a collector that was just started is well: what it says itself in its status file (collector/status.py)."""

from __future__ import annotations

import json
import time
from pathlib import Path

STORES_NOTHING = {
    "disk-full",
    "read-only",
    "database-locked",
    "disk-errors",
    "cannot-store",
    "database-damaged",
    "database-moved",
    "intake-stuck",
}
"""Conditions with which nothing reaches the disk. A test holds them to the collector's own table."""

_FRESH_S = 10.0  # it says every 2 s how it is
_CHECK_BYTES = 10  # behind the JSON


def stores_nothing(status: Path, since_s: float) -> str:
    """What keeps a collector from storing; empty when nothing does, or it has not said anything yet.

    Args:
        status: Its status file.
        since_s: When it was started, seconds since 1970: what it said before does not count.
    """
    try:
        if status.stat().st_mtime < since_s:
            return ""
        told = json.loads(status.read_bytes()[:-_CHECK_BYTES])
        codes = sorted({each["code"] for each in told["conditions"]} & STORES_NOTHING)
    except (OSError, ValueError, KeyError, TypeError):  # overwritten just now
        return ""
    return f"The collector runs and can store nothing ({', '.join(codes)})." if codes else ""


def silent(status: Path, since_s: float) -> str:
    """What is wrong with a collector that should have said how it is; empty when it has.

    Args:
        status: Its status file.
        since_s: When it was started, seconds since 1970.
    """
    try:
        said_s = status.stat().st_mtime
    except OSError:
        said_s = 0.0
    if said_s < since_s or time.time() - said_s > _FRESH_S:
        return f"The collector runs but does not say how it is (in {status})."
    return ""
