"""The trend of one basin as a page of its own, and the tables beside it."""

from __future__ import annotations

from litestar import Router, get
from litestar.params import FromPath, FromQuery
from litestar.response import Template

from collector.read import Basin, Reader
from dashboard import query
from dashboard.course import READINGS_UP_TO_MS, drawn
from dashboard.history import running_body
from dashboard.shapes import ClosureBody, stored_body
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.trend_table import DAYS_UP_TO_MS, HOURS_UP_TO_MS, Row, rows
from dashboard.when import HOUR_MS
from soak.ranges import Range

_TABLE_ROWS = 50
Text = FromQuery[str | None]
Word = FromPath[str]


@get("/basins/{node:str}/{name:str}/trend", include_in_schema=False)
async def trend_page(
    site: AskedSite, node: Word, name: Word, *, since: Text = None, until: Text = None, last: Text = None
) -> Template:
    """The last hour, unless the address names another range."""
    span = query.time_range(since, until, last, site.utc_now_ms(), HOUR_MS)
    context = await _tables(site, node, name, span)
    context |= {
        "frame": site.live.frame(await site.live.look()),
        "here": "today",
        "span": span if since or until else None,
        "last": last or "1h",
    }
    return Template("trend.html", context=context)


@get("/basins/{node:str}/{name:str}/trend/tables", include_in_schema=False)
async def trend_tables(site: AskedSite, node: Word, name: Word, since: Text = None, until: Text = None) -> Template:
    """The tables beside the trend, for one range: a part of a page."""
    span = query.time_range(since, until, None, site.utc_now_ms(), HOUR_MS)
    return Template("range.html", context=await _tables(site, node, name, span))


async def _tables(site: Site, node: str, name: str, span: Range) -> dict[str, object]:
    since_ms, until_ms = span
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> tuple[Basin, list[ClosureBody], int, ClosureBody | None, list[Row]]:
        basin = query.basin_named(reader, node, name)
        stored = reader.closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms, limit=_TABLE_ROWS)
        found = [stored_body(each, basin, site.when) for each in stored]
        counts = reader.count_closures(basin_id=basin.id, since_ms=since_ms, until_ms=until_ms)
        running = running_body(basin, reader.now().get(basin.id), site.when)
        if running and not (running.closed_at_ms < until_ms and running.last_at_ms >= since_ms):
            running = None
        to_ms = min(until_ms, max(now_ms, since_ms + 1))
        tabled = rows(drawn(reader, basin, since_ms, until_ms), since_ms, to_ms, site.when)
        return basin, found, sum(counts.values()) - len(found), running, tabled

    basin, closures, left_out, running, tabled = await site.store.read(ask)
    length_ms = until_ms - since_ms
    unit = "quarter" if length_ms <= READINGS_UP_TO_MS else "hour" if length_ms <= HOURS_UP_TO_MS else "day"
    return {
        "basin": basin,
        "shown": span,
        "closures": closures,
        "left_out": left_out,
        "running": running,
        "rows": tabled,
        "unit": unit if length_ms <= DAYS_UP_TO_MS else "month",
        "several": len({row.sensor for row in tabled}) > 1,
    }


def trend_router() -> Router:
    """The page and its part."""
    return Router("/", route_handlers=[trend_page, trend_tables], guards=[only_known_parameters])
