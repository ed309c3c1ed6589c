"""The page of a day, and the part of it that a live page asks for anew: one basin's lane."""

from __future__ import annotations

import gzip
from datetime import date
from typing import Annotated, Any

from litestar import MediaType, Request, Response, Router, get
from litestar.params import FromQuery, HeaderParameter
from litestar.response import Template

from dashboard import query
from dashboard.api import basin_seen
from dashboard.lanes import lane
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.today.hours import Hours, hours_of
from dashboard.today.sheet import NEED, PLACE, hour_marks, in_order, neighbours, sheet_lane, summary
from dashboard.when import HOUR_MS

Text = FromQuery[str | None]
_MOST_HOURS = 25


@get("/", include_in_schema=False)
async def today_page(
    site: AskedSite,
    request: Request[Any, Any, Any],
    accept_encoding: Annotated[str, HeaderParameter(name="Accept-Encoding")] = "",
    day: Text = None,
    sort: Text = None,
) -> Response[bytes]:
    """Every basin as a lane on one time axis; of today, or of an earlier day."""
    order = query.choice("sort", sort, (PLACE, NEED)) if sort else PLACE
    look = await site.live.look()
    shown, today = _asked_day(site, day, look.now_ms)
    range_ms = site.when.day_range(shown)
    gathered = await site.today.day(range_ms, [each.seen.basin for each in look.basins], today=today)
    first_ms, last_ms = gathered.bounds()
    hours = hours_of(gathered.range_ms, first_ms, last_ms, look.now_ms if today else None)
    frame = site.live.frame(look)
    lanes = [
        sheet_lane(seen, said, gathered, hours, site.when, today=today)
        for seen, said in zip(look.basins, frame.lanes, strict=True)
    ]
    before, after = neighbours(shown, site.when.local_date(look.now_ms))
    context = {
        "frame": frame,
        "here": "today",
        "today": today,
        "day": site.when.day(gathered.range_ms[0] + 12 * HOUR_MS),
        "asked_day": "" if today else shown.isoformat(),
        "hours": hours,
        "marks": hour_marks(hours, site.when),
        "now_x": hours.percent(look.now_ms) if today else "",
        "lanes": in_order(lanes, order),
        "order": order,
        "summary": summary(frame.lanes),
        "before": before,
        "after": after,
    }
    engine = request.app.template_engine
    assert engine is not None  # noqa: S101 - the application has one
    html = engine.get_template("today.html").render(**context, request=request).encode()
    headers = {"Vary": "Accept-Encoding"}
    if "gzip" in accept_encoding:  # fifty lanes repeat themselves; nothing secret stands on the page
        html, headers = gzip.compress(html, 5, mtime=0), {**headers, "Content-Encoding": "gzip"}
    return Response(html, media_type=MediaType.HTML, headers=headers)


@get("/today/lane", include_in_schema=False)
async def lane_part(site: AskedSite, basin: Text = None, since: Text = None, until: Text = None) -> Template:
    """One basin's lane of today, for the hours that a page shows: a part of a page."""
    node, _, name = (basin or "").partition("/")
    seen = await basin_seen(site, node, name)
    now_ms = seen.seen.now_ms
    day_range = site.when.day_range(site.when.local_date(now_ms))
    since_ms, until_ms = query.time_range(since, until, None, now_ms, HOUR_MS)
    hours = Hours(since_ms, min(until_ms, since_ms + _MOST_HOURS * HOUR_MS))
    gathered = await site.today.day(
        day_range, [each.seen.basin for each in (await site.live.look()).basins], today=True
    )
    drawn = sheet_lane(seen, lane(seen, site.when), gathered, hours, site.when, today=True)
    return Template("today_lane.html", context={"each": drawn, "today": True})


def _asked_day(site: Site, day: str | None, now_ms: int) -> tuple[date, bool]:
    """Which day, and whether it is today; a day to come is answered with today's."""
    today = site.when.local_date(now_ms)
    if day is None:
        return today, True
    since_ms, _until_ms = query.local_day(day, site.when)
    asked = today if since_ms is None else site.when.local_date(since_ms)
    return min(asked, today), asked >= today


def today_router() -> Router:
    """The day's pages."""
    return Router("/", route_handlers=[today_page, lane_part], guards=[only_known_parameters])
