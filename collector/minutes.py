"""Adds readings up by minute, for trends over long times."""

from __future__ import annotations

from collector.readings import Stored
from collector.store import MinuteRow
from soak.reading import Lid

Minutes = dict[tuple[int, str, int], MinuteRow]


def add(minutes: Minutes, basin_id: int, stored: Stored) -> None:
    """Add one reading, each of its sensors to its own row.

    Args:
        minutes: Rows by basin row, sensor and minute since 1970.
        basin_id: The basin's row.
        stored: The reading.
    """
    minute = stored.utc_ms // 60_000
    reading = stored.reading
    lid_open = reading.lid is Lid.OPEN
    for sensor, mc in reading.mc.items():
        key = (basin_id, sensor, minute)
        row = minutes.get(key)
        if row is None:
            row = minutes[key] = MinuteRow()
        row.lid_open += lid_open
        if mc is None:
            row.missing += 1
            continue
        row.known += 1
        row.sum_mc += mc
        if row.lowest_mc is None or row.highest_mc is None:
            row.lowest_mc = row.highest_mc = mc
        elif mc < row.lowest_mc:
            row.lowest_mc = mc
        elif mc > row.highest_mc:
            row.highest_mc = mc
