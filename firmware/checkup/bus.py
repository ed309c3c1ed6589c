"""The 1-Wire bus: whether the kernel has one, what hangs on it, and which line switches it on where it has none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from firmware.misnamed import misnamed, strangers
from firmware.pins import W1
from firmware.sensors import on_bus
from firmware.settings import Basin
from host.doctor import Found, Mark
from soak.reading import SensorId

OS_RELEASE = Path("/etc/os-release")
MODEL = Path("/proc/device-tree/model")
NEW_BOOT_FROM = 12
"""Since Debian 12 (bookworm) Raspberry Pi OS has its boot partition under /boot/firmware (Raspberry Pi documentation,
"config.txt")."""


class Bus(NamedTuple):
    """What the kernel shows.

    Attributes:
        there: It has a 1-Wire bus.
        sensors: The sensors on it, sorted.
    """

    there: bool
    sensors: Sequence[SensorId]


def look_at_bus(devices: Path) -> Bus:
    """What the kernel shows, without asking anything of the bus."""
    sensors = on_bus(devices)
    try:
        there = bool(sensors) or any(each.name.startswith("w1_bus_master") for each in devices.iterdir())
    except OSError:
        there = False
    return Bus(there, sensors)


def os_facts(text: str) -> dict[str, str]:
    """The facts in the text of /etc/os-release (os-release(5)): a line each, maybe quoted."""
    pairs = (line.strip().partition("=") for line in text.splitlines() if "=" in line and not line.startswith("#"))
    return {name: content.strip("\"'") for name, _, content in pairs}


def boot_config(facts: Mapping[str, str]) -> str:
    """The file in which a Raspberry Pi's overlays are named, by the version of its system; both where nobody knows."""
    version = facts.get("VERSION_ID", "").partition(".")[0]
    if facts.get("ID") not in ("debian", "raspbian") or not version.isdigit():
        return "/boot/firmware/config.txt (up to Debian 11: /boot/config.txt)"
    return "/boot/firmware/config.txt" if int(version) >= NEW_BOOT_FROM else "/boot/config.txt"


def overlay_advice(facts: Mapping[str, str], model: str, pin: int = W1) -> str:
    """What to do where the kernel has no bus.

    Args:
        facts: What /etc/os-release says.
        model: What the machine says it is.
        pin: BCM number of the bus.
    """
    line = f"Add the line `dtoverlay=w1-gpio,gpiopin={pin}` to the end of {boot_config(facts)} and restart."
    if "Raspberry Pi" not in model:
        return f"This machine does not say that it is a Raspberry Pi. On one: {line[0].lower()}{line[1:]}"
    if "Raspberry Pi 5" in model:
        return f"{line} On a Raspberry Pi 5 bring the system up to date first: it picks the overlay made for it."
    return line


def this_overlay_advice(pin: int = W1) -> str:
    """The same for this machine."""
    return overlay_advice(os_facts(_text(OS_RELEASE)), _text(MODEL), pin)


def _text(file: Path) -> str:
    try:
        return file.read_bytes().decode(errors="replace").strip("\0\n")
    except OSError:
        return ""


def judge_bus(bus: Bus, advice: str) -> Found:
    """The bus itself."""
    if not bus.there:
        return Found("1-Wire bus", Mark.WRONG, "the kernel has none: no sensor can be read.", advice)
    if not bus.sensors:
        said = "it is there, and no sensor answers on it."
        todo = "Check the 4.7 kOhm resistor between data and 3.3 V, and each sensor's three wires."
        return Found("1-Wire bus", Mark.WRONG, said, todo)
    count = len(bus.sensors)
    return Found("1-Wire bus", Mark.GOOD, f"{count} sensor{'s' if count != 1 else ''}: {', '.join(bus.sensors)}.")


def judge_names(basins: Sequence[Basin], seen: Sequence[SensorId]) -> list[Found]:
    """Sensors whose names cannot be right, and sensors that hang on the bus for nothing."""
    wrong = misnamed(basins, seen)
    if wrong:
        return [Found("settings", Mark.WRONG, begun, todo) for begun, todo in map(_parted, wrong)]
    unused = strangers(basins, seen)
    if not unused:
        return []
    said = f"on the bus and in no basin: {', '.join(unused)}."
    return [Found("spare sensors", Mark.NOTE, said, "Name them with `soakledger commission --write`, or unplug them.")]


def _parted(text: str) -> tuple[str, str]:
    """What is wrong, and the advice that is its last sentence."""
    said, _, todo = text.partition(". ")
    return f"{said}.", f"{todo}."
