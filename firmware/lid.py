"""The switches, debounced in pure code: raw edges and polled levels in, movements out.

No library's debouncing: it drops edges, and what it drops cannot be taken back.
"""

from __future__ import annotations

from typing import NamedTuple

SETTLE_MS = 50
"""A switch still for this long has settled. Common practice: contacts bounce for up to about 20 ms."""


class Moved(NamedTuple):
    """The lid moved.

    Attributes:
        ms: When, in milliseconds of the node's clock.
        closed: To where.
    """

    ms: int
    closed: bool


class LidSwitch:
    """Decides when the lid closed and opened: always the reading of the signal that credits less time.

    An opening counts from a bounce's first edge, a closing from its last, once it has been still for `settle_ms`. So
    the lid is closed exactly while the contact is, without a break, for at least that long.

    Args:
        ms: Now.
        closed: The level polled now; a closed lid, too, must first prove itself still.
        settle_ms: How long a closing must be still.

    Attributes:
        closed: The lid is closed, beyond doubt.
    """

    def __init__(self, ms: int, *, closed: bool, settle_ms: int = SETTLE_MS) -> None:
        self.closed = False
        self._settle_ms = settle_ms
        self._raw_closed = closed
        self._last_ms = ms
        self._closing_ms = ms if closed else None

    @property
    def closing_ms(self) -> int | None:
        """When a closing began that is not settled yet; whether the lid was closed since then is still open."""
        return self._closing_ms

    @property
    def settles_ms(self) -> int | None:
        """When that closing will have settled, if nothing moves."""
        return None if self._closing_ms is None else self._closing_ms + self._settle_ms

    def edge(self, ms: int, *, closed: bool) -> list[Moved]:
        """The contact changed.

        Args:
            ms: When. An edge that reaches us late counts as at the one before it: they come in order.
            closed: To what.
        """
        ms = max(ms, self._last_ms)
        moved = self.settle(ms)
        self._last_ms, self._raw_closed = ms, closed
        if not closed:
            self._closing_ms = None
            if self.closed:
                self.closed = False
                moved.append(Moved(ms, closed=False))
        elif not self.closed:
            self._closing_ms = ms  # a second closing edge in a row too: an opening between them was missed
        return moved

    def poll(self, ms: int, *, closed: bool) -> list[Moved]:
        """The level, read directly. Where it differs from the last edge, an edge was missed."""
        return self.edge(ms, closed=closed) if closed is not self._raw_closed else self.settle(ms)

    def settle(self, now_ms: int) -> list[Moved]:
        """Nothing else happened until `now_ms`: a closing may have settled."""
        if self._closing_ms is None or now_ms < self._closing_ms + self._settle_ms:
            return []
        moved = [Moved(self._closing_ms, closed=True)]
        self._closing_ms, self.closed = None, True
        return moved


class Button:
    """A press counts at its first edge, if the button was still before it: neither bounce nor release is a press."""

    def __init__(self, settle_ms: int = SETTLE_MS) -> None:
        self._settle_ms = settle_ms
        self._last_ms = -settle_ms

    def edge(self, ms: int, *, pressed: bool) -> bool:
        """The contact changed at `ms`; True where that is a press."""
        still_ms, self._last_ms = ms - self._last_ms, max(ms, self._last_ms)
        return pressed and still_ms >= self._settle_ms
