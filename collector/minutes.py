"""Adds readings up by minute, for trends over long times."""

from __future__ import annotations

from collections.abc import Iterable

from collector.readings import Stored
from collector.store import MinuteRow
from soak.reading import Lid

Minutes = dict[tuple[int, str, int], MinuteRow]


def add(minutes: Minutes, basin_id: int, readings: Iterable[Stored]) -> None:
    """Add readings up, each of their sensors to its own row.

    Args:
        minutes: Rows by basin row, sensor and minute since 1970; added to.
        basin_id: The basin's row.
        readings: Of that basin.
    """
    for _, utc_ms, _, reading in readings:
        minute = utc_ms // 60_000
        lid_open = reading.lid is Lid.OPEN
        for sensor, mc in reading.mc.items():
            key = (basin_id, sensor, minute)
            try:
                row = minutes[key]
            except KeyError:
                row = minutes[key] = MinuteRow()
            row.lid_open += lid_open
            if mc is None:
                row.missing += 1
            else:
                _add_value(row, mc)


def _add_value(row: MinuteRow, mc: int) -> None:
    row.known += 1
    row.sum_mc += mc
    if row.lowest_mc is None or row.highest_mc is None:
        row.lowest_mc = row.highest_mc = mc
    elif mc < row.lowest_mc:
        row.lowest_mc = mc
    elif mc > row.highest_mc:
        row.highest_mc = mc
