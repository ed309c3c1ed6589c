"""Readings as a table for download, in the columns that `soakledger assess` reads."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable, Sequence
from functools import lru_cache

from collector.read import Basin, Reader
from dashboard.store import Numbered, Store
from soak.quantity import utc_text

MOST_RANGE_MS = 400 * 86_400_000
_PIECE_MS = 6 * 3_600_000


def sensors_in(reader: Reader, basin: Basin, since_ms: int, until_ms: int) -> list[str]:
    """Every sensor with a column: those of the basin, and those that were read in the range."""
    return sorted(basin.sensors.keys() | reader.course(basin.id, since_ms, until_ms).sums.keys())


async def csv_pieces(
    store: Store, basin: Basin, sensors: Sequence[str], since_ms: int, until_ms: int
) -> AsyncIterator[bytes]:
    """The table, piece by piece, so that memory does not grow with the range."""
    rows = _Rows(sensors)
    yield rows.header()
    for start_ms in range(since_ms, until_ms, _PIECE_MS):
        readings = await asyncio.to_thread(store.numbered, basin.id, start_ms, min(start_ms + _PIECE_MS, until_ms))
        if readings:
            yield rows.of(readings)


class _Rows:
    """Numbers go on from stream to stream with a hole between, so that no closure can reach from one into the next."""

    def __init__(self, sensors: Sequence[str]) -> None:
        self._sensors = sensors
        self._stream_id: int | None = None
        self._shift = self._last = 0

    def header(self) -> bytes:
        return _line(["number", "time", "lid", *(f"temp_c_{sensor}" for sensor in self._sensors)])

    def of(self, readings: Iterable[Numbered]) -> bytes:
        lines: list[bytes] = []  # nothing in them needs quoting
        for stream_id, number, utc_ms, reading in readings:
            if stream_id != self._stream_id:
                self._shift = 0 if self._stream_id is None else self._last + 2 - number
                self._stream_id = stream_id
            self._last = number + self._shift
            temperatures = [millidegrees(reading.mc.get(sensor)) for sensor in self._sensors]
            lines.append(_line([str(self._last), _time(utc_ms), reading.lid.value, *temperatures]))
        return b"".join(lines)


def _line(cells: Sequence[str]) -> bytes:
    return (",".join(cells) + "\n").encode()


def _time(utc_ms: int) -> str:
    """As `utc_text`, whose part up to the minute is the same for many readings."""
    seconds, ms = divmod(utc_ms % 60_000, 1_000)
    return f"{_minute(utc_ms // 60_000)}{seconds:02d}.{ms:03d}Z"


@lru_cache(16)
def _minute(minute: int) -> str:
    return utc_text(minute * 60_000)[:17]


@lru_cache(4_096)
def millidegrees(mc: int | None) -> str:
    """Degrees Celsius exactly, to the millidegree; empty without a value."""
    if mc is None:
        return ""
    return f"{'-' if mc < 0 else ''}{abs(mc) // 1000}.{abs(mc) % 1000:03d}"
