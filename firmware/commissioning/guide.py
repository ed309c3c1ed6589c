"""The guided first start, from the bus to the broker: asks, watches, and collects what was found."""

from __future__ import annotations

import queue
import time
from collections.abc import Sequence
from pathlib import Path

from firmware.board import Board, Edge
from firmware.checkup.broker import try_broker
from firmware.checkup.broker_found import judge_broker
from firmware.checkup.bus import judge_bus, judge_names, look_at_bus, this_overlay_advice
from firmware.checkup.computer import judge_disk, look_at_disk
from firmware.clock import Clock
from firmware.commissioning.console import Console
from firmware.commissioning.editing import UnusualError, snippet, with_sensors
from firmware.commissioning.naming import Named, Naming, temperatures
from firmware.commissioning.results import Results
from firmware.commissioning.trying import Trying
from firmware.errors import BoardError, SettingsError
from firmware.fault_advice import fault_advice
from firmware.sensors import Sensors
from firmware.settings import Settings, load
from host.clock import judge_clock
from host.doctor import Mark
from host.private_file import OUR_GROUP, write_private
from soak.reading import Fault, SensorId

_FIRST_S, _TURN_S = 4.0, 1.5
"""By then every sensor has given something: a conversion takes most of a second, outliers of 1.8 s were seen, and each
sensor of a bus takes its turn."""

INTRODUCTION = (
    "This tries out every part of node {node}, one after the other. It takes about five minutes for each basin.\n"
    "No device may be in a basin meanwhile: nothing is watched.\n"
    "High-level disinfectants harm eyes, skin and airways: gloves, eye protection, ventilation as the label says. "
    "Dry hands at the terminal and the Pi.\n"
    "Every step can be skipped with s; it is then on record as skipped, never as good."
)


