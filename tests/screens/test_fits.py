"""Every page fits, from the smallest phone to the wall, and at 200 % zoom: nothing sideways, nothing too small, nothing
in the console, nothing from another host; and axe-core finds nothing, narrow and light or wide and dark in turns, on
the main pages in both. With SOAKLEDGER_PICTURES=1 pictures of all are kept in tests/artefacts."""

from __future__ import annotations

import re
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests import chromium
from tests.screens.catalogue import addresses, main_addresses
from tests.screens.furnished import Furnished
from tests.screens.measures import CONTROLS, CUT_OFF, MOVING, SMALL_TARGETS, SMALL_TEXTS, TOO_WIDE
from tests.screens.watching import Watched

pytestmark = pytest.mark.browser
NARROW, ZOOMED, WIDE = 360, 640, 1920
"""640 is what a window of 1280 has left at 200 % zoom."""
LEAST_TARGET_PX, LEAST_TEXT_PX = 44, 14
SCHEMES = {NARROW: "light", WIDE: "dark"}
RULES: dict[str, Any] = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
    "preload": False,
}


def file_name(address: str) -> str:
    """Of a picture of this address."""
    return re.sub(r"[^\w.-]+", "-", address).strip("-") or "today"


def violations(watched: Watched) -> list[str]:
    """Of each rule of axe-core that does not hold: its name, the first place, what would be right."""
    found = Axe().run(watched.page, options=RULES).response
    return [
        f"{each['id']}: {len(each['nodes'])} x {each['nodes'][0]['html'][:160]} {each['nodes'][0]['failureSummary']}"
        for each in found["violations"]
    ]


@pytest.mark.parametrize(("turn", "address"), list(enumerate(addresses())))
def test_a_page_fits_and_axe_finds_nothing(watched: Watched, turn: int, address: str) -> None:
    main = address in main_addresses()
    page = watched.open(address, NARROW)
    wrong = {}
    for width in (NARROW, ZOOMED, WIDE) if main else SCHEMES:
        watched.look(width, 450 if width == ZOOMED else 900, SCHEMES.get(width, "light"))
        wrong[f"{width} px: too wide"] = page.evaluate(TOO_WIDE)
        wrong[f"{width} px: cut off"] = page.evaluate(CUT_OFF)
        wrong[f"{width} px: small targets"] = page.evaluate(SMALL_TARGETS, [LEAST_TARGET_PX, CONTROLS])
        wrong[f"{width} px: small texts"] = page.evaluate(SMALL_TEXTS, LEAST_TEXT_PX)
        if width in SCHEMES:
            chromium.picture(page, f"screen-{file_name(address)}-{width}-{SCHEMES[width]}")
            if main or width == list(SCHEMES)[turn % 2]:
                wrong[f"{width} px: axe"] = violations(watched)
    wrong["complaints"] = watched.complaints()
    assert {what: found for what, found in wrong.items() if found} == {}


def test_axe_finds_what_is_wrong(watched: Watched) -> None:
    """It looks at pages whose policy forbids scripts of others, and would say so."""
    page = watched.open("/about")
    page.evaluate("document.querySelector('main').innerHTML = '<img src=x><p id=pale>pale</p>'")
    page.evaluate("document.getElementById('pale').style.color = '#ddd'")
    assert {each.partition(":")[0] for each in violations(watched)} >= {"image-alt", "color-contrast"}


def test_at_200_per_cent_zoom_the_main_pages_are_whole(browser: Browser, clinic: Furnished) -> None:
    """Chromium at twice the pixels for each of its units, as zooming does."""
    context = browser.new_context(viewport={"width": 640, "height": 450}, device_scale_factor=2)
    page = context.new_page()
    for address in main_addresses():
        page.goto(clinic.address + address)
        assert page.evaluate("devicePixelRatio") == 2
        assert page.evaluate(TOO_WIDE) == [], address
    context.close()


def test_nothing_moves_for_whoever_asked_for_that(browser: Browser, clinic: Furnished) -> None:
    context = browser.new_context(reduced_motion="reduce")
    page = context.new_page()
    for address in main_addresses():
        page.goto(clinic.address + address)
        page.wait_for_load_state("load")
        assert page.evaluate(MOVING) == [], address
    context.close()
