"""With a keyboard alone: everything is reached and seen to be reached, nothing traps, a form is filled in and sent."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page

from tests.screens.catalogue import main_addresses
from tests.screens.measures import CONTROLS, UNSEEN_FOCUS
from tests.screens.watching import Watched

pytestmark = pytest.mark.browser
MOST_TABS = 400
NAMED = """(each) => [each.tagName, each.id, each.name, each.getAttribute('href'), each.value,
  each.tagName === 'BUTTON' ? each.textContent.trim() : '', each.closest('main') ? 'main' : ''].join('|')"""
TO_REACH = f"""(controls) => [...document.querySelectorAll(controls)]
  .filter((each) => each.checkVisibility({{visibilityProperty: true}}) && each.tabIndex >= 0 && !each.disabled)
  .filter((each) => !each.closest('#chart') && each.type !== 'radio').map({NAMED})"""
REACHED = f"() => document.activeElement === document.body ? null : ({NAMED})(document.activeElement)"


def tab_until(page: Page, selector: str) -> None:
    """Press Tab until this has the focus."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if page.evaluate("(selector) => document.activeElement.matches(selector)", selector):
            return
    pytest.fail(f"Tab never came to {selector}")


@pytest.mark.parametrize("address", main_addresses())
def test_tab_comes_to_everything_and_shows_where_it_is(watched: Watched, address: str) -> None:
    page = watched.open(address)
    page.evaluate("document.activeElement.blur()")
    wanted, reached, unseen = set(page.evaluate(TO_REACH, CONTROLS)), [], []
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        now = page.evaluate(REACHED)
        if now is None:  # past the last: the next is the first, also where a page began with a field in the middle
            continue
        if reached and now == reached[0]:
            break
        reached.append(now)
        if page.evaluate(UNSEEN_FOCUS):
            unseen.append(now)
    else:
        pytest.fail(f"Tab goes round and round: {reached[-5:]}")
    assert wanted - set(reached) == set()
    assert unseen == []


def test_the_first_tab_leads_past_the_navigation(watched: Watched) -> None:
    page = watched.open("/devices")
    page.keyboard.press("Tab")
    box = page.locator(".skip").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_a_form_is_filled_in_and_sent_by_keyboard_alone(watched: Watched) -> None:
    """A mistake first: the words that name it lead to the field."""
    before = watched.clinic.house.records()
    page = watched.open("/do/read-thermometer")
    tab_until(page, "#f-basin")
    page.keyboard.type("Basin 2")
    tab_until(page, "#f-read_mc")
    page.keyboard.type("lukewarm")
    page.keyboard.press("Enter")
    page.wait_for_selector('[role="alert"]')
    tab_until(page, '[role="alert"] a')
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#f-read_mc"
    if not page.evaluate("document.activeElement.matches('#f-read_mc')"):
        tab_until(page, "#f-read_mc")
    page.keyboard.press("Control+A")
    page.keyboard.type("21.4")
    tab_until(page, "button.primary")
    page.keyboard.press("Space")
    page.wait_for_selector("text=Recorded as number")
    rows = watched.clinic.house.ask("SELECT kind, who FROM ledger ORDER BY number DESC LIMIT 1")
    assert (watched.clinic.house.records() - before, rows) == (1, [("read-thermometer", "ada")])


def test_a_script_that_was_recorded_does_not_run(watched: Watched) -> None:
    """Whatever the markup says: Chromium itself, with words that would open a window of their own."""
    opened: list[str] = []
    watched.page.on("dialog", lambda dialog: (opened.append(dialog.message), dialog.dismiss()))
    page = watched.open("/do/hand-over")
    page.fill("#f-note", '"><script>alert(1)</script><img src=x onerror=alert(2)><svg onload=alert(3)>')
    page.click("button.primary")
    page.wait_for_selector("text=Recorded as number")
    for address in ("/", "/review", "/record", "/alarms", "/alarms/W2", "/alarms/W3"):
        watched.open(address)
        assert watched.complaints() == []
    assert opened == []
