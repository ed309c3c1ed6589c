"""The pages: templates over the same looks that the API gives."""

from __future__ import annotations

from importlib.metadata import version
from typing import Annotated
from urllib.parse import urlencode

import msgspec
from litestar import MediaType, Response, Router, get
from litestar.exceptions import NotFoundException
from litestar.params import FromPath, FromQuery, HeaderParameter
from litestar.response import Template

from collector import ledger
from collector.ledger import Head
from collector.read import Basin, Reader
from collector.record.book import Book
from dashboard import query
from dashboard.alarms_words import name_of
from dashboard.api import closure_by_id
from dashboard.assets import served
from dashboard.closure_record import ClosureSaid, closure_said
from dashboard.record_words import record_title
from dashboard.sensors.words import origin_words, thousandths
from dashboard.shapes import ClosureBody, stored_body
from dashboard.site import AskedSite, only_known_parameters
from soak.closure import Verdict

PER_PAGE = 50
_TABLE_ROWS = 50
_VERDICTS = (Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN)
Text = FromQuery[str | None]
Word = FromPath[str]


class _Filters(msgspec.Struct, frozen=True):
    """The list's filters as they stand in the address."""

    basin: str
    verdict: str
    day: str

    def address(self, **changed: object) -> str:
        """The list's address with something changed."""
        wanted = {**msgspec.structs.asdict(self), **changed}
        text = urlencode({name: content for name, content in wanted.items() if content})
        return f"/closures?{text}" if text else "/closures"


@get("/closures", include_in_schema=False)
async def closures_page(
    site: AskedSite, basin: Text = None, verdict: Text = None, day: Text = None, page: Text = None
) -> Template:
    """The list of closures."""
    wanted = query.verdict(verdict)
    since_ms, until_ms = query.local_day(day, site.when)
    number = query.whole("page", page, 1, 1, 10**6)

    def ask(reader: Reader) -> tuple[list[Basin], dict[str, int], list[ClosureBody]]:
        basins = reader.basins()
        only = query.basin_filter(reader, basin)
        basin_id = only.id if only else None
        counts = reader.count_closures(basin_id=basin_id, since_ms=since_ms, until_ms=until_ms)
        found = reader.closures(
            basin_id=basin_id,
            since_ms=since_ms,
            until_ms=until_ms,
            verdict=wanted,
            limit=PER_PAGE,
            offset=(number - 1) * PER_PAGE,
        )
        by_id = {each.id: each for each in basins}
        return basins, counts, [stored_body(each, by_id[each.basin_id], site.when) for each in found]

    basins, counts, closures = await site.store.read(ask)
    total = counts.get(wanted, 0) if wanted else sum(counts.values())
    pages = max(1, -(-total // PER_PAGE))
    context = {
        "frame": site.live.frame(await site.live.look()),
        "here": "closures",
        "basins": basins,
        "closures": closures,
        "counts": [(word.value, counts.get(word, 0)) for word in _VERDICTS],
        "total": total,
        "page": number,
        "pages": pages,
        "filters": _Filters(basin or "", verdict or "", day or ""),
    }
    return Template("closures.html", context=context)


@get("/closures/{closure_id:str}", include_in_schema=False)
async def closure_page(site: AskedSite, closure_id: Word) -> Template:
    """One closure in full."""
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> tuple[ClosureBody, ClosureSaid, Head]:
        closure = closure_by_id(reader, closure_id, site.when)
        said = closure_said(Book.looking(reader.connection, now_ms), int(closure_id))
        return closure, said, ledger.head(reader.connection)

    closure, said, head = await site.store.read(ask)
    context = {
        "frame": site.live.frame(await site.live.look()),
        "here": "closures",
        "closure": closure,
        "said": said,
        "names": said.names,
        "head": head,
        "now_ms": now_ms,
        "alarm_name": name_of,
        "record_title": record_title,
        "origin_words": origin_words,
        "thousandths": thousandths,
    }
    return Template("closure.html", context=context)


@get("/about", include_in_schema=False)
async def about_page() -> Template:
    """What this is and what it is not; it needs no data."""
    return Template("about.html", context={"frame": None, "here": "about", "version": version("soakledger")})


@get("/static/{name:str}", include_in_schema=False)
async def static_file(
    name: Word, accept_encoding: Annotated[str, HeaderParameter(name="Accept-Encoding")] = ""
) -> Response[bytes]:
    """A script or style sheet; its name changes with its content, so it may be kept for ever."""
    asset = served().get(name)
    if asset is None:
        raise NotFoundException
    headers = {"Cache-Control": "public, max-age=31536000, immutable", "Vary": "Accept-Encoding"}
    if "gzip" in accept_encoding:
        return Response(asset.gzipped, media_type=asset.media_type, headers={**headers, "Content-Encoding": "gzip"})
    return Response(asset.plain, media_type=asset.media_type, headers=headers)


@get("/robots.txt", include_in_schema=False, media_type=MediaType.TEXT)
async def robots() -> str:
    """Nothing here is for search engines."""
    return "User-agent: *\nDisallow: /\n"


def page_router() -> Router:
    """All pages."""
    pages = [closures_page, closure_page, about_page]
    return Router(
        "/", route_handlers=[Router("/", route_handlers=pages, guards=[only_known_parameters]), static_file, robots]
    )
