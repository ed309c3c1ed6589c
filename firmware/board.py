"""The pins: the only place that knows gpiozero. Its callbacks do nothing but put on a queue.

An exception in a callback would end the library's thread unseen. Its debouncing drops edges, so it is not used.
"""

from __future__ import annotations

import enum
import os
import queue
import sys
from collections.abc import Callable
from typing import Any, NamedTuple

from firmware.clock import Clock
from firmware.errors import BoardError
from firmware.settings import Settings

PIN_FACTORY = "lgpio"
"""Unless GPIOZERO_PIN_FACTORY says otherwise; left to itself gpiozero slides from library to library with a warning."""


class Switch(enum.Enum):
    """What has an edge."""

    LID = enum.auto()
    BUTTON = enum.auto()


class Edge(NamedTuple):
    """A contact changed.

    Attributes:
        basin: The basin it belongs to.
        switch: Which of its contacts.
        ms: When, in milliseconds of the node's clock.
        active: Lid closed, or button pressed.
    """

    basin: str
    switch: Switch
    ms: int
    active: bool


class Board:
    """The switches, lights and buzzer that the settings name.

    Pins come from `gpiozero.Device.pin_factory`. A contact closed to ground is active: a broken wire reads as open.

    Args:
        settings: Which pins.
        clock: Times the edges.
        events: Where they go.

    Raises:
        BoardError: The pins cannot be used.
    """

    def __init__(self, settings: Settings, clock: Clock, events: queue.Queue[Edge]) -> None:
        self._clock, self._events = clock, events
        self._settings = settings
        self._devices: list[Any] = []
        self._contacts: list[Any] = []
        self._lids: dict[str, Any] = {}
        self._lights: dict[str, Any] = {}
        self._buzzer: Any = None
        name = os.environ.setdefault("GPIOZERO_PIN_FACTORY", PIN_FACTORY)
        # lgpio makes a FIFO in this folder when it is imported, and changes to it.
        os.environ.setdefault("LG_WD", os.environ.get("RUNTIME_DIRECTORY", settings.data_dir))
        self._library = name
        self._trying(self._open)

    def closed(self, basin: str) -> bool:
        """The level of a basin's lid switch now: True for closed."""
        return bool(self._lids[basin].value)

    def light(self, basin: str, red: float, green: float, blue: float) -> None:
        """Set a basin's light, each colour from 0 to 1; a basin without one has nothing to set."""
        if basin in self._lights:
            self._lights[basin].value = (red, green, blue)

    def sound(self, *, on: bool) -> None:
        """Turn the buzzer on or off, where there is one."""
        if self._buzzer is not None:
            self._buzzer.value = on

    def edges_live(self) -> bool:
        """The library's thread that reports edges lives, as far as is known: only lgpio's can be asked."""
        thread = getattr(sys.modules.get("lgpio"), "_notify_thread", None)
        return thread is None or bool(thread.is_alive())

    def reopen(self) -> None:
        """Open the contacts anew, with another thread of the library's if its own is dead.

        Raises:
            BoardError: The pins cannot be used.
        """
        while self._contacts:
            self._contacts.pop().close()
        if not self.edges_live():  # an exception in anybody's callback ends it for good
            lgpio: Any = sys.modules["lgpio"]
            lgpio._notify_thread = type(lgpio._notify_thread)()
        self._trying(self._open_contacts)

    def close(self) -> None:
        """Turn everything off and give the pins back."""
        for devices in (self._contacts, self._devices):
            while devices:
                devices.pop().close()

    def _trying(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:
            self.close()
            raise BoardError(
                f"The pins cannot be used through {self._library!r}: {error or type(error).__name__}. Check that "
                "nothing else uses them and that this user is in the group gpio; on a Raspberry Pi install "
                "python3-lgpio."
            ) from error

    def _open_contacts(self) -> None:
        for basin in self._settings.basins:
            self._lids[basin.name] = self._contact(basin.lid_pin, basin.name, Switch.LID)
            if basin.button_pin is not None:
                self._contact(basin.button_pin, basin.name, Switch.BUTTON)

    def _open(self) -> None:
        from gpiozero import RGBLED, Buzzer  # noqa: PLC0415

        self._open_contacts()
        settings = self._settings
        for basin in settings.basins:
            if basin.light:
                pins = basin.light
                self._lights[basin.name] = self._kept(RGBLED(pins.red, pins.green, pins.blue))
        if settings.buzzer_pin is not None:
            self._buzzer = self._kept(Buzzer(settings.buzzer_pin))

    def _contact(self, pin: int, basin: str, switch: Switch) -> Any:
        from gpiozero import DigitalInputDevice  # noqa: PLC0415

        device = DigitalInputDevice(pin, pull_up=True)
        self._contacts.append(device)
        device.when_activated = self._put(basin, switch, active=True)
        device.when_deactivated = self._put(basin, switch, active=False)
        return device

    def _put(self, basin: str, switch: Switch, *, active: bool) -> Callable[[], None]:
        put, boot_ms = self._events.put, self._clock.boot_ms  # the library's own times count from another zero
        return lambda: put(Edge(basin, switch, boot_ms(), active))

    def _kept(self, device: Any) -> Any:
        self._devices.append(device)
        return device
