"""The page of closures that no load explains. It only shows; what is said of them is said on forms."""

from __future__ import annotations

from urllib.parse import urlencode

from litestar import Router, get
from litestar.params import FromQuery
from litestar.response import Template

from collector.record.book import Book
from dashboard import query
from dashboard.record_pages import look, page_number, sheet
from dashboard.site import AskedSite, only_known_parameters
from dashboard.unassigned_query import LOOK_BACK_DAYS, begin_ms, unassigned_closures

Text = FromQuery[str | None]


@get("/unassigned", include_in_schema=False)
async def unassigned_page(site: AskedSite, basin: Text = None, since: Text = None, page: Text = None) -> Template:
    """Closures longer than in passing that no load explains, oldest first; below, those that somebody has explained."""
    number = page_number(page)
    first_ms, _end = query.local_day(since, site.when)
    await site.store.read(lambda reader: query.basin_filter(reader, basin))

    def question(book: Book) -> dict[str, object]:
        since_ms = begin_ms(book) if first_ms is None else first_ms
        return {**unassigned_closures(book, basin or "", since_ms, number), "since_ms": since_ms}

    context = await look(site, question)
    asked = {name: text for name, text in (("basin", basin), ("since", since)) if text}
    context |= {
        "basin": basin or "",
        "since": since or "",
        "look_back_days": LOOK_BACK_DAYS,
        "address": f"/unassigned?{urlencode(asked)}&",
        "answer_all": urlencode({"closures": context["all_empty"]}),
    }
    return await sheet(site, "unassigned.html", "unassigned", context)


def unassigned_router() -> Router:
    """All of it."""
    return Router("/", route_handlers=[unassigned_page], guards=[only_known_parameters])
