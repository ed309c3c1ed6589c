"""`/health`: whether soaks are being recorded, for a monitoring or a load balancer. Always open, always cheap."""

from __future__ import annotations

from litestar import Response, Router, get
from litestar.openapi.datastructures import ResponseSpec

from collector.errors import DataError
from collector.read import Reader
from collector.status import Seen, read
from dashboard.shapes import HealthBody
from dashboard.site import AskedSite, only_known_parameters
from dashboard.store import NotReadyError
from host.clock import boot_id, boottime_ms

_FAILING = 503


@get(
    "/health",
    summary="Whether the collector runs and stores, and how old the newest reading is",
    responses={
        200: ResponseSpec(HealthBody, description="Readings are stored and can be read.", generate_examples=False),
        _FAILING: ResponseSpec(
            HealthBody,
            description="The collector does not run or cannot store, or its data cannot be read; the body says which.",
            generate_examples=False,
        ),
    },
)
async def get_health(site: AskedSite) -> Response[HealthBody]:
    """200 while new readings are stored and can be read, 503 while they are not; the same body with either.

    A silent basin or node is no failure of this server: see `newest_reading_age_ms`, and alarms.
    """
    store, newest_ms = "ready", None
    try:
        newest_ms = await site.store.read(_newest_ms)
    except NotReadyError:
        store = "no data yet"
    except DataError:
        store = "unreadable"
    body = health(read(site.store.data_dir), store, newest_ms, site.utc_now_ms())
    return Response(body, status_code=200 if body.status == "ok" else _FAILING, headers={"Cache-Control": "no-store"})


def health(seen: Seen, store: str, newest_ms: int | None, now_ms: int) -> HealthBody:
    """Put together what is known. Pure, but for this machine's uninterrupted clock.

    Args:
        seen: What the collector's status file says.
        store: How the database is: "ready", "no data yet", "unreadable".
        newest_ms: When the newest reading was taken, milliseconds since 1970.
        now_ms: The same of now.
    """
    status = seen.status
    running = status is not None and not seen.problem
    standing = status.conditions if status and running else []
    storing = running and not any(each.words.stops_storing for each in standing)
    same_boot = status is not None and status.boot == boot_id()
    stored_ms = status.stored_ms if status else None
    return HealthBody(
        status="ok" if storing and store == "ready" else "failing",
        collector="running" if running else "not running",
        store=store,
        storing=storing,
        heartbeat_age_ms=max(0, boottime_ms() - status.beat_ms) if status and same_boot else None,
        stored_age_ms=None if stored_ms is None else max(0, now_ms - stored_ms),
        newest_reading_age_ms=None if newest_ms is None else max(0, now_ms - newest_ms),
        conditions=list(dict.fromkeys(each.code for each in standing)),
    )


def _newest_ms(reader: Reader) -> int | None:
    (found,) = reader.connection.execute("SELECT max(at_utc_ms) FROM now").fetchone()
    return None if found is None else int(found)


def health_router() -> Router:
    """The one address."""
    return Router("/", route_handlers=[get_health], guards=[only_known_parameters], tags=["soakledger"])
