"""Readings as the outbox keeps them: runs of one stream in blocks, each with a checksum. Pure.

A block says whose it is: in full, or by the first bytes of the stream's random id. So it is understood, or known to be
damaged, wherever it is found: `carve` needs no intact file around it. A single quiet reading takes some forty bytes, a
reading in a long run about one.

    block   = magic (4 bytes), length of the body (2), CRC-32 of the body (4), body: all big-endian
    body    = MessagePack array: `_Full`, `_Short` or `_Card`
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator, Sequence
from itertools import accumulate, pairwise
from typing import Any, NamedTuple

import msgspec

from firmware.clock import Anchor
from soak.decoding import msgpack_decoder
from soak.ranges import Range
from soak.reading import Fault, Lid, Reading, SensorId, Why

MOST_BLOCK_BYTES = 900
"""Larger ones are halved: what fits into one page of the file (1,024 bytes) lies there in one piece, to be carved."""

LARGEST_BLOCK_BYTES = (1 << 16) + 10
"""What its length can say: a single reading is far smaller."""

KEY_BYTES = 6
_MAGIC = b"\xf5skR"
_HEAD = struct.Struct(">4sHI")
_TICK_MS = 1_000  # the usual distance of readings is kept as 0
_WHY = {Why.TICK: 0, Why.LID: 1, Why.BUTTON: 2, Why.CLOCK: 3, Why.START: 4}
"""Never renumber these or the tags below: files written before would change their meaning."""
_WHY_BACK = {number: why for why, number in _WHY.items()}


class Origin(NamedTuple):
    """One stream: where readings come from.

    Attributes:
        serial: Rises from stream to stream of one outbox.
        name: Its id.
        basin: Its basin.
        boot: Boot id of the node.
        sensors: In the order in which their temperatures are kept.
    """

    serial: int
    name: str
    basin: str
    boot: str
    sensors: tuple[SensorId, ...]


class Run(NamedTuple):
    """Consecutive readings of a stream, packed.

    Attributes:
        key: The first bytes of the stream's id.
        stream: Whose they are and the clocks when they were written; None where only the key says so.
        first: Number of the first reading.
        last: Number of the last one.
        content: To unpack with `unpack`.
    """

    key: bytes
    stream: tuple[Origin, Anchor] | None
    first: int
    last: int
    content: bytes


class Card(NamedTuple):
    """What is known of a stream beside its readings.

    Attributes:
        stream: What it is, and the clocks when this was written.
        newest: Number of the newest reading by then, 0 if there was none.
        gone: Numbers that were given up and that the collector may not know about.
    """

    stream: tuple[Origin, Anchor]
    newest: int
    gone: tuple[Range, ...]

    @property
    def key(self) -> bytes:
        """The first bytes of the stream's id."""
        return key_of(self.stream[0])


Block = Run | Card


class DamagedBlockError(ValueError):
    """Bytes that are not what was written."""


class _Short(msgspec.Struct, frozen=True, array_like=True, tag=0):
    key: bytes
    first: int
    more: int  # readings after the first
    content: bytes


class _Full(msgspec.Struct, frozen=True, array_like=True, tag=1):
    stream: tuple[int, bytes, str, bytes, bytes, int, int, bool]  # an origin and an anchor, see `_told`
    first: int
    more: int
    content: bytes


class _Card(msgspec.Struct, frozen=True, array_like=True, tag=2):
    stream: tuple[int, bytes, str, bytes, bytes, int, int, bool]
    newest: int
    gone: list[tuple[int, int]]


class _Columns(msgspec.Struct, frozen=True, array_like=True):
    ms: list[int]  # the first; then how much more than a tick after the one before
    why: list[tuple[int, int]]  # index and reason, where it is no tick
    lid: list[int]  # 1 if it begins closed; then every index at which it changes
    results: list[
        list[int | tuple[str, str]]
    ]  # per sensor: millidegrees, less the last known; or code and raw of a fault


_SQUEEZED = b"x"  # zlib's first byte; a MessagePack array of four begins otherwise
_BODY: msgspec.msgpack.Decoder[_Short | _Full | _Card] = msgpack_decoder(_Short | _Full | _Card)
_COLUMNS = msgpack_decoder(_Columns)
_encode = msgspec.msgpack.Encoder().encode


