"""The temperature sensors: a thread each, for a conversion takes most of a second. Only here is w1thermsensor known."""

from __future__ import annotations

import errno
import os
import re
import threading
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from firmware.clock import Clock
from firmware.sampler import Newest
from firmware.scratchpad import judge
from firmware.watch import Pulse, Watch
from soak.reading import Fault, SensorId

PERIOD_MS = 1_000
"""From the start of one conversion to the start of the next; a 12-bit one takes up to 750 ms (datasheet, Table 2)."""

MOST_STILL_S = 60.0
"""A conversion that does not end in so long is stuck in the driver: outliers of 1.8 s were seen."""

_SENSOR = re.compile(r"28-[0-9a-f]{12}")
_PAUSE_MS = 20  # at least, so that a slow bus leaves the others a turn
_JOIN_S = 3.0  # a read cannot be cut short; outliers of 1.8 s were seen


class Sensors:
    """All sensors of a node.

    Args:
        sensors: Their ids, as the kernel names them.
        devices: Where the kernel lists them.
        clock: Paces the conversions and times them.
    """

    def __init__(self, sensors: Sequence[SensorId], devices: Path, clock: Clock) -> None:
        self._stop, self._driver, self._clock = threading.Event(), _driver(devices), clock
        self._threads = {sensor: self._thread(sensor) for sensor in sensors}

    def start(self) -> None:
        """Begin to read."""
        for thread in self._threads.values():
            thread.begin()

    def watch(self, watch: Watch) -> None:
        """Have every thread watched; one that is dead or stuck is followed by another."""
        for sensor, thread in self._threads.items():
            watch.add(thread.pulse, partial(self._again, sensor), vital=False)

    def newest(self) -> dict[SensorId, Newest]:
        """What each sensor gave last; those that have given nothing yet are missing."""
        return {sensor: newest for sensor, thread in self._threads.items() if (newest := thread.newest) is not None}

    def close(self) -> None:
        """End the threads; a conversion under way is waited for, within reason."""
        self._stop.set()
        for thread in self._threads.values():
            if thread.is_alive():
                thread.join(_JOIN_S)

    def _again(self, sensor: SensorId) -> None:
        old = self._threads[sensor]
        old.abandoned.set()
        new = self._thread(sensor, old.pulse)
        new.newest = old.newest  # it grows stale by itself
        self._threads[sensor] = new
        if not self._stop.is_set():
            new.begin()

    def _thread(self, sensor: SensorId, pulse: Pulse | None = None) -> _SensorThread:
        pulse = pulse or Pulse(f"the thread of sensor {sensor}", MOST_STILL_S)
        return _SensorThread(sensor, self._driver, self._clock, self._stop, pulse)


class _SensorThread(threading.Thread):
    """Reads one sensor again and again. `newest` is replaced whole, so that readers need no lock."""

    def __init__(self, sensor: SensorId, driver: Any, clock: Clock, stop: threading.Event, pulse: Pulse) -> None:
        super().__init__(name=f"sensor {sensor}", daemon=True)
        self.sensor = sensor
        self.newest: Newest | None = None
        self.pulse, self.abandoned = pulse, threading.Event()
        self._driver, self._clock, self._stop_reading = driver, clock, stop
        self._device: Any = None  # kept for good: the same object recovers when the sensor comes back

    def begin(self) -> None:
        """Begin to read."""
        self.pulse.of(self)
        self.start()

    def run(self) -> None:
        clock = self._clock
        while not (self._stop_reading.is_set() or self.abandoned.is_set()):
            began_ms = clock.boot_ms()
            result = self._read()
            ended_ms = clock.boot_ms()
            if self.abandoned.is_set():
                return
            self.pulse.moved()
            self.newest = Newest(result, ended_ms)
            pause_ms = max(began_ms + PERIOD_MS - ended_ms, _PAUSE_MS)
            self._stop_reading.wait(clock.real_s(pause_ms))

    def _read(self) -> int | Fault:
        result, self._device = _conversion(self.sensor, self._driver, self._device)
        return result


def _conversion(sensor: SensorId, driver: Any, device: Any) -> tuple[int | Fault, Any]:
    """One conversion, and the driver's object. Nothing that goes wrong in it may end a thread: it becomes a fault."""
    try:
        if device is None:
            family, serial = sensor.split("-")
            device = driver(sensor_type=_type(family), sensor_id=serial)
        # w1thermsensor's own reader drops the raw bytes of a failure: they are evidence, so only its path is used.
        return judge(device.sensorpath.read_bytes()), device
    except Exception as error:
        return Fault(fault_word(error)), device


def read_once(sensor: SensorId, devices: Path) -> int | Fault:
    """One conversion of one sensor, here and now: for a bus that no node reads.

    Returns:
        Millidegrees Celsius, or why there are none.
    """
    return _conversion(sensor, _driver(devices), None)[0]


def on_bus(devices: Path) -> list[SensorId]:
    """The sensors that the kernel lists, sorted; none where it has no such folder. Nothing is asked of the bus."""
    try:
        names = os.listdir(devices)
    except OSError:
        return []
    return sorted(name for name in names if _SENSOR.fullmatch(name))


def nearest_sensor(sensor: SensorId, seen: Iterable[SensorId]) -> tuple[SensorId, int] | None:
    """Which of those seen is written most like a sensor that is not.

    Returns:
        It, and in how many digits it differs; None where none is seen.
    """
    ranked = [(sum(a != b for a, b in zip(sensor, each, strict=True)), each) for each in seen]
    differing, nearest = min(ranked, default=(0, ""))
    return (nearest, differing) if nearest else None


def fault_word(error: Exception) -> str:
    """A name for what went wrong: `unplugged`, `no-permission`, else the system's error or the class."""
    if isinstance(error, FileNotFoundError | NotADirectoryError) or type(error).__name__ == "NoSensorFoundError":
        return "unplugged"  # the kernel no longer lists the sensor
    if isinstance(error, PermissionError):
        return "no-permission"
    if isinstance(error, OSError) and (name := errno.errorcode.get(error.errno or 0)):
        return f"bus-{name.lower()}"
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "-", type(error).__name__).lower()
    return re.sub(r"[^a-z0-9-]", "", words).lstrip("0123456789-")[:32] or "error"


def _driver(devices: Path) -> Any:
    """w1thermsensor's class, looking where these settings say. A class of our own, so that nodes do not share it."""
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = (
        "1"  # its import would run modprobe; the module is the system's matter
    )
    from w1thermsensor import W1ThermSensor  # noqa: PLC0415

    return type("Bus", (W1ThermSensor,), {"BASE_DIRECTORY": devices})


def _type(family: str) -> Any:
    from w1thermsensor import Sensor  # noqa: PLC0415

    return Sensor.from_id_string(family)
