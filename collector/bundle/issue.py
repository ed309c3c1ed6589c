"""That a bundle was begun is a record: it stands inside the chain that the bundle carries."""

from __future__ import annotations

import getpass
import os
from pathlib import Path

from collector.bundle.span import Span
from collector.ledger import COLLECTOR, Ledger, Record
from collector.record.desk import Desk
from collector.schema import FILE_NAME

EVIDENCE_BUNDLE = "evidence-bundle"
"""Kind of record. Whether the bundle became whole, its own manifest says."""


def can_be_recorded(data_dir: Path) -> bool:
    """Whether the data can be written: an auditor's copy, or a backup laid aside, cannot."""
    return os.access(data_dir, os.W_OK) and os.access(data_dir / FILE_NAME, os.W_OK)


def record_issue(desk: Desk, span: Span, who: str = COLLECTOR) -> Record:
    """Record that a bundle is begun.

    Args:
        desk: At the data.
        span: Its range.
        who: A person who has proven who they are; else whoever sits at the machine, whose account is kept.

    Raises:
        sqlite3.Error: The record cannot be written.
    """
    said: dict[str, object] = {"from_ms": span.from_ms, "to_ms": span.to_ms}
    if who == COLLECTOR:
        said["account"] = _account()
    with desk.transaction():
        return Ledger(desk.connection, desk.clock).append(EVIDENCE_BUNDLE, {"said": said}, who=who)


def _account() -> str:
    try:
        return getpass.getuser()[:100]
    except (OSError, KeyError):  # a number without a name
        return str(os.getuid())
