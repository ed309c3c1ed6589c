"""Readings as they lie in the store: sealed pages first, then what is not sealed yet; and how they are dated."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import msgspec
from sqlite_utils import Database

from collector.page import DamagedPageError, unseal
from soak.decoding import msgpack_decoder
from soak.quantity import utc_ms, utc_text
from soak.reading import Reading
from soak.wire import Clock

SAME_CLOCK_MS = 10
"""Clock anchors this close say the same: reading two clocks one after the other is no better."""

Anchors = list[tuple[int, Clock]]
"""Index of the reading from which each clock holds; the first is 0."""


class Synchronised(NamedTuple):
    """The earliest moment of a boot at which its node's wall clock was known to be synchronised.

    Attributes:
        ms: On the node's uninterrupted clock.
        utc_ms: On the wall clock, milliseconds since 1970.
    """

    ms: int
    utc_ms: int


_SLEWED_PPM = 500
"""By how much the uninterrupted clock may be steered while the wall clock is brought in line (adjtimex(2))."""


def dating_error_ms(dated_back_ms: int) -> int:
    """How far off a date may be that was counted back so far: what the clock was steered, and a second for setting."""
    return 1_000 + dated_back_ms * _SLEWED_PPM // 1_000_000


class Piece(NamedTuple):
    """Readings of one stream, numbers following on, that one clock dates.

    Attributes:
        first: Number of the first.
        readings: At least one.
        clock: The clock that came with them.
        offset_ms: Wall clock minus the node's uninterrupted clock, by the best that is known.
        synced_ms: When, on the node's uninterrupted clock, the wall clock was synchronised that dates them: later than
            they are. None: they are dated by the clock that came with them.
    """

    first: int
    readings: Sequence[Reading]
    clock: Clock
    offset_ms: int
    synced_ms: int | None = None

    @property
    def last(self) -> int:
        """Number of the last reading."""
        return self.first + len(self.readings) - 1

    @property
    def dated(self) -> bool:
        """Their dates can be trusted."""
        return self.clock.synced or self.synced_ms is not None

    def beyond(self, number: int) -> Piece:
        """The same without the readings up to `number`, which is not its last."""
        skipped = max(0, number + 1 - self.first)
        return self._replace(first=self.first + skipped, readings=self.readings[skipped:]) if skipped else self

    def upto(self, number: int) -> Piece | None:
        """The same without the readings beyond `number`; None if there are no others."""
        count = number - self.first + 1
        return (
            self
            if count >= len(self.readings)
            else self._replace(readings=self.readings[:count])
            if count > 0
            else None
        )


class Stored(NamedTuple):
    """One reading of one stream.

    Attributes:
        number: Its number.
        utc_ms: When, milliseconds since 1970, by the best clock known.
        clock: The clock that came with it.
        reading: The reading.
        dated: The date can be trusted: that clock was synchronised, or another later in the same boot.
    """

    number: int
    utc_ms: int
    clock: Clock
    reading: Reading
    dated: bool


class Rows(msgspec.Struct, frozen=True, array_like=True):
    """Readings that no page holds yet, as one row keeps them."""

    anchors: list[tuple[int, int, int, bool]]  # index, milliseconds since boot, since 1970, synchronised
    readings: list[Reading]


_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgpack_decoder(Rows)


def pack(readings: list[Reading], anchors: Anchors) -> bytes:
    """One row of unsealed readings."""
    told = [(index, clock.ms, utc_ms(clock.utc), clock.synced) for index, clock in anchors]
    return _ENCODER.encode(Rows(told, readings))


def add_anchor(anchors: Anchors, index: int, clock: Clock) -> None:
    """From this index on this clock holds, unless it says the same as the one before."""
    if anchors:
        known = anchors[-1][1]
        if clock.synced is known.synced and abs(offset_ms(clock) - offset_ms(known)) <= SAME_CLOCK_MS:
            return
    anchors.append((index, clock))


def offset_ms(clock: Clock) -> int:
    """Wall clock minus the uninterrupted one, milliseconds."""
    return utc_ms(clock.utc) - clock.ms


def dated(
    first: int, readings: Sequence[Reading], anchors: Anchors, synchronised: Synchronised | None = None
) -> Iterator[Piece]:
    """Give readings their number and their wall-clock time.

    A clock that was not synchronised is not believed where a later moment of the same boot is known to have been: the
    uninterrupted clock leads back from there.

    Args:
        first: Number of the first reading.
        readings: Numbers following on.
        anchors: Their clocks.
        synchronised: Of their boot, where there is such a moment.
    """
    ends = [index for index, _ in anchors[1:]] + [len(readings)]
    start = 0
    for (_, clock), end in zip(anchors, ends, strict=True):
        part = readings if end - start == len(readings) else readings[start:end]
        if synchronised is not None and not clock.synced and clock.ms <= synchronised.ms:
            yield Piece(first + start, part, clock, synchronised.utc_ms - synchronised.ms, synchronised.ms)
        else:
            yield Piece(first + start, part, clock, offset_ms(clock))
        start = end


def stored_pieces(
    db: Database,
    stream_id: int,
    *,
    from_number: int = 1,
    since_ms: int | None = None,
    until_ms: int | None = None,
    sealed: bool = True,
) -> Iterator[Piece]:
    """The readings of one stream in the order of their numbers, each once.

    Args:
        db: The database.
        stream_id: The stream's row.
        from_number: Leave out earlier ones.
        since_ms: Pages that end before this time (milliseconds since 1970) are skipped whole.
        until_ms: Pages that begin at or after this time are skipped whole.
        sealed: Also those that pages hold; else only those that none holds yet.

    Raises:
        DamagedPageError: A page is not what was sealed, or a row cannot be read.
    """
    rows = _batches(db, stream_id, from_number)
    if sealed:
        rows += _pages(db, stream_id, from_number, since_ms, until_ms)
    synchronised = synchronised_of(db, stream_id)
    next_number = from_number
    for first, _, sha256, body in sorted(rows, key=lambda row: row[:2]):
        readings, anchors = _opened(first, _page_body(db, body) if sha256 else body, sha256)
        for piece in dated(first, readings, anchors, synchronised):
            if piece.last >= next_number:
                yield piece.beyond(next_number - 1)
                next_number = piece.last + 1


def stored_readings(
    db: Database,
    stream_id: int,
    *,
    from_number: int = 1,
    since_ms: int | None = None,
    until_ms: int | None = None,
) -> Iterator[Stored]:
    """Reading by reading what `stored_pieces` gives."""
    for piece in stored_pieces(db, stream_id, from_number=from_number, since_ms=since_ms, until_ms=until_ms):
        yield from singly(piece)


def singly(piece: Piece) -> Iterator[Stored]:
    """The readings of a piece."""
    for number, reading in enumerate(piece.readings, piece.first):
        yield Stored(number, reading.ms + piece.offset_ms, piece.clock, reading, piece.dated)


def synchronised_of(db: Database, stream_id: int) -> Synchronised | None:
    """The earliest synchronised moment known of a stream's boot."""
    row = db.conn.execute(
        """SELECT o.synced_ms, o.synced_utc_ms FROM stream s JOIN basin b ON b.id = s.basin_id
           JOIN boot o ON o.node = b.node AND o.boot = s.boot WHERE s.id = ? AND o.synced_ms IS NOT NULL""",
        (stream_id,),
    ).fetchone()
    return Synchronised(*row) if row else None


