"""A page: a dense run of one stream's readings, sealed. Pure.

Columns, a letter for each value where that is shorter, canonical JSON (RFC 8785: keys sorted, no white space, whole
numbers only), then zlib, which standard tools read. A quiet reading costs about half a byte.
"""

from __future__ import annotations

import hashlib
import string
import zlib
from collections.abc import Iterable, Sequence
from itertools import accumulate, groupby

import msgspec

from soak.decoding import json_decoder
from soak.reading import Fault, Lid, Reading, Why
from soak.wire import Clock

FORMAT = 3
"""1 had differences between the times themselves, which says the same jitter twice. Up to 2 every column was a list."""

TICK_MS = 1_000
MOST_READINGS = 3_600
MOST_BYTES = 64 * 1024 * 1024
"""A page unpacked: an hour of sixteen sensors that give nothing but faults has about 5 MB. What unpacks to more was not
sealed here, and would take the machine's memory."""

_RunLengths = list[tuple[str, int]]


class Lettered(msgspec.Struct, frozen=True):
    """A column of few different numbers.

    Attributes:
        values: The numbers that occur, ascending.
        letters: Of each row a letter: a for the first number, then b to z, A to Z and 0 to 9; "-" for null.
    """

    values: list[int]
    letters: str


_ALPHABET = string.ascii_letters + string.digits
_NULL = "-"


class PageBody(msgspec.Struct, frozen=True):
    """What the uncompressed bytes say.

    Attributes:
        format: Version of this layout.
        stream: The stream's id.
        first: Number of the first reading; the others follow on.
        clock: Clock anchors: index of the reading from which it holds, then milliseconds since boot, UTC, synchronised.
        ms: Time of the first reading; then of each reading how far it is from the next whole second of the first one's
            grid: see `_off_the_grid`. In format 1 differences.
        mc: Per sensor, the temperatures in millidegrees where they are lettered; in a list the first known one, then
            differences. Null without a value.
        why: Runs of (word, length).
        lid: Runs of (word, length).
        absent: Per sensor, where its null means that the reading does not name it: runs of (index, length).
        fault: Index of the reading, sensor, code, raw bytes.
    """

    format: int
    stream: str
    first: int
    clock: list[tuple[int, int, str, bool]]
    ms: Lettered | list[int]
    why: _RunLengths
    lid: _RunLengths
    mc: dict[str, Lettered | list[int | None]]
    absent: dict[str, list[tuple[int, int]]]
    fault: list[tuple[int, str, str, str]]


_ENCODER = msgspec.json.Encoder(order="sorted")
_DECODER = json_decoder(PageBody)


def seal(
    stream: str, first: int, readings: Sequence[Reading], anchors: Sequence[tuple[int, Clock]]
) -> tuple[str, bytes]:
    """Seal a dense run.

    Args:
        stream: The stream's id.
        first: Number of the first reading.
        readings: At least one, numbers following on.
        anchors: Index of the reading from which each clock holds.

    Returns:
        SHA-256 of the uncompressed bytes in hexadecimal, and the compressed bytes.
    """
    sensors = sorted({sensor for reading in readings for sensor in reading.mc})
    body = PageBody(
        format=FORMAT,
        stream=stream,
        first=first,
        clock=[(index, clock.ms, clock.utc, clock.synced) for index, clock in anchors],
        ms=_lettered(off_ms := _off_the_grid([reading.ms for reading in readings])) or off_ms,
        why=_runs(reading.why for reading in readings),
        lid=_runs(reading.lid for reading in readings),
        mc={
            sensor: _lettered(known_mc := [reading.mc.get(sensor) for reading in readings]) or _differences(known_mc)
            for sensor in sensors
        },
        absent={
            sensor: _true_runs(sensor not in reading.mc for reading in readings)
            for sensor in sensors
            if any(sensor not in reading.mc for reading in readings)
        },
        fault=[
            (index, sensor, fault.code, fault.raw)
            for index, reading in enumerate(readings)
            if reading.fault
            for sensor, fault in sorted(reading.fault.items())
        ],
    )
    content = _ENCODER.encode(body)
    return hashlib.sha256(content).hexdigest(), zlib.compress(content, 9)


class DamagedPageError(ValueError):
    """A page whose bytes are not what was sealed."""


def unpacked(body: bytes) -> bytes:
    """The bytes that were sealed.

    Args:
        body: As they are kept.

    Raises:
        DamagedPageError: They cannot be unpacked, or to more than any page has.
    """
    unpacker = zlib.decompressobj()
    try:
        content = unpacker.decompress(body, MOST_BYTES)
        if unpacker.unconsumed_tail and unpacker.decompress(unpacker.unconsumed_tail, 1):
            raise DamagedPageError(
                f"A page unpacks to more than {MOST_BYTES // 1024 // 1024} MB, which no page has. "
                "Restore the data from a backup."
            )
    except zlib.error as error:
        raise DamagedPageError(f"A page cannot be unpacked ({error}). Restore the data from a backup.") from None
    if not unpacker.eof or unpacker.unused_data:
        raise DamagedPageError("A page was cut short or made longer. Restore the data from a backup.")
    return content


