"""What a simulated node remembers from one boot to the next: where its play began, which past days are done."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import msgspec

from soak.decoding import from_json

MEMORY_FILE = "rehearsal.json"
"""Its usual name, in the node's data folder."""


class Memory(msgspec.Struct):
    """One node's memory, kept in a small file.

    Attributes:
        rehearsal: The rehearsal clock of the run, as text; another one is another run.
        began_ms: When the play began, on the rehearsal's wall clock.
        history_days: How many past days there are.
        history_end_ms: When they end, on the same clock.
        utc_offset_ms: Local time less UTC throughout.
        finished: Ids of past streams that the collector has in full.
    """

    rehearsal: str
    began_ms: int
    history_days: int
    history_end_ms: int
    utc_offset_ms: int
    finished: list[str] = []


def recall(path: Path) -> Memory | None:
    """Read a memory; None where there is none or it cannot be read: past days are then made and sent anew."""
    try:
        return from_json(path.read_bytes(), Memory)
    except (OSError, msgspec.DecodeError):
        return None


def keep(path: Path, memory: Memory) -> None:
    """Write a memory so that a power cut leaves the old one or the new one."""
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}")
    with os.fdopen(handle, "wb") as file:
        file.write(msgspec.json.encode(memory))
    os.replace(draft, path)
