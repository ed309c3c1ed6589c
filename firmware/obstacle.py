"""What kept this node from its broker, for as long as somebody should hear of it. Two threads meet here."""

from __future__ import annotations

import time
from collections.abc import Callable

from host.tls import Trouble

TOLD_FOR_S = 600.0
"""It can be told only once the broker is reached again; then for so long. Our own choice."""


class Obstacle:
    """A certificate, a name, a login, a clock. An absent broker is none: that passes, and is seen elsewhere.

    Args:
        now_s: Seconds of a clock that only rises.
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._met: Trouble | None = None
        self._passed_s: float | None = None

    def met(self, trouble: Trouble) -> None:
        """An attempt to connect failed for this."""
        if trouble.lasts:
            self._met, self._passed_s = trouble, None

    def passed(self) -> None:
        """The broker let this node in."""
        if self._passed_s is None:
            self._passed_s = self._now_s()

    @property
    def told(self) -> list[str]:
        """What the node says of it among its troubles, in at most one sentence or two."""
        met, passed_s = self._met, self._passed_s
        if met is None or (passed_s is not None and self._now_s() - passed_s > TOLD_FOR_S):
            return []
        return [met.text if passed_s is None else f"until a short while ago: {met.said}".rstrip(".")]
