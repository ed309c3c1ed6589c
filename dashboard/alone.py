"""Long pieces of work for one person: one at a time, so that nobody keeps this machine from its basins with a click."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable

from collector.record.errors import RefusedError
from dashboard.texts import _

LONGEST_S = 600.0
"""After that another may begin, whatever became of the first: a browser may go away before it takes anything."""


class Alone:
    """Who has something long under way; used in the event loop only.

    Args:
        now_s: Seconds of a clock that only rises.
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._began_s: dict[str, float] = {}

    def begin(self, person: str) -> None:
        """Something long begins for a person.

        Raises:
            RefusedError: Something is under way already.
        """
        now_s = self._now_s()
        if now_s - self._began_s.get(person, float("-inf")) < LONGEST_S:
            raise RefusedError(
                "one-at-a-time",
                _("Another large file is still being made for you."),
                _("Wait until it has come, then ask again."),
            )
        self._began_s = {each: at_s for each, at_s in self._began_s.items() if now_s - at_s < LONGEST_S}
        self._began_s[person] = now_s

    def end(self, person: str) -> None:
        """It is made, or will not be."""
        self._began_s.pop(person, None)

    async def until_over(self, person: str, pieces: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
        """Pieces of something that has begun; its end is the end of them."""
        try:
            async for piece in pieces:
                yield piece
        finally:
            self.end(person)
