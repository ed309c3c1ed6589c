"""Issuing a period report: what it says goes on record with it, so that the same report can be made again."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.period.issue import enclose
from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.things import Date, PeriodReport, Role

_Basin = Annotated[str, msgspec.Meta(max_length=81)]
_Place = Annotated[str, msgspec.Meta(max_length=200)]


@deed
class IssuePeriodReport(Deed, frozen=True, kw_only=True):
    """Issue a period report.

    Attributes:
        first: First day, at the site.
        last: Last day; it belongs to the report.
        basin: Only this basin, as "node/name"; empty for all.
        place: Only basins at this place; empty for all.
    """

    NAME = "issue-period-report"
    ROLES = frozenset(Role)

    first: Date
    last: Date
    basin: _Basin = ""
    place: _Place = ""

    def perform(self, book: Book) -> PeriodReport:
        """What could not be counted is said on the report; an empty range is reported as empty."""
        enclosed = enclose(book, self.first, self.last, self.basin, self.place)
        book.enclosed = msgspec.to_builtins(enclosed)
        return book.put(
            PeriodReport(
                id=book.next_id(PeriodReport),
                title=enclosed.title,
                first=enclosed.first,
                last=enclosed.last,
                basin=self.basin,
                place=self.place,
                at_ms=book.at_ms,
                by=book.who,
                reason=self.reason,
            )
        )
