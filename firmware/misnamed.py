"""Sensors that the settings name and the bus does not have, while it has others that no basin uses: a slip of the pen.

The node goes on: that sensor is a fault in every reading, so no soak of its basin is called good meanwhile.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from firmware.sensors import nearest_sensor, on_bus
from firmware.settings import Basin, Settings
from soak.reading import SensorId

log = logging.getLogger(__name__)

LOOK_S = 30.0
MOST_DIGITS = 4
"""So many digits of twelve may differ and it is still taken for a slip of the pen. Our own choice: of two serial
numbers drawn by chance, nearly all differ in more than eight."""

_NUMBERS = ("no digit differs", "one digit differs", "two digits differ", "three digits differ", "four digits differ")


def strangers(basins: Sequence[Basin], seen: Sequence[SensorId]) -> list[SensorId]:
    """Sensors on the bus that are in no basin."""
    used = {sensor for basin in basins for sensor in basin.sensors}
    return [sensor for sensor in seen if sensor not in used]


def misnamed(basins: Sequence[Basin], seen: Sequence[SensorId]) -> list[str]:
    """What is wrong: a text, without the last full stop, for each sensor that is not there while one is in no basin.

    Args:
        basins: As the settings have them.
        seen: Sensors on the bus.
    """
    unused = strangers(basins, seen)
    return [
        _text(basin.name, sensor, *nearest)
        for basin in basins
        for sensor in basin.sensors
        if sensor not in seen and (nearest := nearest_sensor(sensor, unused))
    ]


def _text(basin: str, sensor: SensorId, nearest: SensorId, differing: int) -> str:
    begin = f"sensor {sensor} of basin {basin} is not on the bus; {nearest} is, and is in no basin"
    if differing <= MOST_DIGITS:
        return f"{begin}: {_NUMBERS[differing]}. Correct `sensors` of basin {basin}"
    return f"{begin}. If it hangs in basin {basin}, write it into `sensors`"


class MisnamedWatch:
    """Looks now and then: sensors come late after a power-up, and a plug may be pushed home. Any thread may ask.

    Args:
        settings: The node's.
        now_s: Seconds of a clock that only rises.
    """

    def __init__(self, settings: Settings, now_s: Callable[[], float] = time.monotonic) -> None:
        self._settings, self._now_s = settings, now_s
        self._looked_s: float | None = None
        self._texts: list[str] = []

    def troubles(self) -> list[str]:
        """What is wrong now; the log has each once."""
        now_s = self._now_s()
        if self._looked_s is None or now_s - self._looked_s >= LOOK_S:
            self._looked_s = now_s
            texts = misnamed(self._settings.basins, on_bus(Path(self._settings.w1_devices)))
            for text in texts:
                if text not in self._texts:
                    log.warning("node %s", text)
            self._texts = texts
        return self._texts