class Guide:
    """Goes through all of it.

    Args:
        file: The settings file.
        settings: What it says.
        console: The person.
        clock: The node's clocks.
        write: Write the sensors that are warmed into the settings file.
    """

    def __init__(self, file: Path, settings: Settings, console: Console, clock: Clock, *, write: bool) -> None:
        self.settings = settings
        self.results = Results(console.say)
        self._file, self._console, self._clock, self._write = file, console, clock, write

    def run(self) -> Results:
        """Everything; what was found is told as it is found."""
        self._console.say(INTRODUCTION.format(node=self.settings.node))
        self._title("1-Wire bus and sensors")
        self._sensors()
        self._title("Lid, button, light, buzzer")
        self._parts()
        self._title("Clock and disk")
        self._computer()
        self._title("Broker and collector")
        self._broker()
        return self.results

    def _title(self, text: str) -> None:
        self._console.say(f"\n{text}\n{'-' * len(text)}")

    def _sensors(self) -> None:
        devices = Path(self.settings.w1_devices)
        bus = look_at_bus(devices)
        self.results.found("bus", judge_bus(bus, this_overlay_advice(self.settings.w1_pin)))
        if not bus.sensors:
            for basin in self.settings.basins:
                self.results.unseen("sensor", "no sensor is on the bus.", basin.name)
            return
        if not self._write:
            for each in judge_names(self.settings.basins, bus.sensors):
                self.results.found("sensors", each)
        sensors = Sensors(bus.sensors, devices, self._clock)
        sensors.start()
        try:
            self._list(sensors, bus.sensors)
            naming = Naming(self._console, sensors, bus.sensors, self._clock, self.results)
            named = [naming.name(basin, write=self._write) for basin in self.settings.basins]
        finally:
            sensors.close()
        if self._write:
            self._write_down(named)

    def _list(self, sensors: Sensors, every: Sequence[SensorId]) -> None:
        """Each with its temperature, once all have given something, or after a while."""
        end_s = time.monotonic() + max(_FIRST_S, len(every) * _TURN_S)  # real time, whatever the clock's speed
        while len(sensors.newest()) < len(every) and time.monotonic() < end_s:
            self._console.typed(0.1)
        used = {sensor: basin.name for basin in self.settings.basins for sensor in basin.sensors}
        for sensor, result in temperatures(sensors, every).items():
            where = f"basin {used[sensor]}" if sensor in used else "in no basin"
            if isinstance(result, Fault):
                said, todo = fault_advice(result)
                self.results.add("answer", Mark.WRONG, f"{sensor}: {said}.", todo, used.get(sensor))
            else:
                self._console.say(f"  {sensor}   {result / 1000:6.2f} °C   {where}")

    def _write_down(self, named: Sequence[Named]) -> None:
        """The sensors that were warmed, each basin's on its line of the settings file; else what to write there."""
        wanted = {each.basin: each.sensors for each in named if each.sensors}
        known = {basin.name: basin.sensors for basin in self.settings.basins}
        changes = {basin: sensors for basin, sensors in wanted.items() if tuple(sensors) != tuple(known[basin])}
        if not changes:
            self._console.say("The settings file says the same: nothing was written.")
            return
        try:
            text = self._file.read_bytes().decode()
            for basin, sensors in changes.items():
                text = with_sensors(text, basin, sensors)
            self.settings = replace_settings(self._file, text)
        except (OSError, UnicodeDecodeError, UnusualError, SettingsError) as error:
            self.results.add("settings", Mark.WRONG, f"the sensors could not be written down ({error}).")
            self._console.say(f"Write this into {self._file} by hand:")
            for basin, sensors in changes.items():
                self._console.say(f"  in the [[basin]] named {basin}:   {snippet(sensors)}")
        else:
            self.results.add("settings", Mark.GOOD, f"sensors of {', '.join(changes)} written into {self._file.name}.")

    def _parts(self) -> None:
        edges: queue.Queue[Edge] = queue.Queue()
        try:
            board = Board(self.settings, self._clock, edges)
        except BoardError as error:
            self.results.add("pins", Mark.WRONG, str(error))
            for basin in self.settings.basins:
                self.results.unseen("lid", "the pins cannot be used.", basin.name)
            return
        try:
            Trying(self._console, board, edges, self._clock, self.results).all(self.settings)
        finally:
            board.close()

    def _computer(self) -> None:
        self.results.found("clock", judge_clock(synced=self._clock.synced()))
        disk = look_at_disk(Path(self.settings.data_dir), write=True)
        self.results.found("disk", judge_disk(disk))
        if disk.written_ms:
            self.results.figures["disk-write-ms"] = max(disk.written_ms)
        self.results.figures["disk-free-mb"] = disk.free_bytes // 1_000_000

    def _broker(self) -> None:
        settings = self.settings
        self._console.say("Asking broker and collector …")
        tried = try_broker(settings.node, settings.broker, "commission", ask=True)
        codes = {
            "broker's certificate": "certificate",
            "collector's receipt": "receipt",
            "collector's orders": "orders",
        }
        for each in judge_broker(settings.broker, tried, self._clock.utc_ms()):
            self.results.found(codes.get(each.what, "broker"), each)
        if tried.answers_ms:
            self.results.figures["broker-answer-ms"] = max(tried.answers_ms)
        if tried.collector_ms is not None:
            self.results.figures["collector-answer-ms"] = tried.collector_ms
        if tried.certificate_days is not None:
            self.results.figures["certificate-days"] = max(0, tried.certificate_days)


def replace_settings(file: Path, text: str) -> Settings:
    """Put a changed text in the place of the settings file, once it is proven that the node would start with it.

    Raises:
        SettingsError: It would not; the file stays as it is.
        OSError: It could not be written; the file stays as it is.
    """
    draft = file.with_suffix(".proposed")
    mode = file.stat().st_mode & 0o777
    try:
        write_private(draft, text, mode, OUR_GROUP)
        load(draft)
    finally:
        draft.unlink(missing_ok=True)
    write_private(file, text, mode, OUR_GROUP)
    return load(file)
