"""Logs as journald takes them: it adds the time itself and reads the priority from the line (sd-daemon(3))."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Mapping
from types import TracebackType
from typing import IO

_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_PLAIN = "%(asctime)s %(levelname)s %(name)s %(message)s"


class _ForJournal(logging.Formatter):
    """Each line of a text gets the priority: the journal takes a line for a message."""

    def format(self, record: logging.LogRecord) -> str:
        level = next((number for least, number in _PRIORITIES if record.levelno >= least), 7)
        return "\n".join(f"<{level}>{line}" for line in super().format(record).splitlines())


def one_line(text: str) -> str:
    """A text without line ends and control characters: what others wrote must not look like lines of our own."""
    return " ".join("".join(each if each.isprintable() else " " for each in text).split())


def to_journal(stream: IO[str], environment: Mapping[str, str] = os.environ) -> bool:
    """What is written there goes to the journal: systemd names its device and inode in JOURNAL_STREAM."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environment.get("JOURNAL_STREAM", "") == f"{found.st_dev}:{found.st_ino}"


def _log_uncaught(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """What ends a process is the most urgent line of all; Python alone would write it without a priority."""
    logging.getLogger("uncaught").critical("the process ends", exc_info=(kind, error, trace))


def log_to_stderr(*, verbose: bool = False) -> None:
    """Set up logging for a command; only commands call this.

    Args:
        verbose: Details too.
    """
    handler = logging.StreamHandler(sys.stderr)
    journal = to_journal(sys.stderr)
    handler.setFormatter(_ForJournal("%(name)s %(message)s") if journal else logging.Formatter(_PLAIN))
    if journal:
        sys.excepthook = _log_uncaught
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler])
