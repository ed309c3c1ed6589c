"""Signing in and recording in Chromium as somebody with a scanner does: keys only, narrow and wide."""

from __future__ import annotations

import pagekit
import pytest
from doorkit import SAM, House
from playwright.sync_api import Browser
from test_browser import SMALL_TEXTS, SMALLEST_TARGET_PX, SMALLEST_TEXT_PX, browser, looked_at

from tests import chromium

pytestmark = pytest.mark.browser
__all__ = ["browser"]

# A box to tick counts with the label around it; the words within a sentence are exempt (WCAG 2.2, 2.5.8).
SMALL_TARGETS = """(least) => [...document.querySelectorAll(
    'main button, main select, main textarea, main input:not([type=checkbox]):not([type=hidden]), main .tick, ' +
    'main .button, .who a, .who button')]
  .filter((each) => each.checkVisibility())
  .map((each) => [each.textContent.trim().slice(0, 30), each.getBoundingClientRect()])
  .filter(([, box]) => box.height < least - 0.5 || box.width < least - 0.5)
  .map(([text, box]) => `${text}: ${box.width} x ${box.height}`)"""
NAMELESS = """() => [...document.querySelectorAll(
    'main input:not([type=hidden]):not([hidden]), main select, main textarea')]
  .filter((each) => !each.labels.length).map((each) => each.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_a_scan_a_form_a_mistake_and_a_record(browser: Browser, house: House, width: int, scheme: str) -> None:
    """The wedge scanner types the code and Enter; what is wrong is said first, and beside its field."""
    with (
        pagekit.serving(house.data, house.played) as address,
        looked_at(browser, width, scheme, but="server responded with a status of 4") as page,
    ):

        def seen(name: str) -> None:
            chromium.picture(page, f"{name}-{width}-{scheme}")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
            assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], name
            assert page.evaluate(SMALL_TEXTS, SMALLEST_TEXT_PX) == [], name
            assert page.evaluate(NAMELESS) == [], name

        page.goto(f"{address}/sign-in?next=/do/read-thermometer")
        seen("sign-in")
        page.keyboard.type(house.badges[SAM])
        page.keyboard.press("Enter")
        page.wait_for_url("**/do/read-thermometer")
        page.fill("#f-read_mc", "luke warm")
        page.keyboard.press("Enter")
        alert = page.wait_for_selector('[role="alert"]')
        assert alert is not None
        assert alert.inner_text().split("\n") == [
            "Not recorded",
            "Basin: This must be filled in.",
            "Thermometer shows: “luke warm” is no temperature. Write degrees Celsius, for instance 20.5.",
        ]
        seen("form-mistake")
        page.click('[role="alert"] a >> nth=1')
        assert page.evaluate("document.activeElement.id || location.hash") in ("f-read_mc", "#f-read_mc")
        page.goto(f"{address}/do/receive-bottle")
        assert page.evaluate("document.activeElement.id") == "scan"
        page.keyboard.type("01062910415002131726123110LOT121SER1")
        page.keyboard.press("Enter")
        page.wait_for_selector(".readings button")
        seen("scanned-asked")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector(".read")
        assert page.input_value("#f-lot") == "LOT121SER1"
        assert page.evaluate("document.activeElement.id") == "scan"
        seen("scanned")
        page.keyboard.type(house.badges[SAM])
        page.keyboard.press("Enter")
        page.wait_for_selector(".scanner .refusal")
        assert page.input_value("#f-lot") == "LOT121SER1"
        seen("scan-not-read")
        page.goto(f"{address}/do/confirm-profile")
        seen("form")
        page.goto(f"{address}/do")
        seen("do")
        page.click('text="Leave a note for the next shift"')
        page.fill("#f-note", "All well")
        page.click("button.primary")
        page.wait_for_selector("text=Recorded as number")
        seen("recorded")
        page.click("text=Sign out")
        page.wait_for_url("**/sign-in")
    assert house.ask("SELECT who, kind FROM ledger ORDER BY number DESC LIMIT 1") == [(SAM, "hand-over")]
