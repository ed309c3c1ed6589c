"""The parts of a clinic as processes that can be killed at any moment and are started again.

One that does not end when asked to is first made to write down where each of its threads stands.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
_PATIENCE_S = 60.0
_DYING_S = 2.0
_DUMP = "Fatal Python error"


class Part:
    """One process. It ends when whoever started it does, however that ends.

    Args:
        name: As people call it.
        command: What to run.
        log: Where what it writes is kept.

    Attributes:
        starts: How often it was started.
        kills: How often it was killed.
        stacks: Where its threads stood when it had to be killed because it did not end.
    """

    def __init__(self, name: str, command: Sequence[object], log: Path) -> None:
        self.name, self.log = name, log
        self.command = [str(word) for word in command]
        self.starts = self.kills = 0
        self.stacks: list[str] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._log_from = 0

    def start(self) -> None:
        """Start it; returns at once."""
        tethered = [sys.executable, "-m", "firmware.simulator.tethered", str(os.getpid()), *self.command]
        with self.log.open("ab") as log:
            self._log_from = log.tell()
            self._process = subprocess.Popen(
                tethered,
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,  # Ctrl-C is for whoever started it
                env=os.environ | {"PYTHONFAULTHANDLER": "1"},  # at SIGABRT or a crash it writes down its stacks
            )
        self.starts += 1

    @property
    def running(self) -> bool:
        """It was started and has not ended."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        """Of the process; 0 while there is none."""
        return self._process.pid if self._process else 0

    @property
    def status(self) -> int | None:
        """Exit status of one that has ended and was not waited for yet."""
        return self._process.poll() if self._process else None

    def kill(self) -> None:
        """`kill -9`, and wait until it is gone."""
        if self._process:
            self._process.kill()
            self._process.wait()
            self._process = None
            self.kills += 1

    def tell(self, number: signal.Signals) -> None:
        """Send it a signal."""
        if self._process and self.running:
            self._process.send_signal(number)

    def end(self, patience_s: float = _PATIENCE_S) -> int | None:
        """SIGTERM, and wait; its exit status, -6 or -9 if it took too long."""
        self.tell(signal.SIGTERM)
        return self.wait(patience_s)

    def wait(self, seconds: float) -> int | None:
        """Wait until it has ended; it is killed if that takes too long."""
        process, self._process = self._process, None
        if process is None:
            return None
        with contextlib.suppress(subprocess.TimeoutExpired):
            return process.wait(seconds)
        before = self.log.stat().st_size
        process.send_signal(signal.SIGABRT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(_DYING_S)
        process.kill()
        self.stacks = self.log.read_bytes()[before:].decode(errors="replace").splitlines()
        return process.wait()

    def last_lines(self, count: int = 8) -> list[str]:
        """What it wrote last."""
        return self.log.read_text(errors="replace").splitlines()[-count:] if self.log.exists() else []

    def last_words(self, count: int = 8) -> list[str]:
        """What it wrote last in the life that it lives or lived last; of one that crashed, where every thread stood."""
        if not self.log.exists():
            return []
        lines = self.log.read_bytes()[self._log_from :].decode(errors="replace").splitlines()
        crashed = next((at for at, line in enumerate(lines) if line.startswith(_DUMP)), None)
        return lines[-count:] if crashed is None else lines[max(0, crashed - count) :]


def end_all(groups: Sequence[Sequence[Part]]) -> None:
    """End group after group, within one all at once."""
    for group in groups:
        for part in group:
            part.tell(signal.SIGTERM)
        deadline_s = time.monotonic() + _PATIENCE_S
        for part in group:
            part.wait(max(0.1, deadline_s - time.monotonic()))
