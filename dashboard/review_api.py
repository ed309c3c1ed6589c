"""The daily log review for programs: what is open of a day, by the subjects that signing it answers."""

from __future__ import annotations

from typing import Annotated

import msgspec
from litestar import Router, get
from litestar.params import PathParameter

from collector.record.book import Book
from collector.record.shifts.day_review import OpenSubject, day_review
from collector.record.things import Review
from dashboard import query
from dashboard.site import AskedSite, only_known_parameters


class ReviewBody(msgspec.Struct, frozen=True):
    """What a day's log review asks about.

    Attributes:
        day: Which.
        signed: Who signed it; null: nobody has.
        open: What is open; `sign-review` takes an answer to each subject.
    """

    day: str
    signed: str | None
    open: list[OpenSubject]


@get("/api/review/{day:str}", summary="What the log review of a day asks about")
async def get_review(
    site: AskedSite, day: Annotated[str, PathParameter(description="A day at the site: 2026-03-03.")]
) -> ReviewBody:
    """As it stands now; what was settled since is no longer in it."""
    query.local_day(day, site.when)
    now_ms = site.utc_now_ms()

    def ask(book: Book) -> ReviewBody:
        signed = book.find(Review, day)
        return ReviewBody(day, signed.by if signed else None, day_review(book, day))

    return await site.desks.look(lambda connection: ask(Book.looking(connection, now_ms)))


def review_router() -> Router:
    """That one."""
    return Router("/", route_handlers=[get_review], guards=[only_known_parameters], tags=["record"])
