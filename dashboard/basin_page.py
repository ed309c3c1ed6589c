"""The page of one basin, for the tablet that stands beside it."""

from __future__ import annotations

from typing import NamedTuple
from urllib.parse import quote, urlencode

from litestar import Response, Router, get
from litestar.params import FromPath, FromQuery
from litestar.response import Redirect, Template
from msgspec.structs import replace

from collector.counting.soaks import PASSING_MS
from collector.read import Reader, StoredClosure
from collector.record.book import Book
from dashboard import query
from dashboard.api import basin_seen
from dashboard.assets import assets
from dashboard.basin_facts import BasinFacts, basin_facts
from dashboard.basin_next import next_step
from dashboard.basin_timers import about_timers
from dashboard.basin_words import LANE_DEPTH, facts_beside, marks, requirement_of
from dashboard.look import BasinSeen
from dashboard.shapes import ClosureBody, stored_body
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.when import HOUR_MS
from dashboard.words import requirement_words, together

Text = FromQuery[str | None]
Word = FromPath[str]
_SCRIPTS = ("timers.js", "timer_strip.js", "timer_rinse.js", "basin.js", "scan.js")
_STYLES = ("path.css", "basin.css")
_LATEST = 5
_LOOKED_THROUGH = 40
"""Among so many closures the latest soaks are sought; a lid put down in passing is none."""


class _Asked(NamedTuple):
    basin: BasinSeen
    facts: BasinFacts
    latest: list[ClosureBody]


@get("/basins/{node:str}/{name:str}", include_in_schema=False)
async def basin_page(
    site: AskedSite, node: Word, name: Word, since: Text = None, until: Text = None
) -> Template | Response[None]:
    """One basin now: the vessel, what to do next, and the timers. With since or until it is the trend that is meant."""
    if since or until:
        query.time_range(since, until, None, site.utc_now_ms(), HOUR_MS)
        asked = {"since": since, "until": until}
        return Redirect(f"/basins/{quote(node)}/{quote(name)}/trend?{urlencode({k: v for k, v in asked.items() if v})}")
    context = await _context(site, node, name)
    frame = site.live.frame(await site.live.look())
    context |= {"frame": frame, "lane": next(lane for lane in frame.lanes if lane.key == context["key"])}
    return Template(
        "basin.html", context={**context, "here": "today", "scripts": _there(_SCRIPTS), "styles": _there(_STYLES)}
    )


@get("/basins/{node:str}/{name:str}/now", include_in_schema=False)
async def basin_now(site: AskedSite, node: Word, name: Word) -> Template:
    """What of that page follows what is recorded: a part of a page."""
    return Template("basin_now.html", context=await _context(site, node, name))


def _there(names: tuple[str, ...]) -> list[str]:
    """Those of the scan line come with it."""
    return [each for each in names if each in assets()]


async def _context(site: Site, node: str, name: str) -> dict[str, object]:
    each, facts, latest = await _asked(site, node, name)
    key = f"{node}/{name}"
    requirement = requirement_of(each)
    said = next_step(each, facts, site.when)
    return {
        "basin": each.seen.basin,
        "key": key,
        "said": said,
        "sentence": together(said.sentence),
        "detail": together(said.detail),
        "facts": facts_beside(each, facts, site.when),
        "declared": facts,
        "fill": each.standing.fill,
        "requirement": requirement,
        "asks_for": requirement_words(requirement),
        "marks": marks(requirement),
        "full": LANE_DEPTH,
        "latest": latest,
        "now_ms": each.seen.now_ms,
        "about": about_timers(each, facts, site.utc_now_ms(), site.when),
    }


async def _asked(site: Site, node: str, name: str) -> _Asked:
    now_ms, each = site.utc_now_ms(), await basin_seen(site, node, name)
    each = replace(each, seen=replace(each.seen, now_ms=now_ms))  # a look may be kept while nothing changes

    def ask(reader: Reader) -> tuple[BasinFacts, list[StoredClosure]]:
        book = Book.looking(reader.connection, now_ms)
        facts = basin_facts(book, f"{node}/{name}", each.standing.fill, each.seen.latest)
        return facts, reader.closures(basin_id=each.seen.basin.id, limit=_LOOKED_THROUGH)

    facts, found = await site.store.read(ask)
    soaks = [stored for stored in found if stored.closure.closed_ms >= PASSING_MS][:_LATEST]
    return _Asked(each, facts, [stored_body(stored, each.seen.basin, site.when) for stored in soaks])


def basin_router() -> Router:
    """The page and the part of it that is asked again."""
    return Router("/", route_handlers=[basin_page, basin_now], guards=[only_known_parameters])
