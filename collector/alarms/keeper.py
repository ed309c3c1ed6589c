"""Alarms on record: raised, risen, told, cleared and ended, each as a record of the ledger that the things follow."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import msgspec
from msgspec.structs import replace

from collector.alarms.held import Happened, Held
from collector.alarms.timing import lasting, starting_priority
from collector.ledger import Ledger
from collector.record import shelf
from collector.record.book import Book
from collector.record.patch import difference
from collector.record.things import Alarm, Seen, Thing
from soak.alarms import Priority

RAISED, RISEN, TOLD, CLEARED, SEEN = "alarm-raised", "alarm-risen", "alarm-told", "alarm-cleared", "alarm-seen-there"
"""Kinds of the collector's records of alarms; what people say of them are deeds."""

AT_THE_BASIN = "basin-button"
"""Who has seen an alarm when somebody pressed the button at the basin: who it was nobody knows."""

LATE_MS = 60_000
"""An alarm raised so long after its cause was over is late. Our own choice."""

SAME_MS = 60_000
"""While nobody has seen that a load was opened early, openings of it within so long are the same alarm: a switch that
chatters is an alarm a minute, not fifty a second. Our own choice; each opening stays on record as its closure."""


class Keeper:
    """Writes them; each method stands within `transaction`.

    Args:
        connection: To the database.
        clock: The collector's wall clock, milliseconds since 1970.
        past_until_ms: In a rehearsal, what happened before this is put on record at the time it happened at; None in
            earnest.
    """

    def __init__(
        self, connection: sqlite3.Connection, clock: Callable[[], int], past_until_ms: int | None = None
    ) -> None:
        self._connection, self._past_until_ms = connection, past_until_ms
        self._ledger = Ledger(connection, clock)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside is committed together or not at all."""
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.commit()
        except BaseException:
            self._connection.rollback()
            raise

    def standing(self) -> list[Alarm]:
        """Every alarm that stands, the oldest first."""
        return shelf.find_all(self._connection, Alarm, only_open=True)

    def known(self, held: Held) -> bool:
        """There is, or was, an alarm of this about the same thing, or one that goes for this too."""
        about = shelf.find_all(self._connection, Alarm, group=held.key.about)
        return any(each.code == held.key.code for each in about) or self._goes_for(held)

    def _goes_for(self, held: Held) -> bool:
        """The load was opened early a moment before or after, and nobody has seen that yet."""
        if held.key.code != "opened-early" or "load" not in held.evidence:
            return False
        since_ms = held.cause_ms - SAME_MS
        return any(
            each.code == held.key.code
            and each.seen is None
            and each.evidence.get("load") == held.evidence["load"]
            and abs(each.cause_ms - held.cause_ms) < SAME_MS
            for each in shelf.find_all(self._connection, Alarm, only_open=True, since_ms=since_ms)
        )

    def raised(self, held: Held, now_ms: int) -> None:
        """Something is so; an alarm of the same that has not ended goes on."""
        for alarm in shelf.find_all(self._connection, Alarm, group=held.key.about, only_open=True):
            if alarm.code == held.key.code:
                if alarm.cleared_ms is not None:
                    self._put(RAISED, replace(alarm, cleared_ms=None), now_ms)
                return
        self._put(RAISED, self._new(held, now_ms), now_ms)

    def happened(self, one: Happened, now_ms: int) -> None:
        """Something happened, and is over but for those who have to see it."""
        held = one.held
        over_ms = held.cause_ms if one.until_ms is None else one.until_ms
        if self._past_until_ms is not None and over_ms < self._past_until_ms:
            now_ms = over_ms
        alarm = replace(self._new(held, now_ms), cleared_ms=over_ms, late=now_ms - over_ms > LATE_MS)
        self._put(RAISED, replace(alarm, ended_ms=None if lasting(held.key.code) else now_ms), now_ms)

    def risen(self, alarm: Alarm, now_ms: int) -> None:
        """Nobody has acted."""
        risen = {"priority": Priority.HIGH, "risen_ms": now_ms, "told": 0, "told_ms": None}  # the list begins anew
        self._change(RISEN, alarm, lambda fresh: replace(fresh, **risen), now_ms)

    def cleared(self, alarm: Alarm, now_ms: int) -> None:
        """Its cause is over."""
        self._change(CLEARED, alarm, lambda fresh: replace(fresh, cleared_ms=now_ms), now_ms)

    def told(self, alarm: Alarm, person: str, now_ms: int, *, skipped: int = 0) -> None:
        """Somebody of the list is told; so many before them it does not reach."""
        content = {"person": person}
        told = alarm.told + skipped + 1
        self._change(TOLD, alarm, lambda fresh: replace(fresh, told=told, told_ms=now_ms), now_ms, content)

    def seen_there(self, alarm: Alarm, now_ms: int) -> None:
        """Somebody pressed the button at the basin."""
        seen = Seen(AT_THE_BASIN, now_ms, "pressed the button at the basin")
        self._change(SEEN, alarm, lambda fresh: fresh if fresh.seen else replace(fresh, seen=seen), now_ms)

    def noted(self, kind: str, about: str, content: dict[str, Any], now_ms: int, thing: Thing | None = None) -> None:
        """Something else worth a record, such as what became of a message; a thing may follow it."""
        if thing is not None:
            content = {**content, "changes": self._changes(thing)}
        number = self._ledger.append(kind, {"about": about, **content}, at_ms=now_ms).number
        shelf.write(self._connection, number, content.get("changes", {}))

    def _new(self, held: Held, now_ms: int) -> Alarm:
        book = Book.looking(self._connection, now_ms)
        return Alarm(
            id=book.next_id(Alarm),
            code=held.key.code,
            priority=starting_priority(held.key.code),
            about=held.key.about,
            basin=held.basin,
            text=held.text,
            evidence=held.evidence,
            cause_ms=min(held.cause_ms, now_ms),
            raised_ms=now_ms,
        )

    def _change(
        self,
        kind: str,
        alarm: Alarm,
        change: Callable[[Alarm], Alarm],
        now_ms: int,
        content: dict[str, Any] | None = None,
    ) -> None:
        """By how it stands within this transaction: somebody may have seen it meanwhile."""
        fresh = shelf.find(self._connection, Alarm, alarm.id)
        if fresh is None or fresh.ended_ms is not None:
            return
        changed = change(fresh)
        if changed.cleared_ms is not None and (changed.seen is not None or not lasting(changed.code)):
            changed = replace(changed, ended_ms=now_ms)
        if changed != fresh:
            self._put(kind, changed, now_ms, content)

    def _put(self, kind: str, alarm: Alarm, now_ms: int, content: dict[str, Any] | None = None) -> None:
        self.noted(kind, f"{Alarm.KIND}/{alarm.id}", content or {}, now_ms, alarm)

    def _changes(self, thing: Thing) -> dict[str, Any]:
        after = msgspec.json.decode(msgspec.json.encode(thing))
        return {thing.KIND: {thing.id: difference(shelf.body_of(self._connection, thing.KIND, thing.id), after)}}
