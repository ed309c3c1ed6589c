"""The pages of sensors, their checks and reference thermometers. They only show; the guided check is `check_pages`."""

from __future__ import annotations

from litestar import Router, get
from litestar.params import FromPath
from litestar.response import Template

from collector.record.book import Book
from dashboard.record_pages import look, sheet
from dashboard.record_query import Names
from dashboard.sensors import gather
from dashboard.sensors.check_pages import check_pages
from dashboard.sensors.words import look_back, microdegrees, origin_words, size_words, thousandths
from dashboard.site import AskedSite, only_known_parameters
from soak.uncertainty import unchecked, unchecked_u_mc

Word = FromPath[str]
_WORDS = {
    "origin_words": origin_words,
    "size_words": size_words,
    "microdegrees": microdegrees,
    "thousandths": thousandths,
    "look_back": look_back,
}


@get("/sensors", include_in_schema=False)
async def sensors_page(site: AskedSite) -> Template:
    """Every sensor in use: what its soaks are judged by, where that comes from, and when its check is due."""

    def question(book: Book) -> dict[str, object]:
        return {"rows": gather.rows(book), "names": Names(book), "days": book.policy.sensor_check_days}

    context = await look(site, question)
    context |= {**_WORDS, "unchecked": gather.sheet(unchecked()), "unchecked_u_mc": unchecked_u_mc()}
    return await sheet(site, "sensors.html", "sensors", context)


@get("/sensors/{sensor:str}", include_in_schema=False)
async def sensor_page(site: AskedSite, sensor: Word) -> Template:
    """One sensor: its checks, how it drifts, what that means for its soaks."""
    context = await look(site, lambda book: gather.one(book, sensor))
    return await sheet(site, "sensor.html", "sensors", {**context, **_WORDS})


@get("/sensor-checks/{check:str}", include_in_schema=False)
async def one_check_page(site: AskedSite, check: Word) -> Template:
    """One check, every contribution to its U; it prints as it stands."""
    context = await look(site, lambda book: gather.one_check(book, check))
    return await sheet(site, "sensor_check.html", "sensors", {**context, **_WORDS})


@get("/references", include_in_schema=False)
async def references_page(site: AskedSite) -> Template:
    """Reference thermometers with their certificates and due days."""
    context = await look(site, gather.references)
    return await sheet(site, "references.html", "sensors", {**context, **_WORDS})


def sensor_router() -> Router:
    """All of these pages."""
    looking = Router(
        "/",
        route_handlers=[sensors_page, sensor_page, one_check_page, references_page],
        guards=[only_known_parameters],
    )
    return Router("/", route_handlers=[looking, *check_pages()])
