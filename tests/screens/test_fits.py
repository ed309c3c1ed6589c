"""Every page fits, from the smallest phone to the wall, and at 200 % zoom: nothing sideways, nothing too small, nothing
in the console, nothing from another host. Pictures of all are kept in tests/artefacts, to be looked at by a person."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.screens.catalogue import addresses, main_addresses
from tests.screens.furnished import Furnished
from tests.screens.measures import CONTROLS, CUT_OFF, MOVING, SMALL_TARGETS, SMALL_TEXTS, TOO_WIDE
from tests.screens.watching import Watched

pytestmark = pytest.mark.browser
ARTEFACTS = Path(__file__).parents[1] / "artefacts"
WIDTHS = (360, 640, 1920)
"""640 is what a window of 1280 has left at 200 % zoom."""
LEAST_TARGET_PX, LEAST_TEXT_PX = 44, 14
PICTURES = {360: "light", 1920: "dark"}


def file_name(address: str) -> str:
    """Of a picture of this address."""
    return re.sub(r"[^\w.-]+", "-", address).strip("-") or "today"


@pytest.mark.parametrize("address", addresses())
def test_a_page_fits(watched: Watched, address: str) -> None:
    ARTEFACTS.mkdir(exist_ok=True)
    page = watched.open(address, WIDTHS[0])
    wrong = {}
    for width in WIDTHS if address in main_addresses() else PICTURES:
        watched.look(width, 450 if width == 640 else 900, PICTURES.get(width, "light"))
        wrong[f"{width} px: too wide"] = page.evaluate(TOO_WIDE)
        wrong[f"{width} px: cut off"] = page.evaluate(CUT_OFF)
        wrong[f"{width} px: small targets"] = page.evaluate(SMALL_TARGETS, [LEAST_TARGET_PX, CONTROLS])
        wrong[f"{width} px: small texts"] = page.evaluate(SMALL_TEXTS, LEAST_TEXT_PX)
        if width in PICTURES:
            name = f"screen-{file_name(address)}-{width}-{PICTURES[width]}.png"
            page.screenshot(path=ARTEFACTS / name, full_page=True)
    wrong["complaints"] = watched.complaints()
    assert {what: found for what, found in wrong.items() if found} == {}


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
