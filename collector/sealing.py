"""Makes pages of readings, and dates them again when a better clock becomes known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from collector import minutes
from collector.page import seal, unseal
from collector.readings import Anchors, Piece, Synchronised, add_anchor, dated
from collector.store import Sealed, Store, StreamRow
from soak.ranges import Range
from soak.reading import Reading


def seal_page(store: Store, row: StreamRow, pieces: Iterable[Piece]) -> None:
    """Put a page in the place of the rows that hold these readings.

    Args:
        store: Where; within one of its transactions.
        row: Their stream.
        pieces: At least one, numbers following on.
    """
    readings: list[Reading] = []
    anchors: Anchors = []
    first = 0
    for piece in pieces:
        first = first or piece.first
        add_anchor(anchors, len(readings), piece.clock)
        readings += piece.readings
    sha256, body = seal(row.stream, first, readings, anchors)
    as_read = list(dated(first, readings, anchors, store.synchronised(row.node, row.boot)))
    page = Sealed(
        run=(first, first + len(readings) - 1),
        times_utc_ms=_times_utc_ms(as_read),
        sha256=sha256,
        body=body,
        minutes=_minutes(as_read),
        undated=not all(clock.synced for _, clock in anchors),
    )
    store.seal(row.id, page)


def redate_pages(store: Store, stream_id: int, synchronised: Synchronised | None) -> None:
    """The wall clock has become known to be synchronised: what is kept beside a stream's pages follows.

    The pages themselves say which clock came with their readings, and stay as they are.
    """
    for first, sha256, body in store.undated_pages(stream_id):
        _, readings, anchors = unseal(body, sha256)
        as_read = list(dated(first, readings, anchors, synchronised))
        store.redate_page(stream_id, first, _times_utc_ms(as_read), _minutes(as_read))


def _times_utc_ms(pieces: Sequence[Piece]) -> Range:
    begins = [piece.readings[0].ms + piece.offset_ms for piece in pieces]
    ends = [piece.readings[-1].ms + piece.offset_ms for piece in pieces]
    return min(begins + ends), max(begins + ends)


def _minutes(pieces: Sequence[Piece]) -> bytes:
    sums: minutes.Minutes = {}
    minutes.add(sums, pieces)
    return minutes.pack(sums)
