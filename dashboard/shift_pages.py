"""The pages of people, of the daily log review and of the ledger. They only show."""

from __future__ import annotations

import datetime
from typing import Any, NamedTuple
from urllib.parse import urlencode

from litestar import Request, Router, get
from litestar.params import FromPath, FromQuery
from litestar.response import Template

from collector.record.book import Book
from collector.record.shifts.day_review import day_review
from collector.record.things import Handover, Person, Review, Role, Transcript
from dashboard import query
from dashboard.door import someone
from dashboard.ledger_pages import entries, entry, page_of
from dashboard.record_device import closure_row
from dashboard.record_pages import look, page_number, sheet
from dashboard.record_query import ON_ONE_PAGE, Names, part
from dashboard.record_words import record_title
from dashboard.sign_ins_pages import SIGN_IN_READERS
from dashboard.site import AskedSite, only_known_parameters
from dashboard.texts import N_

AnyRequest = Request[Any, Any, Any]
Text = FromQuery[str | None]
Word = FromPath[str]
_SAID = (N_("everything"), N_("what people said"))
_SIGNED_PER_PAGE = 20


class Subject(NamedTuple):
    """One thing that a review asks about, and the page that shows it; empty where there is none."""

    text: str
    href: str


@get("/people", include_in_schema=False)
async def people_page(site: AskedSite, request: AnyRequest) -> Template:
    """Who works here, as what, and whether their training is in date."""
    reads = bool(SIGN_IN_READERS & set(someone(request).person.roles))

    def question(book: Book) -> dict[str, object]:
        today = book.local_date(book.at_ms).isoformat()
        found = book.all(Person, limit=ON_ONE_PAGE)
        return {
            "people": [each for each in found if each.active],
            "left": [each for each in found if not each.active],
            "today": today,
        }

    context = {**await look(site, question), "roles": list(Role), "reads_sign_ins": reads}
    return await sheet(site, "people.html", "people", context)


@get("/review", include_in_schema=False)
async def review_page(site: AskedSite, day: Text = None, page: Text = None) -> Template:
    """What is open of a day, reviews that were signed, and handover notes."""
    number = page_number(page)
    today = site.when.local_date(site.utc_now_ms())
    shown = day or today.isoformat()
    query.local_day(shown, site.when)

    def question(book: Book) -> dict[str, object]:
        subjects = day_review(book, shown)
        return {
            "names": Names(book),
            "subjects": [Subject(each.text, _page_of(book, each.subject)) for each in subjects[:ON_ONE_PAGE]],
            "left_out": max(0, len(subjects) - ON_ONE_PAGE),
            "unassigned": sum(each.subject.startswith("closure:") for each in subjects),
            "review": book.find(Review, shown),
            "to_sign": _to_sign(book, shown, [each.subject for each in subjects]),
            "part": part(book, Review, number, _SIGNED_PER_PAGE, newest_first=True),
            "handovers": book.all(Handover, newest_first=True, limit=_SIGNED_PER_PAGE),
            "transcripts": book.all(Transcript, newest_first=True, limit=_SIGNED_PER_PAGE),
        }

    context = await look(site, question)
    shown_day = datetime.date.fromisoformat(shown)
    context |= {
        "day": shown,
        "day_words": site.when.day(site.when.day_range(shown_day)[0]),
        "today": today.isoformat(),
        "before": (shown_day - datetime.timedelta(days=1)).isoformat(),
        "after": (shown_day + datetime.timedelta(days=1)).isoformat(),
    }
    return await sheet(site, "review.html", "review", context)


def _to_sign(book: Book, day: str, subjects: list[str]) -> str:
    """What the form for signing begins with: the day, and a line for each thing that is open, its answer left to the
    person. Empty where it is signed and nothing else is open since.
    """
    signed = book.find(Review, day)
    if signed and not set(subjects) - set(signed.open_subjects):
        return ""
    return urlencode({"day": day, "answers": "\n".join(f"{each}; " for each in subjects)})


def _page_of(book: Book, subject: str) -> str:
    kind, _, thing_id = subject.partition(":")
    if kind != "closure":
        return page_of(book, kind, thing_id)
    row = closure_row(book, thing_id)
    return f"/closures/{row}" if row else ""


@get("/record", include_in_schema=False)
async def record_page(site: AskedSite, show: Text = None, page: Text = None) -> Template:
    """The ledger's newest records in words."""
    shown, number = query.choice("show", show, _SAID), page_number(page)
    context = await look(site, lambda book: entries(book, number, only_said=shown == _SAID[1]))
    context |= {"show": shown, "shows": _SAID, "title": record_title}
    return await sheet(site, "record.html", "record", context)


@get("/record/{number:str}", include_in_schema=False)
async def record_entry_page(site: AskedSite, number: Word) -> Template:
    """One record as it was written, with its hash and the one before."""
    context = await look(site, lambda book: entry(book, query.row(number), number, site.when))
    context |= {"title": record_title}
    return await sheet(site, "record_entry.html", "record", context)


def shift_router() -> Router:
    """All of them."""
    pages = [people_page, review_page, record_page, record_entry_page]
    return Router("/", route_handlers=pages, guards=[only_known_parameters])
