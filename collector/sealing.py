"""Makes pages of readings, and dates them again when a better clock becomes known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from collector import minutes
from collector.course import course_of
from collector.course import pack as pack_course
from collector.page import seal, unseal
from collector.readings import Anchors, Piece, Synchronised, add_anchor, dated
from collector.store import Sealed, Store, StreamRow
from soak.ranges import Range
from soak.reading import Reading

MOST_SENSORS = 64
"""On one page: it has a column for each sensor as long as the page. A basin has sixteen at most at a time."""


def seal_pages(store: Store, row: StreamRow, pieces: Iterable[Piece]) -> None:
    """Put pages, as a rule one, in the place of the rows that hold these readings.

    Args:
        store: Where; within one of its transactions.
        row: Their stream.
        pieces: At least one, numbers following on.
    """
    for part in _narrow(pieces):
        _seal_page(store, row, part)


def _narrow(pieces: Iterable[Piece]) -> Iterator[list[Piece]]:
    """Readings parted where there would be too many sensors."""
    part: list[Piece] = []
    sensors: set[str] = set()
    for whole in pieces:
        piece = whole
        for number, reading in enumerate(whole.readings, whole.first):
            if reading.mc.keys() <= sensors:
                continue
            if sensors and len(sensors | reading.mc.keys()) > MOST_SENSORS:
                yield [*part, *filter(None, [piece.upto(number - 1)])]
                part, sensors, piece = [], set(), piece.beyond(number - 1)
            sensors |= reading.mc.keys()
        part.append(piece)
    yield part


def _seal_page(store: Store, row: StreamRow, pieces: Sequence[Piece]) -> None:
    anchors: Anchors = []
    first = pieces[0].first
    readings: list[Reading] = []
    for piece in pieces:
        add_anchor(anchors, len(readings), piece.clock)
        readings += piece.readings
    sha256, body = seal(row.stream, first, readings, anchors)
    as_read = list(dated(first, readings, anchors, store.synchronised(row.node, row.boot)))
    times_utc_ms = _times_utc_ms(as_read)
    page = Sealed(
        run=(first, first + len(readings) - 1),
        times_utc_ms=times_utc_ms,
        sha256=sha256,
        body=body,
        minutes=_minutes(as_read),
        course=pack_course(course_of(as_read), times_utc_ms),
        undated=not all(clock.synced for _, clock in anchors),
    )
    store.seal(row, page)


def redate_pages(store: Store, stream_id: int, synchronised: Synchronised | None) -> None:
    """The wall clock has become known to be synchronised: what is kept beside a stream's pages follows.

    The pages themselves say which clock came with their readings, and stay as they are.
    """
    for first, sha256, body in store.undated_pages(stream_id):
        _, readings, anchors = unseal(body, sha256)
        as_read = list(dated(first, readings, anchors, synchronised))
        times_utc_ms = _times_utc_ms(as_read)
        course = pack_course(course_of(as_read), times_utc_ms)
        store.redate_page(stream_id, first, times_utc_ms, _minutes(as_read), course)


def index_row(body: bytes, sha256: str, synchronised: Synchronised | None) -> tuple[int, int, int, bytes, bytes]:
    """What is looked up of a page: earliest and latest time, whether a clock was not synchronised, minutes, course."""
    first, readings, anchors = unseal(body, sha256)
    as_read = list(dated(first, readings, anchors, synchronised))
    undated = not all(clock.synced for _, clock in anchors)
    times_utc_ms = _times_utc_ms(as_read)
    return *times_utc_ms, int(undated), _minutes(as_read), pack_course(course_of(as_read), times_utc_ms)


def _times_utc_ms(pieces: Sequence[Piece]) -> Range:
    begins = [piece.readings[0].ms + piece.offset_ms for piece in pieces]
    ends = [piece.readings[-1].ms + piece.offset_ms for piece in pieces]
    return min(begins + ends), max(begins + ends)


def _minutes(pieces: Sequence[Piece]) -> bytes:
    sums: minutes.Minutes = {}
    minutes.add(sums, pieces)
    return minutes.pack(sums)
