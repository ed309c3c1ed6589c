"""What a running node says of itself on its own computer, for `soakledger doctor`: in memory, never on the card.

The broker's copy is no help: a node may not read its own state there.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import msgspec

from soak.decoding import from_json
from soak.reading import Milliseconds
from soak.wire import BasinName, State

FILE_NAME = "state.json"
RUN = Path("/run/soakledger-node")
"""The service's runtime directory; systemd names it in RUNTIME_DIRECTORY (systemd.exec(5))."""

SAY_EVERY_S = 10.0
STALE_MS = 60_000
_MOST_BYTES = 1_000_000


class Said(msgspec.Struct, frozen=True):
    """What it says.

    Attributes:
        state: As it tells the collector.
        ms: When, on the uninterrupted clock.
        boot: Of which boot.
        lids: Per basin whether its lid switch is closed.
        connected: The broker listens.
        silent_ms: For how long the collector has said nothing.
    """

    state: State
    ms: Milliseconds
    boot: str
    lids: dict[BasinName, bool] = {}
    connected: bool = False
    silent_ms: Milliseconds = 0


class Saying:
    """Writes it down now and then; where systemd gives no folder for that, nowhere. Never fails.

    Args:
        environment: Where RUNTIME_DIRECTORY is.
        now_s: Seconds of a clock that only rises.
    """

    def __init__(
        self, environment: Mapping[str, str] = os.environ, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        folder = environment.get("RUNTIME_DIRECTORY", "").partition(":")[0]
        self._file = Path(folder) / FILE_NAME if folder else None
        self._now_s, self._said_s = now_s, float("-inf")

    def mind(self, said: Callable[[], Said]) -> None:
        """Say it, where that is due."""
        if self._file is None or self._now_s() - self._said_s < SAY_EVERY_S:
            return
        self._said_s = self._now_s()
        draft = self._file.with_suffix(".new")
        try:
            draft.write_bytes(msgspec.json.encode(said()))
            draft.replace(self._file)
        except OSError:  # the doctor then says "not seen"
            return


def heard(folder: Path = RUN) -> Said | None:
    """What the node said last; None where it said nothing that can be read."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            return from_json(file.read(_MOST_BYTES), Said)
    except (OSError, msgspec.MsgspecError):
        return None
