"""Seeing an alarm, and silencing it for a while."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.things import Alarm, Id, Note, Seen
from soak.alarms import KINDS
from soak.quantity import in_words

LONGEST_SILENCE_MS = 10 * 60_000
"""Our own choice: long enough to deal with it, too short to forget it. IEC 60601-1-8 leaves it to the maker, who must
disclose it and show that the sound is off (published, secondary)."""

SILENCE_MS = 2 * 60_000


@deed
class SeeAlarm(Deed, frozen=True, kw_only=True):
    """Say that you have seen an alarm, and what you did about it.

    Attributes:
        alarm: Which.
        done: What you did, in your words.
    """

    NAME = "see-alarm"

    alarm: Id
    done: Note = ""

    def perform(self, book: Book) -> Alarm:
        """The first who sees it counts; whoever comes later may add what they did."""
        alarm = standing(book, self.alarm, seeing=True)
        seen = Seen(book.who, book.at_ms, self.done.strip())
        if alarm.seen is not None:
            if not seen.done:
                raise RefusedError(
                    "alarm-seen",
                    f"{book.name_of(alarm.seen.by)} has seen alarm {alarm.id} already.",
                    "Nothing more is needed; write what you did if you did something else.",
                )
            told = f"{alarm.seen.done} " if alarm.seen.done else ""
            seen = replace(alarm.seen, done=f"{told}{book.name_of(book.who)}: {seen.done}")
        alarm = replace(alarm, seen=seen)
        if alarm.cleared_ms is not None and alarm.ended_ms is None:
            alarm = replace(alarm, ended_ms=book.at_ms)
        return book.put(alarm)


@deed
class SilenceAlarm(Deed, frozen=True, kw_only=True):
    """Silence an alarm for a while: its light stays, and so does its place in the list.

    Attributes:
        alarm: Which.
        for_ms: For how long, at most ten minutes.
    """

    NAME = "silence-alarm"

    alarm: Id
    for_ms: Annotated[int, msgspec.Meta(ge=10_000, le=LONGEST_SILENCE_MS)] = SILENCE_MS

    def perform(self, book: Book) -> Alarm:
        """Silencing is no seeing: it goes on to the next person all the same."""
        alarm = standing(book, self.alarm)
        return book.put(replace(alarm, silenced_until_ms=book.at_ms + self.for_ms))


def standing(book: Book, alarm_id: str, *, seeing: bool = False) -> Alarm:
    """An alarm that stands; one that is over but was never seen may still be seen.

    Raises:
        RefusedError: It is over.
    """
    alarm = book.get(Alarm, alarm_id, "Look at the list of alarms again.")
    if alarm.ended_ms is None or (seeing and alarm.seen is None):
        return alarm
    what = KINDS[alarm.code].name if alarm.code in KINDS else alarm.code
    raise RefusedError(
        "alarm-over",
        f"Alarm {alarm.id} ({what}) is over since {in_words(max(0, book.at_ms - alarm.ended_ms))}.",
        "Nothing is to be done about it; the list shows what stands now.",
    )
