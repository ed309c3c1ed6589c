"""Whether another collector works on the same broker, by what it signs. Pure: words come in, a judgement goes out.

The broker says what we publish to ourselves as well. It keeps the order: whatever another collector says after our own
words came back was said while we were there. What comes before may be old: it waited for us, or is retained.
"""

from __future__ import annotations

from typing import NamedTuple

from soak.quantity import utc_text
from soak.wire import Sender

_MOST_RUNS = 1_000


class Rival(NamedTuple):
    """Another collector that lives. `by` is None for one that does not sign; `earlier`: it started before us."""

    by: Sender | None
    earlier: bool


class Rivals:
    """Knows this collector's own voice, and judges others'.

    Args:
        epoch: Of the data.
        run: Random, of this start.
        started_ms: Wall clock at this start, milliseconds since 1970.
    """

    def __init__(self, epoch: str, run: str, started_ms: int) -> None:
        self.epoch, self.run = epoch, run
        self._started = utc_text(started_ms)
        self._back = False
        self._back_on: set[str] = set()
        self._newest: dict[str, str] = {}

    @property
    def back(self) -> bool:
        """Our own words have come back on this connection."""
        return self._back

    def sender(self, now_ms: int) -> Sender:
        """What to sign with."""
        return Sender(self.epoch, self.run, self._started, utc_text(now_ms))

    def connected(self) -> None:
        """On a new connection what waited comes first again."""
        self._back = False

    def heard(self, topic: str, by: Sender | None, *, retained: bool) -> Rival | None:
        """Judge one of a collector's words.

        Args:
            topic: Where it was said.
            by: Who signed it.
            retained: The broker kept it; it may be old.

        Returns:
            The other collector, if this proves that one lives.
        """
        if by is not None and by.run == self.run:
            if not retained:
                self._back = True
                self._back_on.add(topic)
            return None
        lives = self._after_ours(topic, by) if retained else self._back
        if by is not None and len(self._newest) < _MOST_RUNS:
            self._newest[by.run] = max(by.sent, self._newest.get(by.run, ""))
        if not lives:
            return None
        return Rival(by, by is not None and (by.started, by.run) < (self._started, self.run))

    def _after_ours(self, topic: str, by: Sender | None) -> bool:
        """Something retained in the place of our own word was said after it.

        Unless the broker fell back to an older state of itself: then it was said before we started, or we know it.
        """
        return (
            by is not None
            and topic in self._back_on
            and by.sent > self._started
            and by.sent > self._newest.get(by.run, "")
        )
