"""One look at all basins: from the store to what pages, API and live stream show of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import msgspec

from collector.read import Backlog, Basin, BasinNow, NodeNow, Reader, StoredClosure
from collector.record.book import Book
from dashboard.readiness_view import Standing, standing
from dashboard.say import STALE_MS, Said, Seen, say
from dashboard.unbroken import unbroken_ms
from dashboard.when import SiteTime
from dashboard.words import PASSING_MS
from soak.reading import Reading

_LOOK_BACK = 8


class BasinSeen(msgspec.Struct, frozen=True):
    """A basin, what is known of it, what is said of it, and whether it is ready for a load."""

    seen: Seen
    said: Said
    standing: Standing


class Look(msgspec.Struct, frozen=True):
    """The whole site at one moment; `now_ms` is milliseconds since 1970."""

    now_ms: int
    site: str
    basins: list[BasinSeen]
    nodes: list[NodeNow]
    backlog: Backlog
    parked: dict[str, int]


class _Heard(msgspec.Struct):
    """What watching the store tells of one basin: readings carry the node's wall clock, which may be wrong.

    Attributes:
        reading: Stream and number of the newest reading.
        changed_ms: When that last changed, on the steady clock.
        watched: It has changed while we looked.
        complete: Stream and time of the newest reading with a value from every required sensor.
        unbroken: For which reading the unbroken time was worked out, and the result.
    """

    reading: tuple[str, int]
    changed_ms: int
    watched: bool = False
    complete: tuple[str, int] | None = None
    unbroken: tuple[tuple[str, int], int] | None = None


class Looker:
    """Looks at the store again and again, and remembers when something last changed. For one thread.

    Args:
        when: Local time.
        utc_now_ms: The wall clock.
        steady_ms: A clock that is never set, at the pace of the wall clock.
        speed: Rehearsal seconds per real second.
    """

    def __init__(
        self, when: SiteTime, utc_now_ms: Callable[[], int], steady_ms: Callable[[], int], speed: int = 1
    ) -> None:
        self._when, self._utc_now_ms, self._steady_ms, self._speed = when, utc_now_ms, steady_ms, speed
        self._heard: dict[int, _Heard] = {}

    def look(self, reader: Reader, *, not_stored: bool = False) -> Look:
        """Look once; `not_stored`: the collector stores nothing at present."""
        now_ms = self._utc_now_ms()
        nodes = reader.nodes()
        gone = {node.node for node in nodes if not node.up}
        newest = reader.now()
        book = Book.looking(reader.connection, now_ms)
        basins = [
            self._basin(
                reader,
                book,
                Seen(
                    basin,
                    newest.get(basin.id),
                    _latest(reader, basin),
                    now_ms,
                    speed=self._speed,
                    node_gone=basin.node in gone,
                    not_stored=not_stored,
                ),
            )
            for basin in reader.basins()
        ]
        return Look(
            now_ms, reader.site().get("name", ""), basins, nodes, reader.backlog(), dict(reader.parked_counts())
        )

    def _basin(self, reader: Reader, book: Book, seen: Seen) -> BasinSeen:
        if seen.now is not None:
            seen = self._watched(reader, seen, seen.now)
        return BasinSeen(seen, say(seen, self._when), standing(book, f"{seen.basin.node}/{seen.basin.name}"))

    def _watched(self, reader: Reader, seen: Seen, now: BasinNow) -> Seen:
        steady_ms = self._steady_ms()
        heard = self._heard.setdefault(seen.basin.id, _Heard((now.stream, now.number), steady_ms))
        if heard.reading != (now.stream, now.number):
            heard.reading, heard.changed_ms, heard.watched = (now.stream, now.number), steady_ms, True
        if all(now.mc.get(sensor) is not None for sensor in seen.basin.sensors):
            heard.complete = (now.stream, now.ms)
        if heard.unbroken is None or heard.unbroken[0] != heard.reading:
            heard.unbroken = (heard.reading, _unbroken_ms(reader, seen.basin, now))
        unchanged_ms = steady_ms - heard.changed_ms
        # A clock that is not synchronised says nothing about how old a reading is.
        age_ms = max(0, seen.now_ms - now.at_utc_ms) if now.synced else 0
        complete_ms = heard.complete[1] if heard.complete and heard.complete[0] == now.stream else 0
        return msgspec.structs.replace(
            seen,
            silent_ms=max(unchanged_ms, age_ms),
            arriving=heard.watched and unchanged_ms <= STALE_MS * self._speed,
            unbroken_ms=heard.unbroken[1],
            without_ms=now.ms - complete_ms,
        )


def _latest(reader: Reader, basin: Basin) -> StoredClosure | None:
    """The newest ended closure that was more than a lid put down in passing; failing that, the newest."""
    newest = reader.closures(basin_id=basin.id, limit=_LOOK_BACK)
    return next((each for each in newest if each.closure.closed_ms >= PASSING_MS), newest[0] if newest else None)


def _unbroken_ms(reader: Reader, basin: Basin, now: BasinNow) -> int:
    def recent(most_ms: int) -> Iterable[Reading]:
        closed_ms = now.closure.closed_ms if now.closure else 0
        since_ms = now.at_utc_ms - min(most_ms, closed_ms)
        return (reading for _, reading in reader.readings(basin.id, since_ms, now.at_utc_ms + 1))

    return unbroken_ms(basin, now, recent)
