"""The pages of papers: what was issued, each again with the same bytes, and the records of a range in one ZIP."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Mapping
from typing import Any

from litestar import Request, Response, Router, get, post
from litestar.params import FromPath, FromQuery
from litestar.response import Stream, Template

from collector import ledger
from collector.evidence.issue import Made, issued, make
from collector.evidence.many import Chosen, Parcel, Soak, Wanted, chosen, issue_one, issued_between
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Issued
from dashboard import query
from dashboard.desks import NotWrittenError
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
_FIELDS = ("since", "until", "basin", "device", "every", "reason")
_MEETS_ALL = frozenset({"role", "not-signed-in", "clock-behind"})
"""Refusals that would meet every soak of the range."""


@get("/evidence", include_in_schema=False, guards=[only_known_parameters])
async def evidence_page(site: AskedSite, request: AnyRequest, page: Text = None) -> Template:
    """What was issued, newest first, and the form for many at once."""
    return await _page(site, signed_in(request), page_number(page), {})


@get("/evidence/{issued_id:str}", include_in_schema=False, guards=[only_known_parameters])
async def issued_page(site: AskedSite, issued_id: Word) -> Template:
    """One paper that was issued: what it is about, who asked for it, and where to get it again."""

    def question(book: Book) -> dict[str, object]:
        thing, record, enclosed = _known(book, issued_id)
        row = book.connection.execute("SELECT id FROM closure WHERE number = ?", (thing.verdict_number,)).fetchone()
        others = [each for each in book.all(Issued, group=thing.subject) if each.id != thing.id]
        return {
            "names": Names(book),
            "paper": thing,
            "record": record,
            "words": enclosed.sheet,
            "csv": enclosed.csv,
            "closure_row": row[0] if row else None,
            "others": others,
            "site_id": ledger.site_id(book.connection),
        }

    return await sheet(site, "issued.html", "evidence", await look(site, question))


@get("/evidence/{issued_id:str}/paper.pdf", include_in_schema=False, guards=[only_known_parameters])
async def paper_file(site: AskedSite, issued_id: Word) -> Response[bytes]:
    """The paper, with the same bytes each time."""

    def question(book: Book) -> Made:
        _known(book, issued_id)
        return make(book.connection, issued_id)

    made = await look(site, question)
    headers = {"Content-Disposition": f'attachment; filename="{made.name}"'}
    return Response(made.content, media_type="application/pdf", headers=headers)


@get("/evidence/papers.zip", include_in_schema=False, guards=[only_known_parameters])
async def papers_zip(site: AskedSite, request: AnyRequest, since: Text = None, until: Text = None) -> Stream:
    """Papers that were issued in some days, once more; nothing is issued by that. One at a time for each person."""
    who = someone(request).person.id
    wanted = _range(site, since or "", until or "")
    found = await look(site, lambda book: issued_between(book.connection, wanted.since_ms, wanted.until_ms))
    if not found:
        raise query.MissingError(_("Nothing was issued in that time. The list is at /evidence."))
    site.alone.begin(who)
    return _stream(site.alone.until_over(who, _again(site, wanted, found)), site, wanted)


@post("/evidence/many.zip", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES, status_code=200)
async def many_zip(site: AskedSite, request: AnyRequest) -> Stream | Template:
    """Issue the record of every soak of a range, and send them as they are made."""
    form = await request.form()
    typed = {name: text_of(form, name) for name in _FIELDS}
    signed = signed_in(request)
    try:
        if signed is None:
            raise NotSignedInError
        refuse_old_form(signed, form)
        wanted = _wanted(site, typed)
        now_ms = site.utc_now_ms()
        found = await site.desks.look(lambda connection: chosen(connection, wanted, now_ms))
        _refuse_nothing(found)
        site.alone.begin(signed.person.id)
        pieces = _issued(site, signed, wanted, found, typed["reason"])
        return _stream(site.alone.until_over(signed.person.id, pieces), site, wanted)
    except query.QueryError as error:
        refusal = RefusedError("malformed", str(error), "")
    except RefusedError as error:
        refusal = error
    answer = await _page(site, signed, 1, typed, refusal)
    answer.status_code = refusal_status(refusal).value
    return answer


def evidence_router() -> Router:
    """All of these pages."""
    return Router("/", route_handlers=[evidence_page, issued_page, paper_file, papers_zip, many_zip])


async def _issued(site: Site, signed: Signed, wanted: Wanted, found: Chosen, reason: str) -> AsyncIterator[bytes]:
    """The ZIP as it grows; a soak that cannot be issued is in its manifest."""
    parcel = Parcel(wanted, found.without_load)
    stopped: RefusedError | None = None
    for soak in found.soaks:
        if stopped is not None:
            parcel.miss(soak, stopped)
            continue

        def work(desk: Desk, soak: Soak = soak) -> Made:
            return issue_one(desk, signed.person.id, soak, reason, second_factor=signed.second_factor)

        try:
            yield parcel.add(await site.desks.write(work))
        except RefusedError as refusal:
            parcel.miss(soak, refusal)
            stopped = refusal if refusal.rule in _MEETS_ALL else None
        except NotWrittenError as problem:
            parcel.miss(soak, RefusedError("not-written", str(problem), _("Issue it again.")))
    yield parcel.close(site.utc_now_ms())


async def _again(site: Site, wanted: Wanted, found: Iterable[Issued]) -> AsyncIterator[bytes]:
    parcel = Parcel(wanted, 0)
    for each in found:
        try:
            yield parcel.add(await site.desks.look(lambda connection, each=each: make(connection, each.id)))  # type: ignore[misc]
        except RefusedError as refusal:
            parcel.miss(Soak(each.subject, each.basin, each.about_ms, each.verdict), refusal)
    yield parcel.close(site.utc_now_ms())


def _stream(pieces: AsyncIterator[bytes], site: Site, wanted: Wanted) -> Stream:
    days = f"{site.when.local_date(wanted.since_ms)}_{site.when.local_date(wanted.until_ms - 1)}"
    headers = {"Content-Disposition": f'attachment; filename="disinfection-records_{days}.zip"'}
    return Stream(pieces, media_type="application/zip", headers=headers)


def _wanted(site: Site, typed: Mapping[str, str]) -> Wanted:
    found = _range(site, typed["since"], typed["until"])
    return Wanted(found.since_ms, found.until_ms, typed["basin"], typed["device"], every=bool(typed["every"]))


def _range(site: Site, since: str, until: str) -> Wanted:
    """Two days of the site, both within.

    Raises:
        QueryError: One is no day, or they are the wrong way round.
    """
    begin_ms, _end_ms = query.local_day(since, site.when)
    _begin_ms, end_ms = query.local_day(until, site.when)
    if begin_ms is None or end_ms is None:
        raise query.QueryError(_("Say from which day to which day."))
    if begin_ms >= end_ms:
        raise query.QueryError(_("The last day is before the first. Exchange them."))
    return Wanted(begin_ms, end_ms)


def _refuse_nothing(found: Chosen) -> None:
    """An empty ZIP would look like an answer."""
    if not found.soaks:
        text = _("Nothing was soaked then.")
        if found.without_load:
            words = _("No load lay in a basin then; {count} closures without one are left out.")
            text = words.format(count=found.without_load)
        raise RefusedError("nothing-in-it", text, _("Choose other days, or ask for every closure."))


def _known(book: Book, issued_id: str) -> Any:
    """A paper that was issued.

    Raises:
        MissingError: There is none of that id.
        RefusedError: It cannot be made as it was.
    """
    if book.find(Issued, issued_id) is None:
        text = _("Nothing was issued under {id}. The list is at /evidence.")
        raise query.MissingError(text.format(id=repr(issued_id[:60])))
    return issued(book.connection, issued_id)


async def _page(
    site: Site, signed: Signed | None, number: int, typed: Mapping[str, str], refusal: RefusedError | None = None
) -> Template:
    def question(book: Book) -> dict[str, object]:
        return {"names": Names(book), "part": part(book, Issued, number, newest_first=True)}

    today = site.when.local_date(site.utc_now_ms()).isoformat()
    values = {"since": today, "until": today, **dict.fromkeys(_FIELDS[2:], ""), **typed}
    context = await look(site, question)
    context |= {"typed": values, "refusal": refusal, "signed": signed}
    return await sheet(site, "evidence.html", "evidence", context)
