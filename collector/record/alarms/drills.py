"""Saying that a drill has arrived."""

from __future__ import annotations

from msgspec.structs import replace

from collector.record.book import Book
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.things import Confirmed, Date, Drill, Text


@deed
class ConfirmDrill(Deed, frozen=True, kw_only=True):
    """Say that the daily drill has arrived: I got it.

    Attributes:
        drill: Its day, e.g. "2026-11-28".
        person: Who got it, as the list of those who are told of alarms calls them.
    """

    NAME = "confirm-drill"
    ROLES = HANDS | KEEPERS  # everybody but auditors, who record nothing

    drill: Date
    person: Text

    def perform(self, book: Book) -> Drill:
        """Once for each person of its list: a route that took it does not know whether anybody looked."""
        drill = book.get(Drill, self.drill, "Look at the list of drills again.")
        if self.person not in drill.told:
            raise RefusedError(
                "not-told",
                f"{self.person!r} was not on the list of the drill of {drill.id}.",
                f"It was sent to: {', '.join(sorted(drill.told)) or 'nobody'}.",
            )
        if before := drill.confirmed.get(self.person):
            raise RefusedError(
                "drill-confirmed",
                f"{book.name_of(before.by)} has confirmed the drill of {drill.id} for {self.person!r} "
                f"{book.local_text(before.at_ms)}.",
                "Nothing more is needed.",
            )
        confirmed = {**drill.confirmed, self.person: Confirmed(book.who, book.at_ms)}
        return book.put(replace(drill, confirmed=confirmed))
