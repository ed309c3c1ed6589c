"""The standard path in Chromium as it is walked: a scanner that types, a lid that closes, clean hands that release."""

from __future__ import annotations

from collections.abc import Iterator

import pathkit
import pytest
from doorkit import PINS, TINA, TOM
from pagekit import Going
from pathkit import ONE, PathHouse, basin, device
from playwright.sync_api import Browser, Page
from test_browser import (  # noqa: F401 - browser is a fixture
    SMALL_TEXTS,
    SMALLEST_TARGET_PX,
    SMALLEST_TEXT_PX,
    browser,
    looked_at,
)
from test_forms_browser import NAMELESS, SMALL_TARGETS
from wedge import Person

from tests import chromium

pytestmark = pytest.mark.browser
Clinic = tuple[PathHouse, str, Going]
CLOSED = '"closing_ms":'
REFUSED = "server responded with a status of 4"


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Clinic]:
    """One clinic that goes on, for all of these, each with a basin and devices of its own."""
    data = tmp_path_factory.mktemp("path") / "data"
    data.mkdir()
    house = PathHouse(data, *pathkit.built(data))
    pathkit.ready(house, pathkit.TWO)
    with pathkit.going(house) as (address, basins):
        yield house, address, basins


def seen(page: Page, name: str, *, widths: tuple[int, ...] = (1280, 390)) -> None:
    """A picture, and nothing too wide, too small or without a name."""
    for width in widths:
        page.set_viewport_size({"width": width, "height": 800})
        chromium.picture(page, f"{name}-{width}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], name
        assert page.evaluate(SMALL_TEXTS, SMALLEST_TEXT_PX) == [], name
        assert page.evaluate(NAMELESS) == [], name


def test_from_the_badge_to_the_release(browser: Browser, clinic: Clinic) -> None:  # noqa: F811
    """No touch, no key and no PIN before the lid closes; afterwards one PIN for two devices."""
    house, address, basins = clinic
    with looked_at(browser, 1280, "light", but=REFUSED) as page:
        hands = Person(page)
        page.goto(f"{address}/start")
        page.evaluate("document.querySelector('.brand').setAttribute('tabindex', '0')")
        page.evaluate("document.querySelector('.brand').focus()")  # the scanner is caught wherever the focus is
        hands.scan(house.badges[TINA], "Scan a device")
        hands.scan(device("GS-01"), "Scan the basin")
        hands.scan(device("GS-02"), "Scan the basin")
        seen(page, "start-devices")
        page.evaluate("document.querySelector('.brand').removeAttribute('tabindex')")
        hands.scan("NOPE-1", "Scan the basin")
        assert "Nothing recorded has the number" in page.inner_text("#said")
        seen(page, "start-refused")
        hands.scan(basin(ONE), "Close the lid")
        assert page.url == f"{address}/start?load=L1"
        seen(page, "start-close")
        before = hands.counted()
        assert (before.touches, before.keys, before.pins) == (0, 0, 0)
        basins.lids[ONE] = "closed"
        hands.reads("Keep closed. Ready", "Soak met")  # a slow machine misses the six seconds
        page.reload()  # in mid-soak
        hands.reads("Keep closed. Ready", "Soak met")
        hands.reads("Soak met. Rinse next.")
        seen(page, "start-met")
        basins.lids[ONE] = "open"
        page.wait_for_selector('.lines:has-text("opened")')
        page.click('text="Rinse, dry, release"')
        press = page.locator("button.press")
        press.click()
        for _ in range(2):
            press.click()
            page.wait_for_selector('[data-until]:has-text("the time is over")')
            seen(page, "release-rinse", widths=(390,))
            press.click()
        press.click()
        page.click("text=Tick all")
        page.fill("#pin", PINS[TINA])
        seen(page, "release")
        page.click("button.primary")
        page.wait_for_selector(".said")
        assert page.inner_text(".said") == "Released\n\nGS-01, GS-02"
        assert hands.counted().pins == 1
    rows = house.ask("SELECT who, count(*) FROM ledger WHERE kind = 'release' GROUP BY who")
    assert rows == [(TINA, 2)]


def test_a_lost_connection_loses_no_scan_in_silence_and_an_early_opening_says_reprocess(
    browser: Browser,  # noqa: F811
    clinic: Clinic,
) -> None:
    house, address, basins = clinic
    with looked_at(browser, 1280, "dark", but="Failed to load resource") as page:
        hands = Person(page)
        page.goto(f"{address}/start")
        hands.scan(house.badges[TOM], "Scan a device")
        assert page.evaluate("document.activeElement.id") != "scan"  # or each key would move the page to it
        page.route("**/start/scan", lambda route: route.abort())
        page.keyboard.type(device("GS-03"))
        page.keyboard.press("Enter")
        page.wait_for_selector("#unsent:not([hidden])")
        assert page.inner_text("#unsent") == (
            "No answer from the server. It is not known whether the last scan was recorded. Scan it again: nothing is "
            "recorded twice."
        )
        page.unroute("**/start/scan")
        page.click("#scan")  # whoever types by hand: Enter takes what stands there, and presses no other button
        hands.scan(device("GS-03"), "Scan the basin")
        assert page.is_hidden("#unsent")
        hands.scan("NOPE-2", "Scan the basin")
        assert (
            page.evaluate("document.querySelector('#said').getBoundingClientRect().top") >= 0
        )  # said where it is seen
        assert "Nothing recorded has the number" in page.inner_text("#said")
        hands.scan(basin(pathkit.TWO), "Close the lid")
        basins.lids[pathkit.TWO] = "closed"
        pathkit.until(lambda: CLOSED in house.ask("SELECT body FROM now ORDER BY basin_id DESC LIMIT 1")[0][0])
        basins.lids[pathkit.TWO] = "open"
        hands.reads("Reprocess")
        assert "not releasable" in page.inner_text(".todo .more")
        seen(page, "start-reprocess")
        page.route("**/start?*", lambda route: route.abort())
        page.wait_for_selector("#stale:not([hidden])")
        page.unroute("**/start?*")
        page.wait_for_selector("#stale", state="hidden")
        page.goto(f"{address}/release")
        page.locator("button.press").click()
        page.wait_for_selector('h2:has-text("GS-03: not releasable. Reprocess.")')
        assert page.locator("input[type=checkbox]").count() == 0
        seen(page, "release-reprocess")
        page.go_back()
        page.go_back()
        assert "/start?load=L" in page.url


def test_a_scan_is_caught_on_another_page_and_leaves_typing_alone(
    browser: Browser,  # noqa: F811
    clinic: Clinic,
) -> None:
    """The strip of other pages, here the release page's: badge, device; slow keys of a person do nothing."""
    house, address, _ = clinic
    with looked_at(browser, 1280, "light", but=REFUSED) as page:
        page.goto(f"{address}/release")
        page.focus(".scan-strip button")
        page.keyboard.type("GS-01", delay=250)
        page.keyboard.press("Shift")
        assert page.url == f"{address}/release"
        page.evaluate("document.querySelector('[data-scan]').dataset.scan = 'patient'")  # a slow machine's keys
        page.focus(".scan-strip button")
        page.keyboard.type(house.badges[TOM])
        page.keyboard.press("Enter")
        page.wait_for_selector('.who:has-text("Tom Test")')
        assert page.url == f"{address}/release"
        page.evaluate("document.querySelector('[data-scan]').dataset.scan = 'patient'")
        page.keyboard.type("SL:basin:n1/b1")
        page.keyboard.press("Enter")
        page.wait_for_url(f"{address}/start?basin=n1/b1")
