"""The pins: the only place that knows gpiozero. Its callbacks do nothing but put on a queue."""

from __future__ import annotations

import queue

from firmware.clock import Clock
from firmware.settings import Settings


class Edge:
    """One switch moved (skeleton)."""


class Board:
    """The switches, lights and buzzer that the settings name (skeleton).

    Pins come from `gpiozero.Device.pin_factory`.
    """

    def __init__(self, settings: Settings, clock: Clock, events: queue.SimpleQueue[Edge]) -> None:
        raise NotImplementedError
