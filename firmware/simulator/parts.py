"""The parts of the demonstration as processes: started, watched, listened to, and ended in order."""

from __future__ import annotations

import os
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

_PATIENCE_S = 8.0
_LAST_LINES = 12


class Part:
    """One process.

    Args:
        name: As people call it.
        command: What to run.
        log: Where what it writes is kept.
        heard: Its standard output is listened to instead of kept.
    """

    def __init__(self, name: str, command: Iterable[str], log: Path, *, heard: bool = False) -> None:
        self.name, self.log, self.heard = name, log, heard
        self._command = list(command)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, or start it again."""
        tethered = [sys.executable, "-m", "firmware.simulator.tethered", str(os.getpid()), *self._command]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                tethered,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE if self.heard else log,
                stderr=log,
                start_new_session=True,  # Ctrl-C is for the demonstration, which ends its parts in order
            )

    @property
    def status(self) -> int | None:
        """Exit status; None while it runs, negative where a signal ended it."""
        return self._process.poll() if self._process else None

    @property
    def running(self) -> bool:
        """It was started and has not ended."""
        return self._process is not None and self._process.poll() is None

    @property
    def output(self) -> int | None:
        """File descriptor of its standard output, if that is listened to."""
        return self._process.stdout.fileno() if self._process and self._process.stdout else None

    def last_lines(self) -> list[str]:
        """What it wrote last."""
        try:
            return self.log.read_text(errors="replace").splitlines()[-_LAST_LINES:]
        except OSError:
            return []

    def ask_to_stop(self) -> None:
        """SIGTERM, if it runs."""
        if self._process and self.running:
            self._process.send_signal(signal.SIGTERM)

    def end(self, patience_s: float = _PATIENCE_S) -> None:
        """Wait until it has ended; kill it when that takes too long."""
        process = self._process
        if process is None:
            return
        try:
            process.wait(patience_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout:
            process.stdout.close()
        self._process = None


class Ears:
    """Hears the lines that parts say on their standard output."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()
        self._unfinished: dict[int, bytes] = {}

    def listen(self, part: Part) -> None:
        """Listen to a part that was just started."""
        output = part.output
        if output is not None:
            os.set_blocking(output, False)
            self._selector.register(output, selectors.EVENT_READ, part)

    def hear(self, wait_s: float) -> Iterator[tuple[Part, str]]:
        """Lines said within `wait_s` seconds, or as soon as there are any; none if nobody says anything."""
        if not self._selector.get_map():
            time.sleep(wait_s)
            return
        for key, _ in self._selector.select(wait_s):
            part: Part = key.data
            try:
                said = os.read(key.fd, 65_536)
            except BlockingIOError:
                continue
            if not said:
                self._selector.unregister(key.fd)
            *lines, rest = (self._unfinished.pop(key.fd, b"") + said).split(b"\n")
            if said:
                self._unfinished[key.fd] = rest
            for line in lines:
                yield part, line.decode(errors="replace")

    def forget(self, part: Part) -> None:
        """Listen to this part no longer: before it is ended, for its descriptor will be given to somebody else."""
        output = part.output
        if output is not None and output in self._selector.get_map():
            self._selector.unregister(output)
        if output is not None:
            self._unfinished.pop(output, None)

    def close(self) -> None:
        """Listen to nobody any more."""
        self._selector.close()


def stop_in_order(groups: Iterable[Iterable[Part]]) -> None:
    """End group after group; within one, all at once."""
    for group in map(list, groups):
        for part in group:
            part.ask_to_stop()
        deadline_s = time.monotonic() + _PATIENCE_S
        for part in group:
            part.end(max(0.1, deadline_s - time.monotonic()))