def _batches(db: Database, stream_id: int, from_number: int) -> list[Any]:
    return db.conn.execute(
        "SELECT first, 0, '', body FROM batch WHERE stream_id = ? AND last >= ?", (stream_id, from_number)
    ).fetchall()


def _pages(db: Database, stream_id: int, from_number: int, since_ms: int | None, until_ms: int | None) -> list[Any]:
    clauses, values = "p.stream_id = ? AND p.last >= ?", [stream_id, from_number]
    if since_ms is not None:
        clauses, values = f"{clauses} AND i.last_utc_ms >= ?", [*values, since_ms]
    if until_ms is not None:
        clauses, values = f"{clauses} AND i.first_utc_ms < ?", [*values, until_ms]
    sql = f"SELECT p.first, 1, p.sha256, p.rowid FROM page p JOIN page_index i USING (stream_id, first) WHERE {clauses}"  # noqa: S608
    return db.conn.execute(sql, values).fetchall()


def _page_body(db: Database, row_id: int) -> bytes:
    """Fetched when it is its turn: a stream of months is never in memory whole; and a page never goes away."""
    body: bytes = db.conn.execute("SELECT body FROM page WHERE rowid = ?", (row_id,)).fetchone()[0]
    return body


def _opened(first: int, body: bytes, sha256: str) -> tuple[Sequence[Reading], Anchors]:
    if sha256:
        _, readings, anchors = unseal(body, sha256)
        return readings, anchors
    try:
        rows = _DECODER.decode(body)
    except msgspec.DecodeError as error:
        raise DamagedPageError(f"The row of reading {first} cannot be read ({error}). Restore a backup.") from None
    return rows.readings, [(index, Clock(ms, utc_text(at_ms), synced)) for index, ms, at_ms, synced in rows.anchors]
