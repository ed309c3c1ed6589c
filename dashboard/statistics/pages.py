"""The page of statistics, the same for programs, and its tables."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Annotated, TypeVar

import msgspec
from litestar import Response, Router, get
from litestar.params import FromPath, QueryParameter
from litestar.response import Template

from collector.counting.groups import Step
from collector.read import Basin, Reader
from collector.record.book import Book
from dashboard.query import QueryError
from dashboard.record_pages import sheet
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.statistics import sayings, spelled
from dashboard.statistics.asked import CLOSURES, LASTS, Asked, Wanted, asked
from dashboard.statistics.shapes import StatisticsBody
from dashboard.statistics.sheet import Statistics
from dashboard.statistics.tables import table
from dashboard.texts import N_, _
from dashboard.words import together

T = TypeVar("T")

_Text = str | None
Last = Annotated[_Text, QueryParameter(description="30d, 90d or 365d up to today; 30d if nothing is written.")]
Since = Annotated[_Text, QueryParameter(description="Instead: first day at the site, such as 2026-03-01.")]
Until = Annotated[
    _Text, QueryParameter(description="Last day at the site; it belongs to the range. Without it: today.")
]
OneBasin = Annotated[_Text, QueryParameter(description="Only this basin, as node/name.")]
Place = Annotated[_Text, QueryParameter(description="Only basins that stand at this place.")]
Counts = Annotated[
    _Text, QueryParameter(description="soaks: closures that held a load; closures: every one of a minute or more.")
]
By = Annotated[_Text, QueryParameter(description="day or week; without it by the length of the range.")]

_LAST_WORDS = {"30d": N_("last 30 days"), "90d": N_("last 90 days"), "365d": N_("last year")}
_MOST_COLUMNS = 8
"""So many basins have a column of their own in the table of days."""

_ROWS_OPEN = 12
"""Tables of so many rows stand open; longer ones are opened by whoever wants them."""

_MOST_FAILURES = 50
"""On the page; the table for download has all."""


async def _ask(site: Site, wanted: Wanted, question: Callable[[Statistics], T]) -> tuple[Asked, T]:
    """Ask in a thread, with one look at the store."""
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> tuple[Asked, T]:
        what = asked(wanted, reader.basins(), site.when, now_ms)
        return what, question(Statistics(Book.looking(reader.connection, now_ms), what, site.when))

    return await site.store.read(ask)


@get("/statistics", include_in_schema=False)
async def statistics_page(
    site: AskedSite,
    *,
    last: Last = None,
    since: Since = None,
    until: Until = None,
    basin: OneBasin = None,
    place: Place = None,
    counted: Counts = None,
    step: By = None,
) -> Template:
    """Statistics of a range. What cannot be asked is said above the form, which keeps what was written."""
    wanted = Wanted(last or "", since or "", until or "", basin or "", place or "", counted or "", step or "")
    body: StatisticsBody | None = None
    problem = ""
    what: Asked | None = None
    try:
        what, body = await _ask(site, wanted, lambda found: found.body(_MOST_FAILURES))
    except QueryError as error:
        problem = str(error)
    basins: list[Basin] = await site.store.read(lambda reader: reader.basins())
    context: dict[str, object] = {
        "wanted": wanted,
        "problem": problem,
        "found": body,
        "figures": _figures(body) if body else None,
        "label_of": {each.group: each.label for each in body.groups} if body else {},
        "basins": basins,
        "places": list(dict.fromkeys(each.place for each in basins if each.place)),
        "lasts": [(word, _(text)) for word, text in _LAST_WORDS.items()],
        "shown_last": wanted.last or ("" if wanted.since or wanted.until else next(iter(LASTS))),
        "first": wanted.since if problem else what.first.isoformat() if what else "",
        "until": wanted.until if problem else what.last.isoformat() if what else "",
        "everything": wanted.counted == CLOSURES,
        "noun": _("Closures") if wanted.counted == CLOSURES else _("Soaks"),
        "weeks": what is not None and what.step is Step.WEEK,
        "say": spelled,
        "of_basins": sayings.of_basins,
        "together": together,
        "became": {each.value: text for each, text in sayings.BECAME.items()},
        "most_columns": _MOST_COLUMNS,
        "rows_open": _ROWS_OPEN,
        "most_failures": _MOST_FAILURES,
    }
    answer = await sheet(site, "statistics.html", "statistics", context)
    if problem:
        answer.status_code = HTTPStatus.BAD_REQUEST
    return answer


def _figures(body: StatisticsBody) -> dict[str, object]:
    """What the plots are drawn from: the same numbers, without the list of those that failed."""
    found: dict[str, object] = msgspec.to_builtins(body)
    del found["failures"]
    return found


@get("/api/statistics", summary="Soaks, shares, margins, waits and control limits of a range of days")
async def get_statistics(
    site: AskedSite,
    *,
    last: Last = None,
    since: Since = None,
    until: Until = None,
    basin: OneBasin = None,
    place: Place = None,
    counted: Counts = None,
    step: By = None,
) -> StatisticsBody:
    """The last 30 days, unless asked otherwise. No person is named or counted."""
    wanted = Wanted(last or "", since or "", until or "", basin or "", place or "", counted or "", step or "")
    return (await _ask(site, wanted, lambda found: found.body()))[1]


@get(
    "/api/statistics/{name:str}",
    summary="One of the figures as a table (CSV): soaks.csv, share.csv, time.csv, allowance.csv, coldest.csv, …",
    media_type="text/csv; charset=utf-8",
)
async def get_table(
    site: AskedSite,
    name: FromPath[str],
    *,
    last: Last = None,
    since: Since = None,
    until: Until = None,
    basin: OneBasin = None,
    place: Place = None,
    counted: Counts = None,
    step: By = None,
) -> Response[bytes]:
    """Also release.csv, alarms.csv and failures.csv. The last 30 days, unless asked otherwise."""
    wanted = Wanted(last or "", since or "", until or "", basin or "", place or "", counted or "", step or "")
    what, text = await _ask(site, wanted, table(name))
    file = f"{name.removesuffix('.csv')}-{what.first}-{what.last}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{file}"'}
    return Response(text.encode(), media_type="text/csv", headers=headers)


def statistics_router() -> Router:
    """All of them."""
    routes = [statistics_page, get_statistics, get_table]
    return Router("/", route_handlers=routes, guards=[only_known_parameters])
