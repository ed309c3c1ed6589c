"""The audit's pages: one form, rows that lead to soaks, the same as a table for download."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, NamedTuple

import msgspec
from litestar import Request, Response, Router, get, post
from litestar.response import Redirect, Stream, Template

from collector.read import Basin, Reader
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Person
from collector.scan_label import is_badge
from dashboard.audit.recognise import Meaning, meanings
from dashboard.audit.rows import Row, rows_of, table
from dashboard.audit.search import MOST_COUNTED, PER_PAGE, Searched, count, rows, search
from dashboard.audit.wanted import FIELDS, Place, Wanted, mistakes, place_of, wanted_of
from dashboard.query import known_names
from dashboard.record_pages import sheet
from dashboard.record_query import Names
from dashboard.signin_pages import text_of
from dashboard.site import AskedSite, Site
from dashboard.texts import _
from soak.alarms import KINDS
from soak.closure import Verdict

AnyRequest = Request[Any, Any, Any]
MOST_BODY_BYTES = 64 * 1024
VERDICTS = (Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN)
_PIECE = 500
_DOWNLOAD = {"Content-Disposition": 'attachment; filename="audit.csv"'}


class Answer(NamedTuple):
    """What stands on the page.

    Attributes:
        people: To choose from: those who work here and those who left.
        basins: To choose from.
        wrong: Mistakes by field.
        rows: What was found.
        place: Where the next page begins; None: this is the last.
        total: How many there are in all, as far as they are counted.
        means: What the fields were taken for.
    """

    people: Sequence[Person]
    basins: Sequence[Basin]
    wrong: Mapping[str, str]
    rows: Sequence[Row] = ()
    place: Place | None = None
    total: int = 0
    means: Mapping[str, Sequence[str]] = {}


@get("/audit", include_in_schema=False)
async def audit_page(site: AskedSite, request: AnyRequest) -> Template:
    """Soaks that fit everything that is filled in, newest first; without anything, all."""
    known_names(request.query_params.keys(), (*FIELDS, "after"))
    return await _page(site, wanted_of(request.query_params), place_of(request.query_params.get("after")))


@post("/audit", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES, status_code=200)
async def audit_asked(site: AskedSite, request: AnyRequest) -> Template | Redirect:
    """What the form holds, as an address: a scanner types into any field, so it is looked at before it is in one."""
    form = await request.form()
    given = {name: text_of(form, name) for name in FIELDS}
    anything = text_of(form, "anything").strip()
    safe = {name: "" if is_badge(text.strip()) else text for name, text in given.items()}
    wanted = wanted_of(safe)
    try:
        if safe != given:
            anything = next(text.strip() for name, text in given.items() if text != safe[name])
        if not anything:
            return Redirect(f"/audit?{wanted.query()}" if wanted.said() else "/audit", status_code=303)
        now_ms = site.utc_now_ms()
        found = await site.store.read(lambda reader: meanings(Book.looking(reader.connection, now_ms), anything))
    except RefusedError as refusal:
        return await _page(site, wanted, None, refusal=refusal)
    if len(found) == 1:
        return Redirect(found[0].href, status_code=303)
    return await _page(site, wanted, None, asked=anything, found=found)


@get("/audit/table.csv", include_in_schema=False)
async def audit_table(site: AskedSite, request: AnyRequest) -> Stream | Response[str]:
    """All that was found, for a spreadsheet or a program."""
    known_names(request.query_params.keys(), FIELDS)
    wanted = wanted_of(request.query_params)
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> tuple[list[Basin], Mapping[str, str], Searched | None]:
        book, basins = Book.looking(reader.connection, now_ms), reader.basins()
        wrong = _wrong(book, basins, wanted)
        return basins, wrong, None if wrong else search(book, wanted, site.when)

    basins, wrong, searched = await site.store.read(ask)
    if searched is None:
        text = "\n".join(f"{name}: {words}" for name, words in wrong.items())
        return Response(text, status_code=400, media_type="text/plain; charset=utf-8")
    return Stream(_pieces(site, searched, basins), media_type="text/csv; charset=utf-8", headers=_DOWNLOAD)


async def _pieces(site: Site, searched: Searched, basins: Sequence[Basin]) -> AsyncIterator[bytes]:
    """The table, piece by piece: memory does not grow with what is found, and no look lasts long."""
    yield table(None).encode()
    place: Place | None = None
    more = True
    while more:

        def piece(reader: Reader, after: Place | None = place) -> tuple[str, Place | None, bool]:
            found, more = rows(reader, searched, after, _PIECE)
            book = Book.looking(reader.connection, site.utc_now_ms())
            end = Place(found[-1].closing_utc_ms, found[-1].id) if found else None
            return table(rows_of(book, found, basins, site.when)), end, more

        text, place, more = await site.store.read(piece)
        yield text.encode()
        await asyncio.sleep(0)


def _wrong(book: Book, basins: Sequence[Basin], wanted: Wanted) -> Mapping[str, str]:
    people = (each.id for each in book.all(Person))
    return mistakes(wanted, (f"{each.node}/{each.name}" for each in basins), people)


async def _page(
    site: Site,
    wanted: Wanted,
    after: Place | None,
    *,
    refusal: RefusedError | None = None,
    asked: str = "",
    found: Sequence[Meaning] | None = None,
) -> Template:
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> tuple[Answer, Names]:
        book, basins = Book.looking(reader.connection, now_ms), reader.basins()
        people, wrong = book.all(Person), _wrong(book, basins, wanted)
        if wrong:
            return Answer(people, basins, wrong), Names(book)
        searched = search(book, wanted, site.when)
        closures, more = rows(reader, searched, after)
        place = Place(closures[-1].closing_utc_ms, closures[-1].id) if more else None
        shown = rows_of(book, closures, basins, site.when)
        total = count(reader.connection, searched)
        return Answer(people, basins, wrong, shown, place, total, searched.means), Names(book)

    answer, names = await site.store.read(ask)
    context = {
        "wanted": wanted,
        "answer": answer,
        "names": names,
        "after": after,
        "refusal": refusal,
        "asked": asked,
        "found": found,
        "said": said(wanted, names, answer),
        "verdicts": VERDICTS,
        "alarm_kinds": sorted(KINDS.values(), key=lambda kind: kind.name),
        "most_counted": MOST_COUNTED,
        "per_page": PER_PAGE,
    }
    template = await sheet(site, "audit.html", "audit", context)
    template.status_code = 400 if answer.wrong or refusal else 200
    return template


def said(wanted: Wanted, names: Names, answer: Answer) -> list[tuple[str, str, str]]:
    """What was searched for, in words: what it is called, what was filled in, the address without it."""
    words = {
        "device": _("Device"),
        "encounter": _("Encounter"),
        "lot": _("Lot or bottle"),
        "person": _("Person"),
        "since": _("From"),
        "until": _("To"),
        "basin": _("Basin"),
        "verdict": _("Verdict"),
        "alarm": _("Alarm"),
    }
    found = []
    for field, text in wanted.said().items():
        shown = {"person": names.who, "basin": names.basin, "alarm": _alarm, "verdict": _}.get(field, str)(text)
        means = [each for each in answer.means.get(field, ()) if each.casefold() != text.casefold()]
        if field in ("device", "encounter", "lot") and means:
            some = ", ".join(means[:4]) + (", …" if len(means) > 4 else "")
            shown = f"{shown} ({some})"
        query = msgspec.structs.replace(wanted, **{field: ""}).query()
        found.append((words[field], shown, f"/audit?{query}" if query else "/audit"))
    return found


def _alarm(text: str) -> str:
    return KINDS[text].name if text in KINDS else _("any") if text == "any" else text


def audit_router() -> Router:
    """All of them."""
    return Router("/", route_handlers=[audit_page, audit_asked, audit_table])
