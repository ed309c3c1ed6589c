"""The pages of look-backs. They show; what is said goes through the forms of the deeds."""

from __future__ import annotations

import secrets
from typing import Any

from litestar import Request, Response, Router, get
from litestar.params import FromPath, FromQuery
from litestar.response import Template

from collector.lookback.causes import FOR_PEOPLE
from collector.record.book import Book
from collector.record.rounds.lookbacks import OpenLookBack
from dashboard.door import signed_in
from dashboard.form_pages import suggested
from dashboard.lookbacks import listed, opening
from dashboard.query import QueryError, known_names
from dashboard.record_pages import look, page_number, sheet
from dashboard.record_query import Names
from dashboard.site import AskedSite, only_known_parameters
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
Text = FromQuery[str | None]
Word = FromPath[str]


@get("/look-backs", include_in_schema=False, guards=[only_known_parameters])
async def look_backs_page(site: AskedSite, page: Text = None) -> Template:
    """What is open first, then what was closed."""
    number = page_number(page)
    return await sheet(site, "lookbacks.html", "look-backs", await look(site, lambda book: listed.listed(book, number)))


@get("/look-backs/{look_back:str}", include_in_schema=False, guards=[only_known_parameters])
async def look_back_page(site: AskedSite, look_back: Word) -> Template:
    """One look-back: what to do first, what it concerns, what became of it."""
    context = await look(site, lambda book: listed.one(book, look_back))
    return await sheet(site, "lookback.html", "look-backs", context)


@get("/look-backs/new", include_in_schema=False)
async def new_page(site: AskedSite, request: AnyRequest) -> Template:
    """A cause, its fields, and what it would concern. Nothing is recorded by looking."""
    given = {name: request.query_params.getall(name) for name in request.query_params}
    cause = opening.cause_named(next(iter(given.pop("cause", [])), None))
    if cause is None and request.query_params.get("cause"):
        raise QueryError(_("There is no such cause. Choose one of the list at /look-backs/new."))
    known = opening.fields_of(cause) if cause else []
    known_names(given, [*(field.name for field in known), "look", "how_found"])
    looked = bool(given.pop("look", None))

    def question(book: Book) -> tuple[opening.Asking | None, dict[str, list[tuple[str, str]]], Names]:
        found = opening.asking(book, cause, given, looked=looked, zone=book.zone) if cause else None
        return found, opening.suggestions(book) if cause else {}, Names(book)

    asked, own, names = await look(site, question)
    signed = signed_in(request)
    context: dict[str, object] = {
        "causes": FOR_PEOPLE,
        "cause": cause,
        "asked": asked,
        "names": names,
        "typed": given,
        "suggestions": {**await suggested(site, [each for each in known if each.of not in own]), **own},
        "signed": signed,
        "may": signed is None or bool(OpenLookBack.ROLES & set(signed.person.roles)),
        "outcome_words": listed.OUTCOMES,
        "most_rows": listed.MOST_ROWS,
        "once": secrets.token_hex(16),
    }
    answer = await sheet(site, "lookback_new.html", "look-backs", context)
    if asked is not None and (asked.mistakes or asked.refusal):
        answer.status_code = 422
    return answer


@get(
    "/api/look-back-lists/{name:str}",
    summary="A list for infection prevention as it was issued: KL1.pdf or KL1.csv",
    guards=[only_known_parameters],
)
async def get_list(site: AskedSite, name: Word) -> Response[bytes]:
    """The same bytes each time: they are made of what the record keeps of the issue."""
    file = await look(site, lambda book: listed.issued(book, name))
    headers = {"Content-Disposition": f'attachment; filename="{file.name}"'}
    return Response(file.content, media_type=file.media_type, headers=headers)


def lookback_router() -> Router:
    """All of them."""
    return Router("/", route_handlers=[look_backs_page, look_back_page, new_page, get_list])
