"""The HTTP API: what the pages know, for programs. Only GET; the OpenAPI description is at /schema/openapi.json."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from contextlib import aclosing
from importlib.metadata import version
from typing import Annotated, Any

from litestar import Request, Router, get
from litestar.params import FromPath, PathParameter, QueryParameter
from litestar.response import ServerSentEvent, ServerSentEventMessage, Stream

from collector.errors import DataError
from collector.read import Basin, Reader
from dashboard import query
from dashboard.door import Signed, signed_in
from dashboard.history import running_body, trend
from dashboard.look import BasinSeen, Look
from dashboard.say import STALE_MS
from dashboard.shapes import (
    BacklogBody,
    BasinBody,
    BasinsBody,
    ClosureBody,
    ClosuresBody,
    ConditionBody,
    SensorBody,
    SiteBody,
    TrendBody,
    node_body,
    requirement_body,
    stored_body,
)
from dashboard.signin import session_of
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.store import NotReadyError
from dashboard.table import MOST_RANGE_MS, csv_pieces, sensors_in
from dashboard.when import DAY_MS, HOUR_MS, SiteTime
from soak.requirement import needs_mc

Text = str | None
Node = Annotated[str, PathParameter(description="The node's name.")]
Name = Annotated[str, PathParameter(description="The basin's name on its node.")]
Since = Annotated[Text, QueryParameter(description="Begin: RFC 3339 with offset, or milliseconds since 1970.")]
Until = Annotated[Text, QueryParameter(description="End, exclusive, in the same forms. Without it: now.")]
Last = Annotated[Text, QueryParameter(description="Instead of both: the last 15m, 8h, … up to now.")]


@get("/api/site", summary="The site, its nodes, and what could not be taken in")
async def get_site(site: AskedSite) -> SiteBody:
    """The site at one look."""
    look, said = await site.live.look(), site.collecting.now()
    return SiteBody(
        site=look.site,
        version=version("soakledger"),
        now=site.when.rfc3339(look.now_ms),
        now_ms=look.now_ms,
        rehearsal_speed=site.rehearsal.speed if site.rehearsal else None,
        basins=len(look.basins),
        backlog=BacklogBody(look.backlog.arrived, look.backlog.expected),
        nodes=[node_body(node, site.when) for node in look.nodes],
        parked=look.parked,
        not_stored=said.banner,
        conditions=[
            ConditionBody(each.code, each.subject, each.text, site.when.rfc3339(each.since_ms), each.since_ms)
            for each in said.conditions
        ],
    )


@get("/api/basins", summary="Every basin now")
async def get_basins(site: AskedSite) -> BasinsBody:
    """All basins, in the order of the settings."""
    look = await site.live.look()
    basins = [_basin_body(each, site.when) for each in look.basins]
    return BasinsBody(site.when.rfc3339(look.now_ms), look.now_ms, basins)


@get("/api/basins/{node:str}/{name:str}", summary="One basin now")
async def get_basin(site: AskedSite, node: Node, name: Name) -> BasinBody:
    """One basin."""
    return _basin_body(await basin_seen(site, node, name), site.when)


@get("/api/basins/{node:str}/{name:str}/trend", summary="A basin's temperatures, lid and closures over a time range")
async def get_trend(
    site: AskedSite,
    node: Node,
    name: Name,
    *,
    since: Since = None,
    until: Until = None,
    last: Last = None,
    points: Annotated[Text, QueryParameter(description="At most so many points for each sensor, 8 to 20000.")] = None,
) -> TrendBody:
    """The last hour, unless asked otherwise. No lowest and no highest value is left out, whatever the range."""
    since_ms, until_ms = query.time_range(since, until, last, site.utc_now_ms(), HOUR_MS)
    most = query.points(points)

    def ask(reader: Reader) -> TrendBody:
        return trend(reader, query.basin_named(reader, node, name), since_ms, until_ms, most=most, when=site.when)

    return await site.store.read(ask)


@get(
    "/api/basins/{node:str}/{name:str}/readings.csv",
    summary="A basin's readings as a table that `soakledger assess` reads",
    media_type="text/csv; charset=utf-8",
)
async def get_readings(
    site: AskedSite, node: Node, name: Name, *, since: Since = None, until: Until = None, last: Last = None
) -> Stream:
    """The last day, unless asked otherwise: every reading as indicated, empty where a sensor gave none."""
    since_ms, until_ms = query.time_range(since, until, last, site.utc_now_ms(), DAY_MS)
    if until_ms - since_ms > MOST_RANGE_MS:
        raise query.QueryError(f"At most {MOST_RANGE_MS // DAY_MS} days at once. Ask year by year.")

    def ask(reader: Reader) -> tuple[Basin, list[str]]:
        basin = query.basin_named(reader, node, name)
        return basin, sensors_in(reader, basin, since_ms, until_ms)

    basin, sensors = await site.store.read(ask)
    day = site.when.local_date(since_ms).isoformat()
    return Stream(
        csv_pieces(site.store, basin, sensors, since_ms, until_ms),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{basin.node}-{basin.name}-{day}.csv"'},
    )


@get("/api/closures", summary="Closures with verdict and findings, newest first")
async def get_closures(
    site: AskedSite,
    *,
    basin: Annotated[Text, QueryParameter(description="Of this basin only: node/name.")] = None,
    verdict: Annotated[Text, QueryParameter(description="With this verdict only: met, not met or unproven.")] = None,
    day: Annotated[Text, QueryParameter(description="That touch this day at the site: 2026-03-03.")] = None,
    since: Annotated[Text, QueryParameter(description="That end at or after this time.")] = None,
    until: Annotated[Text, QueryParameter(description="That begin before this time.")] = None,
    superseded: Annotated[
        Text, QueryParameter(description="yes: also those that a later assessment superseded.")
    ] = None,
    limit: Annotated[Text, QueryParameter(description="At most so many, 1 to 1000; 200 if not given.")] = None,
    offset: Annotated[Text, QueryParameter(description="Leave out so many first.")] = None,
) -> ClosuresBody:
    """Ended closures."""
    wanted = query.verdict(verdict)
    since_ms, until_ms = query.local_day(day, site.when)
    if since:
        since_ms = query.moment_ms("since", since, 0)
    if until:
        until_ms = query.moment_ms("until", until, 0)
    also_superseded = query.choice("superseded", superseded, ("no", "yes")) == "yes"
    most, skip = query.whole("limit", limit, 200, 1, query.MOST_ROWS), query.whole("offset", offset, 0, 0, 10**9)

    def ask(reader: Reader) -> ClosuresBody:
        only = query.basin_filter(reader, basin)
        basins = {each.id: each for each in reader.basins()}
        where = {"basin_id": only.id if only else None, "since_ms": since_ms, "until_ms": until_ms}
        counts = reader.count_closures(**where)
        found = reader.closures(**where, verdict=wanted, superseded=also_superseded, limit=most, offset=skip)
        return ClosuresBody(
            total=counts.get(wanted, 0) if wanted else sum(counts.values()),
            by_verdict=counts,
            limit=most,
            offset=skip,
            closures=[stored_body(each, basins[each.basin_id], site.when) for each in found],
        )

    return await site.store.read(ask)


@get("/api/closures/{closure_id:str}", summary="One closure in full")
async def get_closure(site: AskedSite, closure_id: FromPath[str]) -> ClosureBody:
    """One closure by its row."""
    return await site.store.read(lambda reader: closure_by_id(reader, closure_id, site.when))


@get("/live", include_in_schema=False)
async def get_live(site: AskedSite, request: Request[Any, Any, Any]) -> ServerSentEvent:
    """The live stream of the pages; where looking takes somebody who is signed in, it ends with their session."""
    stream, signed = site.live.stream(), signed_in(request)
    return ServerSentEvent(_while_signed_in(site, stream, signed) if site.closed and signed else stream)


async def _while_signed_in(
    site: Site, stream: AsyncGenerator[ServerSentEventMessage, None], signed: Signed
) -> AsyncGenerator[ServerSentEventMessage, None]:
    async with aclosing(stream):
        async for message in stream:
            try:
                session = await session_of(site, signed.token)
            except (NotReadyError, DataError):
                return  # the page comes again, and is told why there is nothing
            if session is None:
                return
            yield message


def api_router() -> Router:
    """All of the API."""
    handlers = [
        get_site,
        get_basins,
        get_basin,
        get_trend,
        get_readings,
        get_closures,
        get_closure,
        get_live,
    ]
    return Router("/", route_handlers=handlers, guards=[only_known_parameters], tags=["soakledger"])


async def basin_seen(site: Site, node: str, name: str) -> BasinSeen:
    """One basin as it is now.

    Raises:
        MissingError: There is none of that name.
    """
    look: Look = await site.live.look()
    for each in look.basins:
        if (each.seen.basin.node, each.seen.basin.name) == (node, name):
            return each
    await site.store.read(lambda reader: query.basin_named(reader, node, name))
    raise query.MissingError(f"Basin {node}/{name} has only just appeared. Ask again.")


def closure_by_id(reader: Reader, text: str, when: SiteTime) -> ClosureBody:
    """One closure.

    Raises:
        MissingError: There is none with this number.
    """
    closure_id = query.row(text)
    stored = None if closure_id is None else reader.closure(closure_id)
    if stored is None:
        raise query.MissingError(f"There is no closure {text[:40]!r}. The list is at /closures.")
    basin = next(basin for basin in reader.basins() if basin.id == stored.basin_id)
    return stored_body(stored, basin, when)


def _basin_body(each: BasinSeen, when: SiteTime) -> BasinBody:
    seen, said = each.seen, each.said
    basin, now = seen.basin, seen.now
    current = now if now is not None and seen.silent_ms <= STALE_MS * seen.speed else None
    return BasinBody(
        node=basin.node,
        basin=basin.name,
        label=basin.label,
        place=basin.place,
        requirement=requirement_body(basin.requirement),
        kind=said.kind,
        headline=said.headline,
        detail=said.detail,
        lid=current.lid if current else None,
        heard_at=when.rfc3339(now.at_utc_ms) if now else None,
        heard_at_ms=now.at_utc_ms if now else None,
        silent_ms=seen.silent_ms if now else None,
        clock_synced=now.synced if now else None,
        unbroken_ms=seen.unbroken_ms,
        ready_at=None if said.ready_ms is None else when.rfc3339(said.ready_ms),
        ready_at_ms=said.ready_ms,
        sensors=_sensor_bodies(basin, each),
        running=running_body(basin, now, when),
        latest=stored_body(seen.latest, basin, when) if seen.latest else None,
    )


def _sensor_bodies(basin: Basin, each: BasinSeen) -> list[SensorBody]:
    now = each.seen.now
    bodies = []
    for sensor in sorted(basin.sensors.keys() | (now.mc.keys() if now else set())):
        terms = basin.sensors.get(sensor)
        fault = now.fault.get(sensor) if now else None
        bodies.append(
            SensorBody(
                sensor=sensor,
                required=terms is not None,
                indicated_mc=now.mc.get(sensor) if now else None,
                fault=fault.code if fault else None,
                u_mc=terms.u_mc if terms else None,
                correction_mc=terms.correction_mc if terms else None,
                needs_mc=needs_mc(basin.requirement, terms) if basin.requirement and terms else None,
            )
        )
    return bodies
