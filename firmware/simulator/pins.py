"""Hands on the mock pins: a lid switch that bounces, a button. gpiozero's mock pins have no bounce of their own."""

from __future__ import annotations

import time
from collections.abc import Callable
from random import Random
from typing import Protocol

from firmware.lid import SETTLE_MS

_MOST_BOUNCES = 3
_BOUNCE_MS = (1, 4)
_SHORTEST_WAIT_S = (
    0.001  # a shorter sleep takes longer than asked for, which a fast rehearsal would see as a standstill
)
_SHORTEST_SETTLING_S = 0.005  # a process can be held up for so long between two edges
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
        """Move a switch; its contact bounces for a few milliseconds.

        Faster, it bounces in no time at all, and above ten times not at all: held up between two edges, a bounce would
        last longer than the firmware waits for a switch to settle, and would be movements of the lid.
        """
        bounces = self._dice.randrange(1, _MOST_BOUNCES + 1)
        if self._real_s(SETTLE_MS) < _SHORTEST_SETTLING_S:
            bounces = 0
        for _ in range(bounces):
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
