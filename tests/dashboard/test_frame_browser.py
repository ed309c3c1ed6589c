"""The bar around every page in Chromium: one line on a desk, a menu for keys and for browsers without scripts."""

from __future__ import annotations

from collections.abc import Iterator

import alarmkit
import pagekit
import pytest
from doorkit import PINS, SAM, House
from playwright.sync_api import Browser, Page, expect
from test_browser import browser

from dashboard import navigation

pytestmark = pytest.mark.browser
__all__ = ["browser"]
ONE_LINE_PX = 64


@pytest.fixture(scope="module")
def house(clinic: tuple[object, object], tmp_path_factory: pytest.TempPathFactory) -> House:
    return alarmkit.furnish(pagekit.copied(clinic[0], tmp_path_factory.mktemp("frame") / "data"))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def address(house: House) -> Iterator[str]:
    with pagekit.serving(house.data, house.played) as served:
        yield served


def opened(browser: Browser, address: str, house: House, width: int, *, scripts: bool = True) -> Page:
    """The supervisor's browser at the page of alarms."""
    context = browser.new_context(viewport={"width": width, "height": 800}, java_script_enabled=scripts)
    given = {"badge": house.badges[SAM], "pin": PINS[SAM]}
    assert context.request.post(f"{address}/api/sign-in", data=given).ok
    page = context.new_page()
    page.goto(f"{address}/alarms")
    return page


def test_the_bar_is_one_line_and_everything_can_be_reached(browser: Browser, address: str, house: House) -> None:
    everywhere = {each.address for each in (*navigation.BAR, *navigation.DOING, *navigation.MORE)}
    for width in (1280, 1024, 390):
        page = opened(browser, address, house, width)
        height = page.evaluate("document.querySelector('.top').getBoundingClientRect().height")
        assert height <= ONE_LINE_PX * (1 if width > 760 else 2), f"{width}: {height}"
        page.click("#more summary")
        seen = page.evaluate(
            "[...document.querySelectorAll('.top a')].filter((each) => each.checkVisibility())"
            ".map((each) => each.getAttribute('href'))"
        )
        assert everywhere <= set(seen), width
        assert len([each for each in seen if each in everywhere]) == len(everywhere), f"{width}: something stands twice"
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.emulate_media(media="print")
        assert not page.locator(".top nav").is_visible()
        page.context.close()


def test_the_menu_with_keys_alone(browser: Browser, address: str, house: House) -> None:
    page = opened(browser, address, house, 1280)
    menu, start = page.locator("#more"), page.locator(".menu a", has_text="Start a soak")
    page.focus("#more summary")
    page.keyboard.press("Enter")
    expect(start).to_be_visible()
    page.keyboard.press("Tab")
    expect(start).to_be_focused()
    page.keyboard.press("Escape")
    expect(menu).not_to_have_attribute("open", "")
    expect(page.locator("#more summary")).to_be_focused()
    page.keyboard.press("Enter")
    page.mouse.click(600, 780)
    expect(menu).not_to_have_attribute("open", "")
    page.context.close()


def test_the_menu_without_scripts(browser: Browser, address: str, house: House) -> None:
    page = opened(browser, address, house, 390, scripts=False)
    page.click("#more summary")
    page.click(".menu a:has-text('Help'):visible")
    page.wait_for_url("**/help")
    expect(page.locator("h1")).to_have_text("Help")
    page.context.close()
