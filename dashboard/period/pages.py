"""The pages of the period report: what it would say, issuing it, what was issued, each again with the same bytes."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, NamedTuple
from urllib.parse import urlencode

from litestar import Request, Response, Router, get, post
from litestar.params import FromPath, FromQuery
from litestar.response import Redirect, Template

from collector import ledger
from collector.period.asked import asked, basins_of
from collector.period.issue import file_name, issued, make, zip_issued, zip_now
from collector.period.sheet import Sheet, report_of
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.papers.period import IssuePeriodReport
from collector.record.things import PeriodReport
from dashboard import query
from dashboard.door import NotSignedInError, Signed, signed_in, someone
from dashboard.problems import refusal_status
from dashboard.record_pages import look, page_number, sheet
from dashboard.record_query import Names, part
from dashboard.signin import MOST_BODY_BYTES
from dashboard.signin_pages import refuse_old_form, text_of
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
Text = FromQuery[str | None]
Word = FromPath[str]
_FIELDS = ("since", "until", "basin", "place")


class Typed(NamedTuple):
    """What was typed; empty where nothing was."""

    since: str = ""
    until: str = ""
    basin: str = ""
    place: str = ""

    def arguments(self) -> tuple[str, str, str, str]:
        """As `asked` takes them; too long a text cannot be right, and is cut for the refusal that names it."""
        return self.since[:40], self.until[:40], self.basin[:81], self.place[:200]

    def query(self) -> str:
        """As part of an address."""
        return urlencode({name: text for name, text in self._asdict().items() if text})


@get("/report", include_in_schema=False, guards=[only_known_parameters])
async def report_page(
    site: AskedSite,
    request: AnyRequest,
    *,
    since: Text = None,
    until: Text = None,
    basin: Text = None,
    place: Text = None,
    page: Text = None,
) -> Template:
    """The form, what the report would say of the days asked for, and what was issued, newest first."""
    typed = Typed(since or "", until or "", basin or "", place or "")
    return await _page(site, signed_in(request), typed, page_number(page), shown=bool(since or until))


@get("/report/tables.zip", include_in_schema=False, guards=[only_known_parameters])
async def tables_now(  # noqa: PLR0917 - the fields of its form
    site: AskedSite, request: AnyRequest, since: Text = None, until: Text = None, basin: Text = None, place: Text = None
) -> Response[bytes]:
    """The tables as they are now; nothing is issued by that. One at a time for each person."""
    typed, who = Typed(since or "", until or "", basin or "", place or ""), someone(request).person.id
    site.alone.begin(who)
    try:
        content = await look(site, lambda book: zip_now(book, *typed.arguments()))
    finally:
        site.alone.end(who)
    return _file(content, f"tables_{typed.since}_{typed.until}.zip", "application/zip")


@post("/report/issue", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES)
async def issue_report(site: AskedSite, request: AnyRequest) -> Redirect | Template:
    """Issue it: from then on it has a page of its own."""
    form = await request.form()
    typed = Typed(*(text_of(form, name) for name in _FIELDS))
    signed = signed_in(request)
    try:
        if signed is None:
            raise NotSignedInError
        refuse_old_form(signed, form)
        first, last, basin, place = typed.arguments()
        asked_for = {"first": first, "last": last, "basin": basin, "place": place, "reason": text_of(form, "reason")}
        done = await site.desks.write(lambda desk: _issue(desk, signed, asked_for))
        return Redirect(f"/report/{done}", status_code=303)
    except RefusedError as refusal:
        answer = await _page(site, signed, typed, 1, shown=False, refusal=refusal)
        answer.status_code = refusal_status(refusal).value
        return answer


@get("/report/{issued_id:str}", include_in_schema=False, guards=[only_known_parameters])
async def issued_report_page(site: AskedSite, issued_id: Word) -> Template:
    """One report that was issued, and where to get it again."""

    def question(book: Book) -> dict[str, object]:
        thing, record, enclosed = _known(book, issued_id)
        return {
            "names": Names(book),
            "report": thing,
            "record": record,
            "words": enclosed.sheet,
            "tables": enclosed.tables,
            "site_id": ledger.site_id(book.connection),
        }

    return await sheet(site, "report_issued.html", "report", await look(site, question))


@get("/report/{issued_id:str}/paper.pdf", include_in_schema=False, guards=[only_known_parameters])
async def report_file(site: AskedSite, issued_id: Word) -> Response[bytes]:
    """The report, with the same bytes each time."""

    def question(book: Book) -> tuple[str, bytes]:
        _known(book, issued_id)
        made = make(book.connection, issued_id)
        return made.name, made.content

    name, content = await look(site, question)
    return _file(content, f"{name}.pdf", "application/pdf")


@get("/report/{issued_id:str}/tables.zip", include_in_schema=False, guards=[only_known_parameters])
async def report_tables(site: AskedSite, issued_id: Word) -> Response[bytes]:
    """Its tables, with the same bytes each time."""

    def question(book: Book) -> tuple[str, bytes]:
        thing, _record, _enclosed = _known(book, issued_id)
        return file_name(thing), zip_issued(book.connection, issued_id)

    name, content = await look(site, question)
    return _file(content, f"{name}.zip", "application/zip")


def period_router() -> Router:
    """All of these pages."""
    return Router(
        "/",
        route_handlers=[report_page, tables_now, issue_report, issued_report_page, report_file, report_tables],
    )


def _issue(desk: Desk, signed: Signed, said: Mapping[str, str]) -> str:
    # The desk refuses what is no day; the type's own pattern is for programs.
    return desk.do(IssuePeriodReport(**said), signed.person.id, second_factor=signed.second_factor).id


def _known(book: Book, issued_id: str) -> Any:
    """A report that was issued.

    Raises:
        MissingError: There is none of that id.
        RefusedError: It cannot be made as it was.
    """
    if book.find(PeriodReport, issued_id) is None:
        text = _("No report was issued under {id}. The list is at /report.")
        raise query.MissingError(text.format(id=repr(issued_id[:60])))
    return issued(book.connection, issued_id)


def _file(content: bytes, name: str, media_type: str) -> Response[bytes]:
    safe = "".join(char for char in name if char.isascii() and (char.isalnum() or char in "-_."))
    headers = {"Content-Disposition": f'attachment; filename="{safe}"'}
    return Response(content, media_type=media_type, headers=headers)


async def _page(
    site: Site, signed: Signed | None, typed: Typed, number: int, *, shown: bool, refusal: RefusedError | None = None
) -> Template:
    """What cannot be asked is said above the form, which keeps what was written."""

    def question(book: Book) -> tuple[dict[str, object], Sheet | None, RefusedError | None]:
        basins = basins_of(book)
        context: dict[str, object] = {
            "names": Names(book),
            "basins": basins,
            "places": list(dict.fromkeys(each.place for each in basins if each.place)),
            "part": part(book, PeriodReport, number, newest_first=True),
        }
        try:
            found = report_of(book, asked(book, *typed.arguments())).sheet if shown else None
        except RefusedError as error:
            return context, None, error
        return context, found, None

    context, found, problem = await look(site, question)
    first, last = _last_month(site.when.local_date(site.utc_now_ms()))
    filled = typed if shown or refusal else typed._replace(since=first, until=last)
    context |= {
        "typed": filled,
        "found": found,
        "query": typed.query(),
        "refusal": refusal or problem,
        "signed": signed,
    }
    answer = await sheet(site, "report.html", "report", context)
    if problem:
        answer.status_code = HTTPStatus.BAD_REQUEST
    return answer


def _last_month(today: datetime.date) -> tuple[str, str]:
    """The last month that is over: what a committee asks for most."""
    last = today.replace(day=1) - datetime.timedelta(days=1)
    return last.replace(day=1).isoformat(), last.isoformat()
