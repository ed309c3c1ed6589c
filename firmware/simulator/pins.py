"""Hands on the mock pins: a lid switch that bounces, a button. gpiozero's mock pins have no bounce of their own."""

from __future__ import annotations

import time
from collections.abc import Callable
from random import Random
from typing import Protocol

_MOST_BOUNCES = 3
_BOUNCE_MS = (1, 4)
_SHORTEST_WAIT_S = (
    0.001  # a shorter sleep takes longer than asked for, which a fast rehearsal would see as a standstill
)
_PRESS_MS = 120


class Pin(Protocol):
    """What is used of a gpiozero mock pin."""

    def drive_low(self) -> None:
        """Connect it to ground."""

    def drive_high(self) -> None:
        """Let its pull-up win."""


class Hand:
    """Moves switches the way hands do. A closed contact is connected to ground: low.

    Args:
        pin: Finds the pin of a BCM number.
        real_s: How many real seconds so many milliseconds of the rehearsal take.
        dice: Where the bounce comes from.
    """

    def __init__(self, pin: Callable[[int], Pin], real_s: Callable[[int], float], dice: Random) -> None:
        self._pin, self._real_s, self._dice = pin, real_s, dice

    def set(self, number: int, *, closed: bool) -> None:
        """Put a switch into a position without any bounce: how things stand at power-up."""
        pin = self._pin(number)
        if closed:
            pin.drive_low()
        else:
            pin.drive_high()

    def move(self, number: int, *, closed: bool) -> None:
        """Move a switch; its contact bounces for a few milliseconds, and in a fast rehearsal in no time at all."""
        for _ in range(self._dice.randrange(1, _MOST_BOUNCES + 1)):
            self.set(number, closed=closed)
            self._wait(self._dice.randrange(*_BOUNCE_MS))
            self.set(number, closed=not closed)
            self._wait(self._dice.randrange(*_BOUNCE_MS))
        self.set(number, closed=closed)

    def press(self, number: int) -> None:
        """Press and let go of a button."""
        self.move(number, closed=True)
        self._wait(_PRESS_MS)
        self.move(number, closed=False)

    def _wait(self, ms: int) -> None:
        real_s = self._real_s(ms)
        if real_s >= _SHORTEST_WAIT_S:
            time.sleep(real_s)
