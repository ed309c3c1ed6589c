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

from collector.read import Basin, NodeNow, Parked, Reader, StoredClosure
from collector.record.book import Book
from dashboard import query
from dashboard.api import basin_seen, closure_by_id
from dashboard.assets import served
from dashboard.closure_record import ClosureSaid, closure_said
from dashboard.history import running_body
from dashboard.lanes import lane
from dashboard.look import BasinSeen
from dashboard.shapes import ClosureBody, stored_body
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.when import HOUR_MS
from dashboard.words import requirement_words
from soak.closure import Verdict

PER_PAGE = 50
_TABLE_ROWS = 50
_VERDICTS = (Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN)
Text = FromQuery[str | None]
Word = FromPath[str]


@get("/basins/{node:str}/{name:str}", include_in_schema=False)
async def basin_page(site: AskedSite, node: Word, name: Word, since: Text = None, until: Text = None) -> Template:
    """One basin: now, its trend, its closures. With since and until the trend opens on that range."""
    span = query.time_range(since, until, None, site.utc_now_ms(), HOUR_MS)
    each = await basin_seen(site, node, name)
    context = await _range_context(site, each, span)
    context |= {
        "frame": site.live.frame(await site.live.look()),
        "here": "today",
        "lane": lane(each, site.when),
        "fill": each.standing.fill,
        "requirement": requirement_words(each.seen.basin.requirement),
        "span": span if since or until else None,
    }
    return Template("basin.html", context=context)


@get("/basins/{node:str}/{name:str}/closures", include_in_schema=False)
async def basin_range(site: AskedSite, node: Word, name: Word, since: Text = None, until: Text = None) -> Template:
    """The table beside the trend, for one range: a part of a page."""
    span = query.time_range(since, until, None, site.utc_now_ms(), HOUR_MS)
    return Template("range.html", context=await _range_context(site, await basin_seen(site, node, name), span))


async def _range_context(site: Site, each: BasinSeen, span: tuple[int, int]) -> dict[str, object]:
    basin = each.seen.basin
    since_ms, until_ms = span

    def ask(reader: Reader) -> tuple[list[StoredClosure], int]:
        counts = reader.count_closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms)
        found = reader.closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms, limit=_TABLE_ROWS)
        return found, sum(counts.values())

    found, total = await site.store.read(ask)
    running = running_body(basin, each.seen.now, site.when)
    return {
        "basin": basin,
        "shown": span,
        "closures": [stored_body(stored, basin, site.when) for stored in found],
        "left_out": total - len(found),
        "running": running if running and running.closed_at_ms < until_ms and running.last_at_ms >= since_ms else None,
    }


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

    def ask(reader: Reader) -> tuple[ClosureBody, ClosureSaid]:
        closure = closure_by_id(reader, closure_id, site.when)
        return closure, closure_said(Book.looking(reader.connection, now_ms), int(closure_id))

    closure, said = await site.store.read(ask)
    frame = site.live.frame(await site.live.look())
    return Template("closure.html", context={"frame": frame, "here": "closures", "closure": closure, "said": said})


@get("/site", include_in_schema=False)
async def site_page(site: AskedSite) -> Template:
    """Nodes and parked messages."""

    def ask(reader: Reader) -> tuple[list[NodeNow], list[Parked], dict[str, int]]:
        return reader.nodes(), reader.parked(50), reader.parked_counts()

    nodes, parked, counts = await site.store.read(ask)
    frame = site.live.frame(await site.live.look())
    context = {"frame": frame, "here": "site", "nodes": nodes, "parked": parked, "counts": counts}
    return Template("site.html", context=context)


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
    pages = [basin_page, basin_range, closures_page, closure_page, site_page, about_page]
    return Router(
        "/", route_handlers=[Router("/", route_handlers=pages, guards=[only_known_parameters]), static_file, robots]
    )
