"""A 1-Wire device tree laid out as the kernel does it, in an ordinary folder, with every way in which sensors fail.

Formats: Linux kernel documentation `w1_therm` and its driver's source (`w1_slave_show`); scratchpad: DS18B20 datasheet,
memory map.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from pathlib import Path

from firmware.scratchpad import crc8
from firmware.simulator.script import Trouble

POWER_ON_SIXTEENTHS = 0x0550
"""85 °C: what the register holds after power-up (DS18B20 datasheet, Table 1, footnote)."""

LOW_POWER_SIXTEENTHS = 0x07FF
"""127.94 °C: a conversion that had too little power (kernel documentation, `features`)."""

GONE_AFTER_MS = 100_000
"""How long the kernel keeps an unplugged sensor's folder, giving empty reads: about ten searches of ten seconds."""

_MASTER = "w1_bus_master1"
_STEPS, _POWER_UP_BYTE_6 = 0x10, 0x0C
"""Byte 6: 16 less the lowest four bits of the temperature after a conversion (from memory, not in the datasheet), and
after power-up the 0x0C by which the kernel's own check tells 85 °C and 127.94 °C apart (its documentation, `features`).
"""


def scratchpad(sixteenths: int, *, converted: bool = True) -> bytes:
    """A DS18B20's nine bytes at 12 bits.

    Args:
        sixteenths: Temperature in sixteenths of a degree Celsius.
        converted: False leaves byte 6 as after power-up, which is how 85 °C and 127.94 °C give themselves away.
    """
    low, high = (sixteenths & 0xFFFF).to_bytes(2, "little")
    byte_6 = _STEPS - (sixteenths & 0x0F) if converted else _POWER_UP_BYTE_6
    data = bytes((low, high, 0x4B, 0x46, 0x7F, 0xFF, byte_6, 0x10))
    return data + bytes((crc8(data),))


def w1_slave_text(raw: bytes, *, retained: bytes | None = None) -> str:
    """What the kernel prints for nine bytes just read.

    Args:
        raw: The nine bytes; a wrong check sum makes it a NO line.
        retained: The last good ones, which the second line shows; `raw` itself where they are good.
    """
    good = crc8(raw[:8]) == raw[8]
    value = int.from_bytes(raw[:2], "little", signed=True)
    shown_mc = abs(value) * 1000 // 16 * (1 if value >= 0 else -1)  # C's division: towards zero
    first, second = raw.hex(" "), (raw if good or retained is None else retained).hex(" ")
    return f"{first} : crc={crc8(raw[:8]):02x} {'YES' if good else 'NO'}\n{second} t={shown_mc}\n"


def troubled_text(trouble: Trouble, sixteenths: int) -> str:
    """What `w1_slave` says while a sensor is in trouble.

    Args:
        trouble: Which.
        sixteenths: What it would have indicated.
    """
    good = scratchpad(sixteenths)
    match trouble:
        case Trouble.UNPLUGGED | Trouble.EMPTY:
            return ""
        case Trouble.BAD_CRC:
            return w1_slave_text(bytes((good[0] ^ 0x40, *good[1:])), retained=good)
        case Trouble.ONE_LINE:
            return w1_slave_text(good).splitlines(keepends=True)[0]
        case Trouble.ZEROS:
            return w1_slave_text(bytes(9))
        case Trouble.POWER_ON:
            return w1_slave_text(scratchpad(POWER_ON_SIXTEENTHS, converted=False))
        case Trouble.LOW_POWER:
            return w1_slave_text(scratchpad(LOW_POWER_SIXTEENTHS, converted=False))


def rom_crc(sensor: str) -> int:
    """The check sum in a sensor's address, over family and serial number (DS18B20 datasheet, lasered ROM code)."""
    family, serial = sensor.split("-")
    return crc8(bytes.fromhex(family) + bytes.fromhex(serial)[::-1])


class Tree:
    """A device tree below one folder: what the kernel has under `/sys`.

    Args:
        root: An empty or new folder, or one that a tree was in before.
        sensors: Which sensors are plugged in to begin with.

    Attributes:
        devices: Where the sensors are listed, as `/sys/bus/w1/devices`.
    """

    def __init__(self, root: Path, sensors: Iterable[str]) -> None:
        self._bus = root / "devices" / _MASTER
        self.devices = root / "bus" / "w1" / "devices"
        self._texts: dict[str, str] = {}
        for folder in (root / "devices", root / "bus"):
            shutil.rmtree(folder, ignore_errors=True)
        self._bus.mkdir(parents=True)
        self.devices.mkdir(parents=True)
        self._link(_MASTER, self._bus)
        (self._bus / "w1_master_name").write_text(f"{_MASTER}\n")
        for sensor in sensors:
            self.plug_in(sensor)
        self._list()

    def plug_in(self, sensor: str) -> None:
        """The kernel found a sensor: its folder appears, its register as after power-up. Nothing if it is there."""
        folder = self._bus / sensor
        if folder.exists():
            return
        folder.mkdir()
        family, serial = sensor.split("-")
        (folder / "name").write_text(f"{sensor}\n")
        (folder / "id").write_bytes(bytes.fromhex(family) + bytes.fromhex(serial)[::-1] + bytes((rom_crc(sensor),)))
        (folder / "resolution").write_text("12\n")
        (folder / "ext_power").write_text("1\n")
        self._write(sensor, troubled_text(Trouble.POWER_ON, 0))
        self._link(sensor, folder)
        self._list()

    def remove(self, sensor: str) -> None:
        """The kernel gave a sensor up: its folder is gone. Nothing if it is gone already."""
        (self.devices / sensor).unlink(missing_ok=True)
        shutil.rmtree(self._bus / sensor, ignore_errors=True)
        self._texts.pop(sensor, None)
        self._list()

    def indicate(self, sensor: str, sixteenths: int) -> None:
        """The sensor's newest conversion, in sixteenths of a degree Celsius."""
        self._write(sensor, w1_slave_text(scratchpad(sixteenths)))

    def fail(self, sensor: str, trouble: Trouble, sixteenths: int) -> None:
        """The sensor is in trouble; its folder stays until `remove`."""
        self._write(sensor, troubled_text(trouble, sixteenths))

    def _write(self, sensor: str, text: str) -> None:
        if self._texts.get(sensor) == text:
            return
        folder = self._bus / sensor
        if not folder.exists():
            return
        draft = self._bus / f".{sensor}"  # a reader sees the old text or the new one, never half of one
        draft.write_text(text)
        os.replace(draft, folder / "w1_slave")
        self._texts[sensor] = text

    def _link(self, name: str, folder: Path) -> None:
        (self.devices / name).symlink_to(os.path.relpath(folder, self.devices))

    def _list(self) -> None:
        names = sorted(each.name for each in self._bus.iterdir() if each.is_dir())
        (self._bus / "w1_master_slaves").write_text("".join(f"{name}\n" for name in names) or "not found.\n")
        (self._bus / "w1_master_slave_count").write_text(f"{len(names)}\n")
