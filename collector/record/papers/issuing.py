"""Issuing a disinfection record: what it says goes on record with it, so that the same paper can be made again."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.evidence.issue import enclose
from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.things import Issued, Role

ClosureName = Annotated[str, msgspec.Meta(min_length=3, max_length=80)]


@deed
class IssueDisinfectionRecord(Deed, frozen=True, kw_only=True):
    """Issue a disinfection record.

    Attributes:
        closure: The soak, as "stream:first"; "row:number" names one verdict of it, also one that no longer stands.
    """

    NAME = "issue-disinfection-record"
    ROLES = frozenset(Role)

    closure: ClosureName

    def perform(self, book: Book) -> Issued:
        """Nothing is left out unseen: what cannot be proven or read is a refusal, not a thinner paper."""
        enclosed = enclose(book, self.closure)
        book.enclosed = msgspec.to_builtins(enclosed)
        return book.put(
            Issued(
                id=book.next_id(Issued),
                paper="disinfection-record",
                subject=enclosed.closure,
                title=enclosed.title,
                basin=enclosed.basin,
                about_ms=enclosed.about_ms,
                verdict=enclosed.sheet.verdict,
                verdict_number=enclosed.verdict_number,
                at_ms=book.at_ms,
                by=book.who,
                reason=self.reason,
            )
        )