def key_of(origin: Origin) -> bytes:
    """By what a block without its stream's description says whose it is."""
    return bytes.fromhex(origin.name[: 2 * KEY_BYTES])


def pack(
    origin: Origin, anchor: Anchor, first: int, readings: Sequence[Reading], *, full: bool
) -> list[tuple[int, int, bytes]]:
    """Consecutive readings as few blocks, none larger than `MOST_BLOCK_BYTES` unless one reading is.

    Args:
        origin: Their stream.
        anchor: The clocks now.
        first: Number of the first one.
        readings: At least one.
        full: Describe the stream in every block.

    Returns:
        Blocks, each with the numbers of its first and its last reading.

    Raises:
        ValueError: A reading has other sensors than the stream, or neither temperature nor fault for one.
    """
    content = _encode(_columns(readings, origin.sensors))
    if len(readings) > 1:
        content = min(content, zlib.compress(content, 6), key=len)
    more = len(readings) - 1
    if len(content) <= MOST_BLOCK_BYTES or not more:
        told = _told(origin, anchor)
        block = _block(_Full(told, first, more, content) if full else _Short(key_of(origin), first, more, content))
        if len(block) <= MOST_BLOCK_BYTES or not more:
            return [(first, first + more, block)]
    half = len(readings) // 2
    return [
        *pack(origin, anchor, first, readings[:half], full=full),
        *pack(origin, anchor, first + half, readings[half:], full=full),
    ]


def pack_card(card: Card) -> bytes:
    """A card as a block."""
    return _block(_Card(_told(*card.stream), card.newest, list(card.gone)))


def parse(data: bytes) -> Block:
    """Read a block.

    Raises:
        DamagedBlockError: It is not one, or not what was written.
    """
    if len(data) < _HEAD.size:
        raise DamagedBlockError(f"{len(data)} bytes are no block")
    magic, length, crc = _HEAD.unpack_from(data)
    body = data[_HEAD.size :]
    if magic != _MAGIC or length != len(body) or crc != zlib.crc32(body):
        raise DamagedBlockError("the checksum of a block is wrong")
    try:
        return _parsed(body)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise DamagedBlockError(f"a block cannot be read ({error})") from error


