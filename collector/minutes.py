"""Readings added up by minute, for trends over long times: of each page once, when it is sealed.

What no page holds yet is added up when somebody asks. A minute that two pages share is the sum of both parts.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from itertools import accumulate

import msgspec

from collector.readings import Piece
from soak.decoding import msgpack_decoder
from soak.reading import Lid


class MinuteSum(msgspec.Struct, gc=False):
    """One minute of one sensor; temperatures as indicated, in millidegrees.

    Attributes:
        lowest_mc: Lowest, where `known` is not 0.
        highest_mc: Highest, likewise.
        sum_mc: Sum of all.
        known: Readings with a value.
        missing: Readings without one.
        lid_open: Readings with the lid open.
    """

    lowest_mc: int = 0
    highest_mc: int = 0
    sum_mc: int = 0
    known: int = 0
    missing: int = 0
    lid_open: int = 0


Minutes = dict[str, dict[int, MinuteSum]]
"""By sensor and minute since 1970."""


class _Columns(msgspec.Struct, frozen=True, array_like=True):
    """One sensor's minutes as they are kept: what differs least."""

    minute: list[int]  # the first, then differences
    lowest_mc: list[int]  # likewise
    span_mc: list[int]  # highest above lowest
    over_mc: list[int]  # sum above `known` times the lowest
    known: list[int]
    missing: list[int]
    lid_open: list[int]


_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgpack_decoder(dict[str, _Columns])


def add(minutes: Minutes, pieces: Iterable[Piece]) -> None:
    """Add readings up.

    Args:
        minutes: Added to.
        pieces: Readings of one basin.
    """
    for piece in pieces:
        minute, totals = -1, dict[str, MinuteSum]()
        for reading in piece.readings:
            here = (reading.ms + piece.offset_ms) // 60_000
            if here != minute:
                minute, totals = here, {}
            lid_open = reading.lid is Lid.OPEN
            for sensor, mc in reading.mc.items():
                total = totals.get(sensor)
                if total is None:
                    total = totals[sensor] = minutes.setdefault(sensor, {}).setdefault(minute, MinuteSum())
                total.lid_open += lid_open
                if mc is None:
                    total.missing += 1
                else:
                    _add_value(total, mc)


def _add_value(total: MinuteSum, mc: int) -> None:
    if not total.known:
        total.lowest_mc = total.highest_mc = mc
    elif mc < total.lowest_mc:
        total.lowest_mc = mc
    elif mc > total.highest_mc:
        total.highest_mc = mc
    total.known += 1
    total.sum_mc += mc


def pack(minutes: Minutes) -> bytes:
    """Minutes as they are kept beside a page."""
    columns: dict[str, _Columns] = {}
    for sensor, table in sorted(minutes.items()):
        numbers, sums = sorted(table), [table[minute] for minute in sorted(table)]
        columns[sensor] = _Columns(
            _differences(numbers),
            _differences([each.lowest_mc for each in sums]),
            [each.highest_mc - each.lowest_mc for each in sums],
            [each.sum_mc - each.known * each.lowest_mc for each in sums],
            [each.known for each in sums],
            [each.missing for each in sums],
            [each.lid_open for each in sums],
        )
    return zlib.compress(_ENCODER.encode(columns), 9)


def merge(minutes: Minutes, packed: bytes) -> None:
    """Add what `pack` packed."""
    for sensor, columns in _DECODER.decode(zlib.decompress(packed)).items():
        table = minutes.setdefault(sensor, {})
        for minute, total in _unpacked(columns):
            known = table.setdefault(minute, total)
            if known is not total:
                _join(known, total)


def _unpacked(columns: _Columns) -> Iterator[tuple[int, MinuteSum]]:
    rest = zip(columns.span_mc, columns.over_mc, columns.known, columns.missing, columns.lid_open, strict=True)
    places = zip(accumulate(columns.minute), accumulate(columns.lowest_mc), rest, strict=True)
    for minute, lowest_mc, (span_mc, over_mc, known, missing, lid_open) in places:
        yield minute, MinuteSum(lowest_mc, lowest_mc + span_mc, over_mc + known * lowest_mc, known, missing, lid_open)


def _join(total: MinuteSum, more: MinuteSum) -> None:
    if not total.known:
        total.lowest_mc, total.highest_mc = more.lowest_mc, more.highest_mc
    elif more.known:
        total.lowest_mc = min(total.lowest_mc, more.lowest_mc)
        total.highest_mc = max(total.highest_mc, more.highest_mc)
    total.sum_mc += more.sum_mc
    total.known += more.known
    total.missing += more.missing
    total.lid_open += more.lid_open


def _differences(column: list[int]) -> list[int]:
    return [later - earlier for earlier, later in zip([0, *column], column, strict=False)]