def unseal(body: bytes, sha256: str) -> tuple[int, list[Reading], list[tuple[int, Clock]]]:
    """Read a page back.

    Returns:
        Number of its first reading, the readings, and the clock anchors.

    Raises:
        DamagedPageError: The bytes do not give the digest, or cannot be read.
    """
    content = unpacked(body)
    if hashlib.sha256(content).hexdigest() != sha256:
        raise DamagedPageError(
            f"A page is not what was sealed (digest {sha256[:12]}…). Restore the data from a backup."
        )
    try:
        return _opened(_DECODER.decode(content))
    except (msgspec.DecodeError, IndexError, KeyError, ValueError) as error:
        raise DamagedPageError(f"A page cannot be read ({error}). Restore the data from a backup.") from None


def _opened(page: PageBody) -> tuple[int, list[Reading], list[tuple[int, Clock]]]:
    """Raises IndexError, KeyError or ValueError where columns do not fit together."""
    if not 1 <= page.format <= FORMAT:
        raise ValueError(f"format {page.format}, this version knows up to {FORMAT}")
    column = [ms for ms in _column(page.ms) if ms is not None]
    times = list(accumulate(column)) if page.format == 1 else _on_the_grid(column)
    mc = _temperatures(page, len(times))
    faults: dict[int, dict[str, Fault]] = {}
    for index, sensor, code, raw in page.fault:
        faults.setdefault(index, {})[sensor] = Fault(code, raw)
    why = [Why(word) for word, length in page.why for _ in range(length)]
    lid = [Lid(word) for word, length in page.lid for _ in range(length)]
    readings = [Reading(ms, why[index], lid[index], mc[index], faults.get(index, {})) for index, ms in enumerate(times)]
    return page.first, readings, [(index, Clock(ms, utc, synced)) for index, ms, utc, synced in page.clock]


def _off_the_grid(times_ms: Sequence[int]) -> list[int]:
    """Times as distances from where the next tick was due.

    A node ticks on an absolute schedule: each reading is late by a little, and that does not add up. So the base stays
    on the first reading's grid, at the whole second nearest to the reading before, and the next is due one later.
    """
    base_ms = times_ms[0]
    column = [base_ms]
    for ms in times_ms[1:]:
        column.append(ms - base_ms - TICK_MS)
        base_ms += (ms - base_ms + TICK_MS // 2) // TICK_MS * TICK_MS
    return column


def _on_the_grid(column: Sequence[int]) -> list[int]:
    """What `_off_the_grid` was given."""
    base_ms = column[0]
    times_ms = [base_ms]
    for off_ms in column[1:]:
        ms = base_ms + TICK_MS + off_ms
        times_ms.append(ms)
        base_ms += (ms - base_ms + TICK_MS // 2) // TICK_MS * TICK_MS
    return times_ms


def _temperatures(page: PageBody, count: int) -> list[dict[str, int | None]]:
    """What each reading says of its sensors."""
    columns = {
        sensor: _column(column) if isinstance(column, Lettered) else _restored(column)
        for sensor, column in page.mc.items()
    }
    mc = [{sensor: column[index] for sensor, column in columns.items()} for index in range(count)]
    for sensor, runs in page.absent.items():
        for start, length in runs:
            for index in range(start, start + length):
                del mc[index][sensor]
    return mc


def _lettered(column: Sequence[int | None]) -> Lettered | None:
    """None where there are more different numbers than letters."""
    values = sorted({each for each in column if each is not None})
    if len(values) > len(_ALPHABET):
        return None
    letter_of: dict[int | None, str] = dict(zip(values, _ALPHABET, strict=False))
    letter_of[None] = _NULL
    return Lettered(values, "".join(map(letter_of.__getitem__, column)))


def _column(column: Lettered | Sequence[int | None]) -> Sequence[int | None]:
    """The numbers one by one; KeyError for a letter that stands for none."""
    if not isinstance(column, Lettered):
        return column
    value_of: dict[str, int | None] = dict(zip(_ALPHABET, column.values, strict=False))
    value_of[_NULL] = None
    return list(map(value_of.__getitem__, column.letters))


def _runs(words: Iterable[str]) -> _RunLengths:
    return [(word, sum(1 for _ in same)) for word, same in groupby(words)]


def _true_runs(flags: Iterable[bool]) -> list[tuple[int, int]]:
    """Where the flags are set: runs of (index, length)."""
    runs: list[tuple[int, int]] = []
    for index, flag in enumerate(flags):
        if flag and runs and sum(runs[-1]) == index:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        elif flag:
            runs.append((index, 1))
    return runs


def _differences(values_mc: Iterable[int | None]) -> list[int | None]:
    column: list[int | None] = []
    previous = 0
    for mc in values_mc:
        column.append(None if mc is None else mc - previous)
        previous = previous if mc is None else mc
    return column


def _restored(column: Sequence[int | None]) -> list[int | None]:
    values: list[int | None] = []
    previous = 0
    for difference in column:
        if difference is None:
            values.append(None)
        else:
            previous += difference
            values.append(previous)
    return values
