"""The collector checks its own ledger once a day, in a process apart: a chain that does not hold is a high alarm."""

from __future__ import annotations

import contextlib
import logging
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from collector.alarms.held import Held, Key

log = logging.getLogger(__name__)

FIRST_S = 600.0
EVERY_S = 24 * 3_600.0
"""Our own choice: it reads everything there is, which takes a Raspberry Pi minutes after some years."""
NICENESS = 19
"""The least claim on the processor that Linux knows."""

_DOES_NOT_HOLD = 1
_VERIFY = "from collector.verify_command import command; command()"


class ChainCheck:
    """Runs `soakledger verify` now and then, with the least claim on the processor.

    Args:
        data_dir: The collector's data folder.
        first_s: How long after the start it is first checked.
    """

    def __init__(self, data_dir: Path, first_s: float = FIRST_S) -> None:
        self._data_dir = data_dir
        self._due_s = time.monotonic() + first_s
        self._process: subprocess.Popen[str] | None = None
        self._known = ""
        self._wrong = ""
        self._wrong_since_ms = 0

    def look(self, now_ms: int) -> Iterator[Held]:
        """What the last check found; begins the next one when it is due.

        Args:
            now_ms: Milliseconds since 1970.
        """
        if self._process is None and time.monotonic() >= self._due_s:
            self._due_s = time.monotonic() + EVERY_S
            self._begin()
        elif self._process is not None and self._process.poll() is not None:
            self._end(self._process, now_ms)
            self._process = None
        if self._wrong:
            yield Held(Key("chain-broken", "site"), self._wrong, self._wrong_since_ms)

    def close(self) -> None:
        """End a check that runs."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None

    def _begin(self) -> None:
        known = ["--known", self._known] if self._known else []
        self._process = subprocess.Popen(
            [sys.executable, "-c", _VERIFY, "--data", str(self._data_dir), "--quiet", "--processes", "1", *known],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        with contextlib.suppress(OSError):  # it has ended already
            os.setpriority(os.PRIO_PROCESS, self._process.pid, NICENESS)

    def _end(self, process: subprocess.Popen[str], now_ms: int) -> None:
        said = process.communicate()[0].strip().splitlines()
        line = said[-1] if said else "it said nothing."
        if process.returncode == 0:
            self._wrong = ""
            if head := re.search(r"chain ends at (\d+:[0-9a-f]{64})", line):
                self._known = head[1]
            log.info("the daily check of the ledger: %s", line)
        elif process.returncode == _DOES_NOT_HOLD:
            self._wrong_since_ms = self._wrong_since_ms if self._wrong else now_ms
            self._wrong = line
            log.error("the daily check of the ledger: %s", line)
        else:
            log.error("the daily check of the ledger could not be made: %s", line)
