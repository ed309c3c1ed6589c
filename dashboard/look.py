"""One look at all basins: from the store to what pages, API and live stream show of them.

A look asks the store only about basins of which something has changed; whether a basin is ready is asked again when
the record or the readings give a reason, and otherwise now and then, because dates and limits run out by themselves.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import Any

import msgspec
from msgspec.structs import replace

from collector.counting.soaks import PASSING_MS
from collector.read import Backlog, Basin, BasinNow, NodeNow, Reader, StoredClosure
from collector.record.basins.ready_facts import HEARD_MS
from collector.record.book import Book
from collector.record.rounds.unassigned import unassigned
from collector.record.things import Alarm, Load, Stage, Turn
from collector.required import required_of
from dashboard.alarms_words import urgent_first
from dashboard.look_changes import Changed, Changes
from dashboard.readiness_view import Standing, standing
from dashboard.say import STALE_MS, Said, Seen, say
from dashboard.unbroken import unbroken_ms
from dashboard.when import DAY_MS, SiteTime
from soak.decoding import from_json
from soak.reading import Reading
from soak.requirement import most_mc, needs_mc

_LOOK_BACK = 8
ANEW_MS = 1_000
"""What is said of a basin is found anew at least so often: silence and remaining time go on by themselves."""
READY_ANEW_MS = 2_000
"""Whether it is ready, likewise, while few basins wait to be asked."""
_READY_AT_ONCE = 20
"""At most so many basins a look are asked only because time has passed: a thousand basins take some ten seconds."""


class Doings(msgspec.Struct, frozen=True):
    """What the record says that somebody has to do at a basin.

    Attributes:
        alarms: Alarms that stand, most urgent first.
        waiting: Rounds whose device was taken out of it and is not released yet.
    """

    alarms: tuple[Alarm, ...] = ()
    waiting: tuple[Turn, ...] = ()


class BasinSeen(msgspec.Struct, frozen=True):
    """A basin, what is known of it, what is said of it, whether it is ready for a load, and what is to be done.

    Attributes:
        unassigned_ms: When those of its closures of the last day began that no load was in and nobody has spoken of;
            none where nobody has ever recorded a load.
    """

    seen: Seen
    said: Said
    standing: Standing
    doings: Doings = Doings()
    unassigned_ms: tuple[int, ...] = ()


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


class _Kept(msgspec.Struct):
    """What is kept of one basin from look to look.

    Attributes:
        required: Requirement and terms; None: to be asked.
        row: The newest reading as it is stored.
        now: The same, read.
        latest: The latest closure that matters; asked again while `stale_latest`.
        standing: Whether it is ready; None: to be asked.
        reason: What of its readings decides that.
        asked_ms: When that was asked, on the steady clock.
        doings: What is to be done there.
        unassigned_ms: See `BasinSeen`.
        seen: What was found, for `given`, at `seen_ms` on the steady clock.
    """

    required: tuple[Any, Any] | None = None
    row: str = ""
    now: BasinNow | None = None
    latest: StoredClosure | None = None
    stale_latest: bool = True
    standing: Standing | None = None
    reason: object = None
    asked_ms: int = 0
    doings: Doings = Doings()
    unassigned_ms: tuple[int, ...] = ()
    seen: BasinSeen | None = None
    given: object = None
    seen_ms: int = 0


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
        self._reader: Reader | None = None
        self._changes = Changes()
        self._kept: dict[int, _Kept] = {}
        self._doings: dict[str, Doings] = {}

    def look(self, reader: Reader, *, not_stored: bool = False) -> Look:
        """Look once; `not_stored`: the collector stores nothing at present."""
        if reader is not self._reader:  # another connection may be another database
            self._reader, self._changes, self._kept = reader, Changes(), {}
        now_ms = self._utc_now_ms()
        nodes = reader.nodes()
        gone = {node.node for node in nodes if not node.up}
        changed = self._changes.since_last(reader.connection)
        if changed.record:
            self._doings = _doings(reader, now_ms)
        basins = self._basins(reader, changed)
        self._follow(reader, basins, changed, now_ms)
        self._ask_ready(reader, basins, now_ms)
        return Look(
            now_ms,
            reader.site().get("name", ""),
            [self._basin(reader, each, now_ms, not_stored, node_gone=each.node in gone) for each in basins],
            nodes,
            reader.backlog(),
            dict(reader.parked_counts()),
        )

    def _basins(self, reader: Reader, changed: Changed) -> list[Basin]:
        """All basins, with what is required of them."""
        basins = []
        sql = "SELECT id, node, name, label, place FROM basin ORDER BY id"
        for basin_id, node, name, label, place in reader.connection.execute(sql).fetchall():
            kept = self._kept.setdefault(basin_id, _Kept())
            if kept.required is None or changed.everything or f"{node}/{name}" in changed.basins:
                required = required_of(reader.connection, basin_id)
                kept.required = (required[-1].requirement, required[-1].terms) if required else (None, {})
            basins.append(Basin(basin_id, node, name, label, place, *kept.required))
        return basins

    def _follow(self, reader: Reader, basins: list[Basin], changed: Changed, now_ms: int) -> None:
        """Take note of new readings, closures and records."""
        book = Book.looking(reader.connection, now_ms)
        keeps_loads = bool(changed.everything or changed.closures or changed.basins) and bool(book.all(Load, limit=1))
        rows = dict(reader.connection.execute("SELECT basin_id, body FROM now").fetchall())
        for basin in basins:
            kept, row = self._kept[basin.id], rows.get(basin.id, "")
            if row != kept.row:
                kept.row, kept.now = row, from_json(row, BasinNow) if row else None
            if changed.everything or basin.id in changed.closures:
                kept.stale_latest, kept.standing = True, None
            key = f"{basin.node}/{basin.name}"
            if changed.everything or key in changed.basins:
                kept.standing = None
            if kept.standing is None and keeps_loads:
                found = unassigned(book, key, now_ms - DAY_MS, now_ms)
                kept.unassigned_ms = tuple(each.watched.closing_ms for each in found)
            kept.doings = self._doings.get(key, Doings())
            if kept.stale_latest:
                kept.latest, kept.stale_latest = _latest(reader, basin), False

    def _ask_ready(self, reader: Reader, basins: list[Basin], now_ms: int) -> None:
        """Ask whether basins are ready, where there is a reason to; of those where only time has passed, the oldest."""
        steady_ms, book = self._steady_ms(), Book.looking(reader.connection, now_ms)
        ageing = []
        for basin in basins:
            kept = self._kept[basin.id]
            reason = _reason(basin, kept.now, now_ms)
            if kept.standing is None or reason != kept.reason:
                kept.reason = reason
                _ask(book, basin, kept, steady_ms)
            elif steady_ms - kept.asked_ms >= READY_ANEW_MS * self._speed:
                ageing.append((kept.asked_ms, basin.id, basin))
        for _, _, basin in sorted(ageing, key=_oldest)[:_READY_AT_ONCE]:
            _ask(book, basin, self._kept[basin.id], steady_ms)

    def _basin(self, reader: Reader, basin: Basin, now_ms: int, not_stored: bool, *, node_gone: bool) -> BasinSeen:
        """What is said of one basin; what was said lately where nothing has changed since."""
        kept, steady_ms = self._kept[basin.id], self._steady_ms()
        silent = self._silent(kept.now, basin, now_ms)
        given = (
            basin,
            kept.row,
            kept.latest,
            kept.standing,
            kept.doings,
            kept.unassigned_ms,
            not_stored,
            node_gone,
            silent,
        )
        if kept.seen is not None and given == kept.given and steady_ms - kept.seen_ms < ANEW_MS * self._speed:
            return kept.seen
        seen = Seen(basin, kept.now, kept.latest, now_ms, speed=self._speed, node_gone=node_gone, not_stored=not_stored)
        if seen.now is not None:
            seen = self._watched(reader, seen, seen.now)
        assert kept.standing is not None  # noqa: S101 - asked of every basin before
        kept.seen = BasinSeen(seen, say(seen, self._when), _shown(kept.standing, seen), kept.doings, kept.unassigned_ms)
        kept.given, kept.seen_ms = given, steady_ms
        return kept.seen

    def _silent(self, now: BasinNow | None, basin: Basin, now_ms: int) -> bool:
        """Whether it has been silent for too long by now; told from what was known before."""
        heard, limit_ms = self._heard.get(basin.id), STALE_MS * self._speed
        by_clock = now is not None and now.synced and now_ms - now.at_utc_ms > limit_ms
        return by_clock or (heard is not None and self._steady_ms() - heard.changed_ms > limit_ms)

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
        return replace(
            seen,
            silent_ms=max(unchanged_ms, age_ms),
            arriving=heard.watched and unchanged_ms <= STALE_MS * self._speed,
            unbroken_ms=heard.unbroken[1],
            without_ms=now.ms - complete_ms,
        )


def _oldest(ageing: tuple[int, int, Basin]) -> tuple[int, int]:
    return ageing[:2]


def _ask(book: Book, basin: Basin, kept: _Kept, steady_ms: int) -> None:
    kept.standing, kept.asked_ms = standing(book, f"{basin.node}/{basin.name}"), steady_ms


def _reason(basin: Basin, now: BasinNow | None, now_ms: int) -> object:
    """What of the readings decides whether a basin is ready: not the temperature itself, but whether it will do."""
    if now is None:
        return None
    will_do = []
    for sensor, terms in sorted(basin.sensors.items()):
        mc, asked = now.mc.get(sensor), basin.requirement
        most = most_mc(asked, terms) if asked else None
        low = mc is not None and asked is not None and mc < needs_mc(asked, terms)
        high = mc is not None and most is not None and mc > most
        fault = now.fault.get(sensor)
        will_do.append((mc is None, low, high, fault.code if fault else ""))
    heard = now.synced and now_ms - now.at_utc_ms <= HEARD_MS
    return now.stream, now.synced, heard, now.lid, will_do, basin.requirement


def _shown(known: Standing, seen: Seen) -> Standing:
    """With the temperature of this moment."""
    if known.readiness.indicated_mc is None or seen.now is None:
        return known
    coldest = min(
        (mc for sensor, mc in seen.now.mc.items() if mc is not None and sensor in seen.basin.sensors), default=None
    )
    return replace(known, readiness=replace(known.readiness, indicated_mc=coldest))


def _doings(reader: Reader, now_ms: int) -> dict[str, Doings]:
    """What is to be done, by basin."""
    book = Book.looking(reader.connection, now_ms)
    alarms, waiting = defaultdict[str, list[Alarm]](list), defaultdict[str, list[Turn]](list)
    for alarm in urgent_first(book.all(Alarm, only_open=True)):
        alarms[alarm.basin].append(alarm)
    for turn in book.all(Turn, only_open=True):
        if turn.stage is Stage.SOAKED:
            waiting[turn.basin].append(turn)
    return {key: Doings(tuple(alarms[key]), tuple(waiting[key])) for key in (alarms | waiting)}


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
