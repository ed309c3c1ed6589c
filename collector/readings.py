"""Readings as they lie in the store: sealed pages first, then what is not sealed yet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import msgspec
from sqlite_utils import Database

from collector.page import unseal
from soak.quantity import utc_ms
from soak.reading import Reading
from soak.wire import Batch, Clock

_BATCH = msgspec.json.Decoder(Batch)


class Stored(NamedTuple):
    """One reading of one stream.

    Attributes:
        number: Its number.
        utc_ms: When, milliseconds since 1970, by the clock that came with it.
        clock: That clock.
        reading: The reading.
    """

    number: int
    utc_ms: int
    clock: Clock
    reading: Reading


def stored_readings(
    db: Database,
    stream_id: int,
    *,
    from_number: int = 1,
    since_ms: int | None = None,
    until_ms: int | None = None,
) -> Iterator[Stored]:
    """The readings of one stream in the order of their numbers, each once.

    Args:
        db: The database.
        stream_id: The stream's row.
        from_number: Leave out earlier ones.
        since_ms: Pages that end before this time (milliseconds since 1970) are skipped whole.
        until_ms: Pages that begin at or after this time are skipped whole.

    Raises:
        DamagedPageError: A page is not what was sealed.
    """
    clauses, values = "stream_id = ? AND last >= ?", [stream_id, from_number]
    if since_ms is not None:
        clauses, values = f"{clauses} AND last_utc_ms >= ?", [*values, since_ms]
    if until_ms is not None:
        clauses, values = f"{clauses} AND first_utc_ms < ?", [*values, until_ms]
    pages = db.conn.execute(f"SELECT first, 1, sha256, body FROM page WHERE {clauses}", values).fetchall()  # noqa: S608
    batches = db.conn.execute(
        "SELECT first, 0, '', body FROM batch WHERE stream_id = ? AND last >= ?", (stream_id, from_number)
    ).fetchall()
    next_number = from_number
    for _, sealed, sha256, body in sorted(pages + batches, key=lambda row: row[:2]):
        first, readings, anchors = unseal(body, sha256) if sealed else _unsealed(body)
        for stored in dated(first, readings, anchors):
            if stored.number >= next_number:
                yield stored
        next_number = max(next_number, first + len(readings))


def dated(first: int, readings: Sequence[Reading], anchors: Sequence[tuple[int, Clock]]) -> Iterator[Stored]:
    """Give readings their number and their wall-clock time.

    Args:
        first: Number of the first reading.
        readings: Numbers following on.
        anchors: Index of the reading from which each clock holds; the first is 0.
    """
    ends = [index for index, _ in anchors[1:]] + [len(readings)]
    start = 0
    for (_, clock), end in zip(anchors, ends, strict=True):
        offset_ms = utc_ms(clock.utc) - clock.ms
        for index in range(start, end):
            reading = readings[index]
            yield Stored(first + index, reading.ms + offset_ms, clock, reading)
        start = end


def _unsealed(body: bytes) -> tuple[int, list[Reading], list[tuple[int, Clock]]]:
    batch = _BATCH.decode(body)
    return batch.first, batch.readings, [(0, batch.clock)]
