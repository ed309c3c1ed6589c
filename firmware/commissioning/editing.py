"""Changing the sensors of one basin in the text of a settings file: one line, everything else stays as it was. Pure.

What comes out is read again and compared before it is used, so an unusual file is refused instead of spoiled.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from soak.reading import SensorId

_TABLE = re.compile(r"^\s*\[")
_BASIN = re.compile(r"^\s*\[\[\s*basin\s*\]\]\s*(#.*)?$")
_NAME = re.compile(r"""^\s*name\s*=\s*(?:"([^"\\]*)"|'([^']*)')\s*(#.*)?$""")
_SENSORS = re.compile(r"^(\s*sensors\s*=\s*)\[[^\]#]*\](\s*(?:#.*)?)$")


class UnusualError(ValueError):
    """The file is not written so that one line can be changed; `snippet` says what to paste."""


def snippet(sensors: Sequence[SensorId]) -> str:
    """The line as it would be written."""
    quoted = ", ".join(f'"{sensor}"' for sensor in sensors)
    return f"sensors = [{quoted}]"


def with_sensors(text: str, basin: str, sensors: Sequence[SensorId]) -> str:
    """The text with these sensors in that basin.

    Raises:
        UnusualError: It cannot be done by changing one line.
    """
    lines = text.splitlines(keepends=True)
    for begin, end in _basins(lines):
        names = [match for line in lines[begin:end] if (match := _NAME.match(line.rstrip("\r\n")))]
        if len(names) != 1 or (names[0][1] or names[0][2]) != basin:
            continue
        found = [number for number in range(begin, end) if _SENSORS.match(lines[number].rstrip("\r\n"))]
        if len(found) != 1:
            raise UnusualError(f"The sensors of basin {basin} do not stand on one line of the settings file.")
        (number,) = found
        line = lines[number].rstrip("\r\n")
        ending = lines[number][len(line) :]
        match = _SENSORS.match(line)
        assert match is not None  # noqa: S101 - it was found by it
        lines[number] = f"{match[1]}{snippet(sensors).removeprefix('sensors = ')}{match[2]}{ending}"
        changed = "".join(lines)
        _prove(text, changed, basin, sensors)
        return changed
    raise UnusualError(f"The settings file has no [[basin]] with a line that names it {basin}.")


def _basins(lines: Sequence[str]) -> list[tuple[int, int]]:
    """First line and end of each [[basin]]."""
    tables = [number for number, line in enumerate(lines) if _TABLE.match(line)] + [len(lines)]
    return [(begin, end) for begin, end in pairwise(tables) if _BASIN.match(lines[begin].rstrip("\r\n"))]


def _prove(before: str, after: str, basin: str, sensors: Sequence[SensorId]) -> None:
    """Nothing but these sensors may have changed."""
    try:
        wanted: dict[str, Any] = tomllib.loads(before)
        for each in wanted["basin"]:
            if each["name"] == basin:
                each["sensors"] = list(sensors)
        proven = tomllib.loads(after) == wanted
    except (tomllib.TOMLDecodeError, KeyError, TypeError):
        proven = False
    if not proven:
        raise UnusualError("Changing that line would change something else in the settings file.")
