"""A condition that must last before it counts, and be gone for a while before it does not. Pure."""

from __future__ import annotations


class Delayed:
    """Turns what flickers into what stands.

    Args:
        on_ms: How long it must be there without a break; equality counts.
        off_ms: How long it must be gone without a break; equality counts.

    Attributes:
        on: It stands.
    """

    def __init__(self, on_ms: int, off_ms: int) -> None:
        self.on = False
        self._on_ms, self._off_ms = on_ms, off_ms
        self._since_ms: int | None = None  # since when it has been otherwise than `on` says

    def see(self, ms: int, there: bool | None) -> bool:
        """It is there at `ms`, or is not; None where nobody can tell, which changes nothing.

        Returns:
            Whether it stands.
        """
        if there is None:
            return self.on
        if there is self.on:
            self._since_ms = None
            return self.on
        if self._since_ms is None:
            self._since_ms = ms
        if ms - self._since_ms >= (self._off_ms if self.on else self._on_ms):
            self.on, self._since_ms = there, None
        return self.on

    def reset(self) -> None:
        """It is gone at once: what it was about has ended."""
        self.on, self._since_ms = False, None