def carve(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Every whole block anywhere in `data`, with its offset."""
    for found in re.finditer(re.escape(_MAGIC), data):
        start = found.start()
        head = data[start : start + _HEAD.size]
        if len(head) == _HEAD.size:
            _, length, crc = _HEAD.unpack(head)
            body = data[start + _HEAD.size : start + _HEAD.size + length]
            if len(body) == length and zlib.crc32(body) == crc:
                yield start, head + body


def unpack(run: Run, sensors: Sequence[SensorId]) -> list[Reading]:
    """The readings of a run.

    Args:
        run: Packed with these sensors.
        sensors: Of its stream, in their order.

    Raises:
        DamagedBlockError: They cannot be read.
    """
    try:
        return list(_readings(_unsqueezed(run), sensors))
    except (LookupError, ValueError) as error:
        raise DamagedBlockError(f"a block cannot be unpacked ({error})") from error


def begin_ms(run: Run) -> int:
    """Time of the first reading of a run, on its boot's clock.

    Raises:
        DamagedBlockError: It cannot be read.
    """
    return _unsqueezed(run).ms[0]


def _unsqueezed(run: Run) -> _Columns:
    try:
        content = zlib.decompress(run.content) if run.content.startswith(_SQUEEZED) else run.content
        return _COLUMNS.decode(content)
    except (zlib.error, msgspec.DecodeError) as error:
        raise DamagedBlockError(f"a block cannot be unpacked ({error})") from error


def _block(body: _Short | _Full | _Card) -> bytes:
    data = _encode(body)
    return _HEAD.pack(_MAGIC, len(data), zlib.crc32(data)) + data


def _told(origin: Origin, anchor: Anchor) -> tuple[int, bytes, str, bytes, bytes, int, int, bool]:
    boot = bytes.fromhex(origin.boot.replace("-", ""))
    return (
        origin.serial,
        bytes.fromhex(origin.name),
        origin.basin,
        boot if _boot(boot) == origin.boot else origin.boot.encode(),  # 16 bytes, or text where it has no dashes
        bytes.fromhex("".join(sensor.replace("-", "") for sensor in origin.sensors)),
        *anchor,
    )


def _understood(told: tuple[int, bytes, str, bytes, bytes, int, int, bool]) -> tuple[Origin, Anchor]:
    serial, name, basin, boot, sensors, ms, utc_ms, synced = told
    codes = [sensors[at : at + 7].hex() for at in range(0, len(sensors), 7)]
    origin = Origin(
        serial,
        name.hex(),
        basin,
        _boot(boot) if len(boot) == 16 else boot.decode(),
        tuple(f"{code[:2]}-{code[2:]}" for code in codes),
    )
    return origin, Anchor(ms, utc_ms, synced)


def _parsed(data: bytes) -> Block:
    body = _BODY.decode(data)
    match body:
        case _Short(key, first, more, content):
            return Run(key, None, first, first + more, content)
        case _Full(told, first, more, content):
            stream = _understood(told)
            return Run(key_of(stream[0]), stream, first, first + more, content)
        case _Card(told, newest, gone):
            return Card(_understood(told), newest, tuple(gone))


def _boot(data: bytes) -> str:
    code = data.hex()
    return "-".join((code[:8], code[8:12], code[12:16], code[16:20], code[20:]))


def _columns(readings: Sequence[Reading], sensors: Sequence[SensorId]) -> _Columns:
    lid = [int(readings[0].lid is Lid.CLOSED)]
    lid += [at for at, (before, after) in enumerate(pairwise(readings), 1) if before.lid is not after.lid]
    return _Columns(
        ms=[readings[0].ms, *(after.ms - before.ms - _TICK_MS for before, after in pairwise(readings))],
        why=[(at, _WHY[one.why]) for at, one in enumerate(readings) if one.why is not Why.TICK],
        lid=lid,
        results=_results(readings, sensors),
    )


def _results(readings: Sequence[Reading], sensors: Sequence[SensorId]) -> list[list[int | tuple[str, str]]]:
    known = set(sensors)
    for reading in readings:
        if reading.mc.keys() != known:
            raise ValueError(f"A reading with sensors {sorted(reading.mc)} in a stream with {sorted(sensors)}.")
    results = []
    for sensor in sensors:
        column: list[int | tuple[str, str]] = []
        last_mc = 0
        for reading in readings:
            mc = reading.mc[sensor]
            if mc is not None:
                column.append(mc - last_mc)
                last_mc = mc
            elif sensor in reading.fault:
                fault = reading.fault[sensor]
                column.append((fault.code, fault.raw))
            else:
                raise ValueError(f"A reading with neither temperature nor fault for sensor {sensor}.")
        results.append(column)
    return results


def _readings(columns: _Columns, sensors: Sequence[SensorId]) -> Iterator[Reading]:
    why = {at: _WHY_BACK[number] for at, number in columns.why}
    changes = set(columns.lid[1:])
    closed = not columns.lid[0]
    changes.add(0)
    restored: list[list[Any]] = [list(_restored(column)) for column in columns.results]
    times = accumulate(columns.ms, lambda before_ms, more_ms: before_ms + more_ms + _TICK_MS)
    for at, (ms, *results) in enumerate(zip(times, *restored, strict=True)):
        closed ^= at in changes
        mc = {sensor: one if isinstance(one, int) else None for sensor, one in zip(sensors, results, strict=True)}
        fault = {sensor: Fault(*one) for sensor, one in zip(sensors, results, strict=True) if not isinstance(one, int)}
        yield Reading(ms, why.get(at, Why.TICK), Lid.CLOSED if closed else Lid.OPEN, mc, fault)


def _restored(column: Sequence[int | tuple[str, str]]) -> Iterator[int | tuple[str, str]]:
    last_mc = 0
    for one in column:
        if isinstance(one, int):
            last_mc += one
            yield last_mc
        else:
            yield one
