"""Every page there is, and where the furnished clinic has something to show on it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from litestar.routes import HTTPRoute

from dashboard.app import build_app

CHECK = "sensor=28-000000000002&basin=n1/b2&reference=R-4&settled=yes&" + "&".join(
    f"{name}_reference={shown}&{name}_indicated={shown + 0.25}"
    for name, shown in (("ice", 0.01), ("working", 21.4)) * 3
)
"""A guided check of a sensor, filled in."""

SCREENS: dict[str, tuple[str, ...]] = {
    "/": ("/",),
    "/about": ("/about",),
    "/alarms": ("/alarms",),
    "/alarms/load": ("/alarms/load",),
    "/alarms/{alarm_id:str}": ("/alarms/W1", "/alarms/W8"),
    "/audit": ("/audit", "/audit?device=GS-01"),
    "/basins/{node:str}/{name:str}": ("/basins/n1/b1", "/basins/n1/b2", "/basins/n2/b1", "/basins/n3/b1"),
    "/basins/{node:str}/{name:str}/trend": ("/basins/n1/b1/trend",),
    "/closures": ("/closures",),
    "/closures/{closure_id:str}": ("/closures/1", "/closures/2", "/closures/3"),
    "/devices": ("/devices",),
    "/devices/{device_id:str}": ("/devices/GS-01", "/devices/GS-03", "/devices/GS-41"),
    "/do": ("/do",),
    "/do/{name:str}": ("/do/start-load", "/do/draft-profile", "/do/assign-late", "/do/release"),
    "/evidence": ("/evidence",),
    "/evidence/{issued_id:str}": ("/evidence/E1",),
    "/fills": ("/fills",),
    "/fills/{fill_id:str}": ("/fills/F1",),
    "/help": ("/help",),
    "/help/{name:str}": (),  # every page of the folder: see `addresses`
    "/loads": ("/loads",),
    "/loads/{load_id:str}": ("/loads/L1", "/loads/L4"),
    "/look-backs": ("/look-backs",),
    "/look-backs/new": ("/look-backs/new", "/look-backs/new?cause=leak&look=yes"),
    "/look-backs/{look_back:str}": ("/look-backs/K1",),
    "/me": ("/me",),
    "/people": ("/people",),
    "/people/sign-ins": ("/people/sign-ins", "/people/sign-ins?person=tina"),
    "/people/{person:str}/credentials": ("/people/tom/credentials",),
    "/profiles/{profile_id:str}": ("/profiles/typed", "/profiles/drafted"),
    "/record": ("/record",),
    "/record/{number:str}": ("/record/1",),
    "/references": ("/references",),
    "/release": ("/release",),
    "/report": ("/report", "/report?since=2026-03-01&until=2026-03-03"),
    "/report/{issued_id:str}": ("/report/PR1",),
    "/review": ("/review",),
    "/sensor-checks/{check:str}": ("/sensor-checks/C1", "/sensor-checks/C2"),
    "/sensors": ("/sensors",),
    "/sensors/check": ("/sensors/check", f"/sensors/check?{CHECK}&step=ice", f"/sensors/check?{CHECK}&step=look"),
    "/sensors/{sensor:str}": ("/sensors/28-000000000002",),
    "/sign-in": ("/sign-in",),
    "/site": ("/site",),
    "/solutions": ("/solutions",),
    "/spill": ("/spill", "/spill?profile=typed&volume_ml=500"),
    "/start": ("/start",),
    "/statistics": ("/statistics",),
    "/unassigned": ("/unassigned",),
}
"""By route. A route that is not there (yet) is left out."""

PROBLEMS = ("/nothing", "/closures?verdict=perhaps", "/devices/none", "/do/teleport")
"""Pages that say what is wrong."""

NO_PAGES = {
    "/basins/{node:str}/{name:str}/closures": "a part of the page of a trend, which its script asks for",
    "/basins/{node:str}/{name:str}/now": "a part of the page of a basin, which its script asks for",
    "/basins/{node:str}/{name:str}/trend/tables": "a part of the page of a trend, which its script asks for",
    "/today/lane": "a part of the page of today, which its script asks for",
    "/evidence/papers.zip": "a file",
    "/evidence/{issued_id:str}/paper.pdf": "a file",
    "/report/tables.zip": "a file",
    "/report/{issued_id:str}/paper.pdf": "a file",
    "/report/{issued_id:str}/tables.zip": "a file",
    "/live": "the live stream",
    "/metrics": "a text for a monitoring",
    "/robots.txt": "a text",
    "/static/{name:str}": "a file",
}
"""Addresses outside the API that are no pages, and what they are instead."""

MAIN = ("/", "/basins/n1/b2", "/alarms", "/do/start-load", "/start", "/release", "/basins/n1/b1/trend", "/closures/1")
"""Looked at in every size and both schemes, and walked through with the keyboard."""


@cache
def page_routes() -> list[str]:
    """Every route at which a page may be got."""
    app = build_app(Path(tempfile.gettempdir()) / "no-such-soakledger-data")
    return sorted(route.path for route in app.routes if isinstance(route, HTTPRoute) and _is_page(route))


def _is_page(route: HTTPRoute) -> bool:
    hidden = any("GET" in each.http_methods and not each.include_in_schema for each in route.route_handlers)
    return hidden and route.path not in NO_PAGES and not route.path.startswith("/schema") and ".csv" not in route.path


@cache
def addresses() -> list[str]:
    """Of every screen."""
    return [*_addresses(page_routes()), *PROBLEMS]


def _addresses(routes: list[str]) -> Iterator[str]:
    for route in routes:
        yield from SCREENS.get(route, ())
        if route.startswith("/help/{"):
            pages = Path(build_app.__code__.co_filename).parent.joinpath("help").glob("*.md")
            yield from (f"/help/{page.stem}" for page in sorted(pages))


def main_addresses() -> list[str]:
    """Of the screens that matter most."""
    there = set(addresses())
    return [address for address in MAIN if address in there]
