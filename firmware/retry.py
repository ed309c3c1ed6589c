"""How long to wait before the next connection, and whether another machine uses this node's name. Pure.

Two clients of one name throw each other out: the broker ends the older connection whenever the other one comes (MQTT
3.1.1, 3.1.4-2). Were both to come back after a second, neither would get anything said.
"""

from __future__ import annotations

import random
from collections.abc import Callable

LONGEST_S = 30.0
LONGEST_TURN_S = 20.0
"""Of two machines with one name, one waits so long at most while the other speaks. Our own choice."""

SHORT_S = 60.0
"""A connection that stood for so long was nobody's turn: more than twice the longest one."""

THROWN_OUT = 5
"""So many connections in a row that the broker ended early, though it answers: an unsteady line, too, but rarely."""


class Retry:
    """Keeps account of the connections so far.

    Args:
        unit: Of all times here; a test makes it small.
        chance: A number from 0 to 1, another one each time: machines that wait equally long meet again.

    Attributes:
        thrown_out: How many connections in a row the broker ended early, coming back each time.
    """

    def __init__(self, unit: float = 1.0, chance: Callable[[], float] = random.random) -> None:
        self._unit, self._chance = unit, chance
        self._failures = 0
        self.thrown_out = 0

    @property
    def rival(self) -> bool:
        """Most likely another machine uses this node's name."""
        return self.thrown_out >= THROWN_OUT

    def failed(self) -> float:
        """Nobody answered, or we were refused.

        Returns:
            Seconds to wait.
        """
        self.thrown_out = 0
        self._failures += 1
        return self._between(min(2.0 ** (self._failures - 1), LONGEST_S))

    def ended(self, lasted_s: float, *, by_broker: bool) -> float:
        """A connection that stood has ended.

        Args:
            lasted_s: How long it stood.
            by_broker: The broker ended it; it was not the line that fell silent.

        Returns:
            Seconds to wait.
        """
        self._failures = 0
        self.thrown_out = self.thrown_out + 1 if by_broker and lasted_s < SHORT_S * self._unit else 0
        return self._between(min(2.0 ** max(0, self.thrown_out - 1), LONGEST_TURN_S))

    def _between(self, most: float) -> float:
        return self._unit * most * (0.5 + 0.5 * self._chance())
