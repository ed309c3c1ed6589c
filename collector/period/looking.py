"""One look at the record for a report: what is asked, what was counted, and how things and times are called."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from functools import cache, cached_property

from collector.counting import failures, stored
from collector.counting.soaks import Kind, Outcome, Sorted, Watched, of_kind, sort_out
from collector.period.asked import Asked
from collector.record.book import Book
from collector.record.things import Load, Person
from soak.quantity import utc_text


class Looking:
    """What every part of a report asks.

    Soaks are sorted out by the rule of the statistics (`collector.counting`): the same range gives the same numbers.

    Args:
        book: To look in, at the present.
        asked: What is asked for.
    """

    def __init__(self, book: Book, asked: Asked) -> None:
        self.book, self.asked = book, asked
        rows = [(each.id, each.key) for each in asked.basins]
        self.found = stored.found(book, rows, asked.since_ms, asked.until_ms, no_basin=asked.everywhere)
        self.outcome: Outcome = sort_out(
            self.found.closures,
            self.found.loads,
            self.found.rounds,
            every_closing_is_a_load=self.found.every_closing_is_a_load,
        )
        self.inside: list[Sorted] = [
            each for each in self.outcome.closures if each.closure.closing_ms >= asked.since_ms
        ]
        self.soaks: list[Watched] = of_kind(self.inside, Kind.SOAK)
        self.failed: list[Sorted] = [each for each in self.inside if each.kind is Kind.SOAK and each.closure.failed]
        self._labels = {each.key: each.label for each in asked.basins}
        self.name_of = cache(book.name_of)

    @cached_property
    def loads(self) -> list[Load]:
        """Loads that began in the range."""
        asked = self.asked
        return [each for each in self.book.all(Load, **self.range) if each.basin in asked.keys]

    @cached_property
    def range(self) -> dict[str, int]:
        """As `Book.all` takes it."""
        return {"since_ms": self.asked.since_ms, "until_ms": self.asked.until_ms}

    @cached_property
    def numbers(self) -> dict[int, int]:
        """The ledger's record of each closure's verdict, by row."""
        sql = "SELECT id, number FROM closure WHERE closing_utc_ms >= ? AND closing_utc_ms < ?"
        return dict(self.book.connection.execute(sql, (self.asked.since_ms, self.asked.until_ms)).fetchall())

    @cached_property
    def _names(self) -> frozenset[str]:
        return failures.words_of_names((each.id, each.name) for each in self.book.all(Person))

    def shown(self, texts: Iterable[str]) -> tuple[list[str], int]:
        """What people wrote, each text once and without those that name somebody; and how many of those there are."""
        once = [each for each in dict.fromkeys(text.strip() for text in texts) if each]
        kept = [each for each in once if not failures.names_somebody(each, self._names)]
        return kept, len(once) - len(kept)

    def within(self, ms: int | None) -> bool:
        """A moment lies in the range."""
        return ms is not None and self.asked.since_ms <= ms < self.asked.until_ms

    def label(self, basin: str) -> str:
        """What people call a basin; "node/name" where it is none of those asked for."""
        return self._labels.get(basin, basin)

    def local(self, ms: int) -> datetime.datetime:
        """Date and time at the site."""
        return datetime.datetime.fromtimestamp(ms // 1000, self.book.zone)

    def minute(self, ms: int | None) -> str:
        """For the paper: "2026-03-03 12:40"; empty for None."""
        return "" if ms is None else f"{self.local(ms):%Y-%m-%d %H:%M}"

    def soak(self, closure: Watched) -> str:
        """How an inspector asks for a soak: its row and its record."""
        return f"row:{closure.id}, record {self.numbers.get(closure.id, '?')}"


def utc(ms: int | None) -> str | None:
    """For CSV: RFC 3339 in UTC."""
    return None if ms is None else utc_text(ms)
