"""All basins of a node, as shown and told: readings and orders in; lights, buzzer and words for the wire out."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from firmware.basinside import AtBasin
from firmware.conversation import told
from firmware.orders import OrdersInHand
from soak.reading import Reading
from soak.signals import Shown, Sounding
from soak.wire import BasinSide

log = logging.getLogger(__name__)


class Shows(Protocol):
    """What lights and buzzer are asked to play: `firmware.signalling.Signalling`."""

    def show(self, shown: Mapping[str, Shown], sounding: Sequence[Sounding]) -> None:
        """Play this from now on; returns at once."""


class Sides:
    """What a node knows at its basins. Used by the node's loop, but for `said` and `troubles`.

    Whatever fails in here is told and stops nothing: readings are taken and kept all the same.

    Args:
        basins: Their names.
        on_change: There is something new to tell the collector.

    Attributes:
        said: What is said and shown at each basin. Replaced whole.
    """

    def __init__(self, basins: Sequence[str], on_change: Callable[[], None]) -> None:
        self.said: list[BasinSide] = []
        self._basins = {name: AtBasin(name) for name in basins}
        self._on_change = on_change
        self._obeyed: OrdersInHand | None = None
        self._shown: object = None
        self._problem = ""

    def troubles(self) -> list[str]:
        """What is wrong, in few words each."""
        troubles = [trouble for side in self._basins.values() if (trouble := side.trouble)]
        return troubles + ([self._problem] if self._problem else [])

    def follow(
        self,
        now_ms: int,
        outputs: Shows,
        orders: OrdersInHand | None,
        *,
        collector_silent: bool,
        basin: str = "",
        readings: Sequence[Reading] = (),
    ) -> None:
        """Show what stands now.

        Args:
            now_ms: Now, on the node's clock.
            outputs: Lights and buzzer.
            orders: What the node goes by.
            collector_silent: Nothing was heard of the collector for long.
            basin: Whose readings these are.
            readings: Its newest, oldest first.
        """
        try:
            self._obey(orders, now_ms)
            for reading in readings:
                self._basins[basin].take(reading)
            for side in self._basins.values():
                side.look(now_ms, collector_silent=collector_silent)
            self._show(outputs)
        except Exception as error:
            if not self._problem:
                log.exception("node signals failed; readings go on")
            self._problem = f"signals at the basins fail: {error or type(error).__name__}"
        else:
            self._problem = ""

    def _obey(self, orders: OrdersInHand | None, now_ms: int) -> None:
        if orders is not self._obeyed:
            for name, side in self._basins.items():
                side.obey(orders.basins.get(name) if orders else None, now_ms)
            self._obeyed = orders

    def _show(self, outputs: Shows) -> None:
        shown = {name: side.shown() for name, side in self._basins.items()}
        sounding = [each for side in self._basins.values() for each in side.sounding()]
        if (shown, sounding) != self._shown:
            outputs.show(shown, sounding)
            self._shown = shown, sounding
        before, self.said = self.said, [side.side() for side in self._basins.values()]
        if told(before) != told(self.said):
            self._on_change()
