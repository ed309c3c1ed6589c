"""One node: ticks once a second, takes readings, keeps them until a receipt covers them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from firmware.clock import Clock
from firmware.settings import Settings
from firmware.source import Source


class Node:
    """The whole node, wired together.

    Args:
        settings: Checked settings.
        clock: The machine's own, or a rehearsal's.
        sources: Further readings to send beside its own, such as the simulator's past days; older than its own.
        on_ready: Called once from `run`, when the pins exist and before anything is read from them: setting up a pin
            as an input resets a mock pin's level to its pull-up, so a simulator sets its levels here.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        sources: Sequence[Source] = (),
        *,
        on_ready: Callable[[], None] | None = None,
    ) -> None:
        self._settings, self._clock, self._sources, self._on_ready = settings, clock, sources, on_ready

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set; then say goodbye and close everything.

        Raises:
            OutboxError: Readings cannot be kept.
            BoardError: The pins cannot be used.
        """
        raise NotImplementedError
