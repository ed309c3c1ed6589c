"""A settings file to begin with, for a Pi that has none: the usual pins, sensors to be named by warming them. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from firmware.pins import BasinPins, usual
from soak.reading import SensorId

MOST_BASINS = 8


def first_settings(node: str, host: str, sensors: Sequence[SensorId], data_dir: str) -> str:
    """The text: a basin b1, b2, … for each sensor, in the order of the usual pins.

    Args:
        node: The node's name.
        host: The broker's name or address.
        sensors: Of each basin one; which hangs in which is not known yet.
        data_dir: The node's data folder.

    Raises:
        ValueError: No sensor, or more than one node serves.
    """
    pins = usual(len(sensors))
    lines = [
        "# Made by `soakledger commission`; every key is listed by `soakledger node --keys`.",
        f'node = "{node}"',
        f'data_dir = "{data_dir}"',
        f"buzzer_pin = {pins.buzzer}",
        "",
        "[broker]",
        f'host = "{host}"',
        "# `soakledger join FILE` fills in port, login and certificate authority.",
    ]
    for number, (sensor, of_basin) in enumerate(zip(sensors, pins.basins, strict=True), 1):
        lines += _basin(f"b{number}", sensor, of_basin)
    return "\n".join(lines) + "\n"


def _basin(name: str, sensor: SensorId, pins: BasinPins) -> list[str]:
    lines = ["", "[[basin]]", f'name = "{name}"', f'sensors = ["{sensor}"]', f"lid_pin = {pins.lid}"]
    lines.append(f"button_pin = {pins.button}")
    if pins.light:
        red, green, blue = pins.light
        lines.append(f"light = {{ red = {red}, green = {green}, blue = {blue} }}")
    return lines
