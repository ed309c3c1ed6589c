"""The pages of alarms: what stands, one alarm's life, the alarm load."""

from __future__ import annotations

import secrets

from litestar import Response, Router, get
from litestar.params import FromPath, FromQuery
from litestar.response import Template

from collector.record.alarms.answers import SILENCE_MS
from collector.record.book import Book
from dashboard import alarms_load as load_view
from dashboard import alarms_query as ask
from dashboard.alarms_words import name_of
from dashboard.record_pages import look, sheet
from dashboard.record_query import Names
from dashboard.site import AskedSite, only_known_parameters
from soak.alarms import Priority
from soak.quantity import in_words

Text = FromQuery[str | None]
_MOST_SHIFTS = 100
_MOST_FREQUENT = 12
_MOST_STANDING = 30


@get("/alarms", include_in_schema=False)
async def alarms_page(site: AskedSite) -> Template:
    """What stands now, most urgent first, and what is over."""
    context = await look(site, lambda book: ask.lists(book, site.when))
    return await sheet(site, "alarms.html", "alarms", {**context, **_forms()})


@get("/alarms/{alarm_id:str}", include_in_schema=False)
async def alarm_page(site: AskedSite, alarm_id: FromPath[str]) -> Template:
    """One alarm with its life."""
    context = await look(site, lambda book: ask.one(book, alarm_id, site.when))
    return await sheet(site, "alarm.html", "alarms", {**context, **_forms()})


def _forms() -> dict[str, object]:
    return {"once": lambda: secrets.token_hex(16), "silence": in_words(SILENCE_MS)}


@get("/alarms/load", include_in_schema=False)
async def load_page(
    site: AskedSite, since: Text = None, until: Text = None, last: Text = None, operators: Text = None
) -> Template:
    """The alarm load beside published benchmarks."""
    span = load_view.span_of(since, until, last, site.when, site.utc_now_ms())
    number = load_view.operators_of(operators)

    def question(book: Book) -> dict[str, object]:
        found = load_view.sheet(book, span, number, site.when)
        newest = found.load.shifts[::-1]
        return {
            "found": found,
            "names": Names(book),
            "shifts": newest[:_MOST_SHIFTS],
            "left_out": max(0, len(newest) - _MOST_SHIFTS),
            "longest": max((each.counts.total for each in newest[:_MOST_SHIFTS]), default=0),
        }

    context = await look(site, question)
    context |= {
        "view": load_view,
        "span": span,
        "last": last or ("" if since or until else "168h"),
        "operators": number,
        "priorities": list(Priority),
        "name_of": name_of,
        "most_frequent": _MOST_FREQUENT,
        "most_standing": _MOST_STANDING,
    }
    return await sheet(site, "alarm_load.html", "alarms", context)


@get("/alarms/load.csv", include_in_schema=False, media_type="text/csv; charset=utf-8")
async def load_table(
    site: AskedSite, since: Text = None, until: Text = None, last: Text = None, operators: Text = None
) -> Response[bytes]:
    """The same as a table: UTF-8; what a spreadsheet would take for a formula is guarded by an apostrophe."""
    span = load_view.span_of(since, until, last, site.when, site.utc_now_ms())
    number = load_view.operators_of(operators)

    def question(book: Book) -> str:
        found = load_view.sheet(book, span, number, site.when)
        return load_view.csv_text(found.load, site.when, Names(book).basin)

    content = await look(site, question)
    name = f"alarm-load-{site.when.local_date(span[0]).isoformat()}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content.encode(), media_type="text/csv", headers=headers)


def alarm_router() -> Router:
    """All of them."""
    pages = [alarms_page, load_page, load_table, alarm_page]
    return Router("/", route_handlers=pages, guards=[only_known_parameters])
