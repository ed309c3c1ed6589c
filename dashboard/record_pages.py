"""The pages of the record: solutions, fills, profiles, devices, loads. They only show."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from litestar import Router, get
from litestar.params import FromPath, FromQuery
from litestar.response import Template

from collector.record.book import Book
from collector.record.things import Profile
from dashboard import query
from dashboard import record_query as ask
from dashboard.record_device import one_device, one_load
from dashboard.record_words import figures, where
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.texts import N_

T = TypeVar("T")
Text = FromQuery[str | None]
Word = FromPath[str]
_SHOWN = (N_("in service"), N_("held back"), N_("retired"))


async def look(site: Site, question: Callable[[Book], T]) -> T:
    """Ask the record as it is now."""
    now_ms = site.utc_now_ms()
    return await site.desks.look(lambda connection: question(Book.looking(connection, now_ms)))


async def sheet(site: Site, template: str, here: str, context: dict[str, object]) -> Template:
    """A page of the record, with what every page shows around its own."""
    frame = site.live.frame(await site.live.look())
    return Template(template, context={"frame": frame, "here": here, "now_ms": site.utc_now_ms(), **context})


def page_number(text: str | None) -> int:
    """Which page of a list.

    Raises:
        QueryError: No number.
    """
    return query.whole("page", text, 1, 1, 10**6)


@get("/solutions", include_in_schema=False)
async def solutions_page(site: AskedSite) -> Template:
    """Fills, tests, bottles, strips and profiles."""
    return await sheet(site, "solutions.html", "solutions", await look(site, ask.solutions))


@get("/fills", include_in_schema=False)
async def fills_page(site: AskedSite, page: Text = None) -> Template:
    """All fills there have been."""
    number = page_number(page)
    return await sheet(site, "fills.html", "solutions", await look(site, lambda book: ask.fills(book, number)))


@get("/fills/{fill_id:str}", include_in_schema=False)
async def fill_page(site: AskedSite, fill_id: Word) -> Template:
    """One fill."""
    return await sheet(site, "fill.html", "solutions", await look(site, lambda book: ask.one_fill(book, fill_id)))


@get("/profiles/{profile_id:str}", include_in_schema=False)
async def profile_page(site: AskedSite, profile_id: Word) -> Template:
    """One solution profile with every figure and its source."""

    def question(book: Book) -> dict[str, object]:
        profile = ask.needed(book, Profile, profile_id, "/solutions")
        return {"names": ask.Names(book), "profile": profile, "figures": figures(profile)}

    return await sheet(site, "profile.html", "solutions", await look(site, question))


@get("/devices", include_in_schema=False)
async def devices_page(site: AskedSite, show: Text = None, find: Text = None, page: Text = None) -> Template:
    """Where each device is."""
    shown, number = query.choice("show", show, _SHOWN), page_number(page)
    context = await look(site, lambda book: ask.devices(book, number, shown, find or ""))
    context |= {"show": shown, "shows": _SHOWN, "find": find or "", "where": where}
    return await sheet(site, "devices.html", "devices", context)


@get("/devices/{device_id:str}", include_in_schema=False)
async def device_page(site: AskedSite, device_id: Word, page: Text = None) -> Template:
    """One device with its rounds."""
    number = page_number(page)
    context = await look(site, lambda book: one_device(book, device_id, number))
    return await sheet(site, "device.html", "devices", {**context, "where": where})


@get("/loads", include_in_schema=False)
async def loads_page(site: AskedSite, page: Text = None) -> Template:
    """Loads, newest first."""
    number = page_number(page)
    return await sheet(site, "loads.html", "loads", await look(site, lambda book: ask.loads(book, number)))


@get("/loads/{load_id:str}", include_in_schema=False)
async def load_page(site: AskedSite, load_id: Word) -> Template:
    """One load."""
    return await sheet(site, "load.html", "loads", await look(site, lambda book: one_load(book, load_id)))


def record_router() -> Router:
    """All of them."""
    pages = [
        solutions_page,
        fills_page,
        fill_page,
        profile_page,
        devices_page,
        device_page,
        loads_page,
        load_page,
    ]
    return Router("/", route_handlers=pages, guards=[only_known_parameters])
