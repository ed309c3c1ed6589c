"""What waits in the outbox of a node that does not run: read from a copy, so that nothing of it changes."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import NamedTuple

from firmware.clock import Clock
from firmware.errors import OutboxError
from firmware.outbox import Outbox
from firmware.outbox_file import FILE_NAME
from firmware.outbox_recovery import log_of
from host.doctor import AS_ADMINISTRATOR, MANY_WAITING, Found, Mark
from soak.quantity import utc_ms, utc_text
from soak.wire import Batch

MOST_BYTES = 64 * 1024 * 1024
"""A larger file is not copied: that would take a card minutes."""


class Waiting(NamedTuple):
    """What was found.

    Attributes:
        readings: How many wait for a receipt; None where nobody could look.
        oldest: When the oldest was taken, by the clock that came with it; empty where none waits.
        problem: Why nobody could look.
    """

    readings: int | None
    oldest: str = ""
    problem: str = ""


def look_at_outbox(data: Path, clock: Clock) -> Waiting:
    """Count what waits."""
    file = data / FILE_NAME
    try:
        if not file.exists():
            return Waiting(0)
        parts = [part for part in (file, log_of(file)) if part.exists()]
        if sum(part.stat().st_size for part in parts) > MOST_BYTES:
            return Waiting(None, problem=f"{file} is too large to be looked at without the node")
        with tempfile.TemporaryDirectory(prefix="soakledger-doctor-") as folder:
            for part in parts:
                shutil.copyfile(part, Path(folder) / part.name)
            return _counted(Path(folder), clock)
    except (OSError, OutboxError) as error:
        return Waiting(None, problem=f"it cannot be read ({error})")


def _counted(folder: Path, clock: Clock) -> Waiting:
    outbox = Outbox(folder, clock)
    try:
        held = [(stream.stream, outbox.held(stream.stream)) for stream in outbox.streams()]
        oldest = next((outbox.batch(name, first, 1) for name, ranges in held for first, _ in ranges), None)
        return Waiting(outbox.depth, _taken(oldest) if oldest else "")
    finally:
        outbox.close(write=False)


def _taken(batch: Batch) -> str:
    """When its first reading was taken, to the second."""
    ago_ms = batch.clock.ms - batch.readings[0].ms
    return f"{utc_text(utc_ms(batch.clock.utc) - ago_ms)[:19]}Z".replace("T", " ")


def judge_waiting(waiting: Waiting) -> Found:
    """What that means."""
    if waiting.readings is None:
        return Found("outbox", Mark.UNKNOWN, f"{waiting.problem}.", AS_ADMINISTRATOR)
    if not waiting.readings:
        return Found("outbox", Mark.GOOD, "no reading waits.")
    said = f"{waiting.readings} reading{'s wait' if waiting.readings != 1 else ' waits'} for the collector"
    said += f", the oldest of {waiting.oldest}." if waiting.oldest else "."
    if waiting.readings > MANY_WAITING:
        todo = "They follow by themselves while the node runs and reaches broker and collector: look at these."
        return Found("outbox", Mark.NOTE, said, todo)
    return Found("outbox", Mark.GOOD, said)
