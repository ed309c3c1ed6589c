"""The pages in Debian's Chromium, narrow and wide, light and dark."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pagekit
import pytest
from pagekit import Going, Track
from playwright.sync_api import Browser, Page, expect

from tests import chromium
from tests.chromium import WAIT_MS

pytestmark = pytest.mark.browser
Clinic = tuple[Path, dict[str, Track]]
LINE = "#chart .scatterlayer path.js-line"
MINUTE_MS = 60_000
SMALLEST_TARGET_PX, SMALLEST_TEXT_PX = 44, 14

# Every control, and every link that is not a word within a sentence (WCAG 2.2, 2.5.8, exempts those).
SMALL_TARGETS = """(least) => [...document.querySelectorAll(
    'button, select, input, nav a, .button, h2 a, .latest a, .row-link, .counts a, footer a')]
  .filter((each) => each.checkVisibility())
  .map((each) => [each.textContent.trim().slice(0, 30), each.getBoundingClientRect()])
  .filter(([, box]) => box.height < least - 0.5 || box.width < least - 0.5)
  .map(([text, box]) => `${text}: ${box.width} x ${box.height}`)"""
SMALL_TEXTS = """(least) => [...document.querySelectorAll('body *')]
  .filter((each) => each.checkVisibility() && !each.closest('svg.vessel')
    && [...each.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()))
  .filter((each) => parseFloat(getComputedStyle(each).fontSize) < least)
  .map((each) => each.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a window."""
    chromium.wanted()
    with chromium.launched() as launched:
        yield launched


@pytest.fixture
def going(clinic: Clinic, tmp_path: Path) -> Iterator[tuple[str, Going]]:
    """A server over a clinic that goes on, and the clinic."""
    data_dir, played = pagekit.copied(clinic[0], tmp_path / "data"), pagekit.rehearsal()
    with Going(data_dir, clinic[1], played) as basins, pagekit.serving(data_dir, played) as address:
        yield address, basins


@contextmanager
def looked_at(browser: Browser, width: int, scheme: str = "light", but: str = "of 404", **more: Any) -> Iterator[Page]:
    """A page whose console must stay empty, `but` for one kind: no error, no warning, no report of the policy."""
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, **more)  # type: ignore[arg-type]
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    said: list[str] = []
    page.on("console", lambda message: said.append(f"{page.url}: {message.text}"))
    page.on("pageerror", lambda error: said.append(f"{page.url}: {error}"))
    yield page
    context.close()
    assert [text for text in said if but not in text] == []


def test_what_happens_reaches_the_page(browser: Browser, going: tuple[str, Going]) -> None:
    """A lid goes up: sentence, lid, level and the day's blocks change, without loading the page again."""
    address, basins = going
    with looked_at(browser, 1280) as page:
        page.goto(address)
        lane = page.locator('[data-key="n2/b1"]')
        expect(lane.locator('[data-f="next"]')).to_have_text("Soak met. Rinse next.")
        expect(lane.locator("svg.vessel")).to_have_attribute("data-lid", "closed")
        expect(lane.locator('[data-f="running"]')).to_be_visible()
        blocks = lane.locator('.course a[href^="/closures/"]')
        expect(blocks).to_have_count(5)
        page.evaluate("window.sameDocument = true")
        basins.lids["n2/b1"] = "open"
        expect(lane.locator("svg.vessel")).to_have_attribute("data-lid", "open", timeout=WAIT_MS)
        expect(lane.locator('[data-f="level"]')).to_have_attribute("height", "0")
        expect(lane.locator('[data-f="then"]')).to_contain_text("Opened 13:1")
        expect(blocks).to_have_count(6)
        expect(blocks.last).to_have_attribute("data-v", "met")
        expect(lane.locator('[data-f="running"]')).to_be_hidden()
        filled = page.locator('[data-key="n1/b2"] .filled')
        before = filled.get_attribute("height") or ""
        expect(filled).not_to_have_attribute("height", before, timeout=WAIT_MS)
        assert page.evaluate("window.sameDocument") is True


def test_a_block_tells_the_whole_when_it_has_the_focus(browser: Browser, going: tuple[str, Going]) -> None:
    with looked_at(browser, 390) as page:
        page.goto(going[0])
        block = page.locator('[data-key="n1/b1"] .course a[data-v="unproven"]')
        block.focus()
        expect(page.locator("text.whole")).to_contain_text("unproven")
        page.keyboard.press("Enter")
        expect(page.locator("h1")).to_contain_text("unproven")


def test_a_page_that_is_not_live_says_so(browser: Browser, clinic: Clinic) -> None:
    """The server ends: within seconds the page says that what it shows is not the present."""
    with looked_at(browser, 390, but="net::ERR_") as page:
        with pagekit.serving(clinic[0], pagekit.rehearsal()) as address:
            page.goto(address)
            expect(page.locator("#link")).to_contain_text("live · 13:18")
        expect(page.locator("#not-live")).to_be_visible(timeout=WAIT_MS)
        expect(page.locator("#not-live")).to_contain_text("Not live: the connection to the server is lost.")
        expect(page.locator("#link")).to_contain_text("not live since 13:18")


def test_a_hidden_page_gives_its_connection_back(
    browser: Browser, going: tuple[str, Going], wait_until: Callable[..., None]
) -> None:
    """Browsers open six connections to a server; the seventh page would hang."""
    with looked_at(browser, 1280) as page:
        page.add_init_script(
            "window.streams = []; const Real = EventSource;"
            "window.EventSource = class extends Real { constructor(...a) { super(...a); window.streams.push(this); } };"
            "window.EventSource.CLOSED = Real.CLOSED;"
        )
        page.goto(going[0])
        expect(page.locator("#link")).to_contain_text("live ·")
        hide = "(hidden) => { Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});"
        page.evaluate(hide + "document.dispatchEvent(new Event('visibilitychange')); }", True)
        assert page.evaluate("streams.map((each) => each.readyState)") == [2]
        page.evaluate(hide + "document.dispatchEvent(new Event('visibilitychange')); }", False)
        wait_until(lambda: page.evaluate("streams.map((each) => each.readyState)") == [2, 1])
        page.add_init_script("Object.defineProperty(document, 'hidden', {value: true, configurable: true});")
        page.goto(going[0])
        assert page.evaluate("streams") == []


def test_the_trend(browser: Browser, going: tuple[str, Going]) -> None:
    """Line, limits, lid bands and verdicts are drawn; the table beside it follows every range."""
    with looked_at(browser, 1280) as page:
        page.goto(f"{going[0]}/basins/n1/b1/trend")
        page.wait_for_selector(LINE)
        assert page.locator(LINE).count() >= 3  # the sensor, its minimum, from where it counts
        assert page.locator("#chart .barlayer .point path").count() >= 4
        for words in ("minimum 20 °C", "counts from 20.58 °C", "not met · opened at 9 min 10 s"):
            expect(page.locator("#chart .annotation-text", has_text=words)).to_be_visible()
        expect(page.locator("#range")).to_contain_text("Drawn from every reading.")
        expect(page.locator("#table .row-link")).to_have_count(4)
        page.click('[data-last="8h"]')
        expect(page.locator("#range")).to_contain_text("Drawn from lowest and highest of each minute.")
        expect(page.locator("#table .row-link")).to_have_count(6)
        expect(page.locator('[data-last="8h"]')).to_have_attribute("aria-pressed", "true")


def test_the_trend_needs_no_dragging(browser: Browser, going: tuple[str, Going]) -> None:
    """Every range can be had with buttons (WCAG 2.2, 2.5.7): each asks the server anew, in milliseconds."""
    with looked_at(browser, 1280) as page:
        page.goto(f"{going[0]}/basins/n1/b1/trend")
        page.wait_for_selector(LINE)
        span_ms, middle_ms = 60 * MINUTE_MS, pagekit.NOW_MS - 30 * MINUTE_MS  # of the hour that is shown first
        for move, factor, shift in (("closer", 0.5, 0), ("wider", 2, 0), ("earlier", 1, -0.5), ("later", 1, 0.5)):
            with page.expect_request(lambda request: "/trend?since=" in request.url) as request:
                page.click(f'[data-move="{move}"]')
            since_ms, until_ms = asked_for(request.value.url)
            expect(page.locator("#download")).to_have_attribute("href", re.compile(f"since={since_ms}&"))
            assert until_ms - since_ms == span_ms * factor
            middle_ms += shift * span_ms
            assert abs((since_ms + until_ms) / 2 - middle_ms) < MINUTE_MS  # the clinic's clock has gone on a little
            span_ms, middle_ms = until_ms - since_ms, (since_ms + until_ms) / 2
            expect(page.locator('[data-last][aria-pressed="true"]')).to_have_count(0)


def asked_for(address: str) -> tuple[int, int]:
    parts = dict(each.split("=") for each in address.partition("?")[2].split("&"))
    return int(parts["since"]), int(parts["until"])


def test_dragging_over_the_trend_asks_for_detail(browser: Browser, going: tuple[str, Going]) -> None:
    """What is dragged over becomes the range; the address names it in milliseconds."""
    with looked_at(browser, 1280) as page:
        page.goto(f"{going[0]}/basins/n1/b1/trend")
        page.wait_for_selector(LINE)
        page.locator("#legend").scroll_into_view_if_needed()
        box = page.locator("#chart .nsewdrag").first.bounding_box()
        assert box
        with page.expect_request(lambda request: "/trend?since=" in request.url) as request:
            page.mouse.move(box["x"] + box["width"] / 4, box["y"] + box["height"] - 40)
            page.mouse.down()
            page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] - 40, steps=5)
            page.mouse.up()
        since_ms, until_ms = asked_for(request.value.url)
        assert abs(until_ms - since_ms - 15 * MINUTE_MS) < MINUTE_MS  # a quarter of the hour's width
        middle_ms = (since_ms + until_ms) / 2
        assert abs(middle_ms - (pagekit.NOW_MS - 37.5 * MINUTE_MS)) < 2 * MINUTE_MS


def test_a_link_opens_the_trend_at_its_closure(browser: Browser, going: tuple[str, Going]) -> None:
    with looked_at(browser, 390, has_touch=True) as page:
        page.goto(f"{going[0]}/closures?verdict=not met&basin=n1/b1")
        page.click(".row-link >> nth=0")
        page.click("text=See it in the trend")
        page.wait_for_selector(LINE)
        expect(page.locator("#range")).to_contain_text("Tue 3 Mar 2026 12:59:4")
        assert page.locator("#table .row-link").count() == 1


def test_colours_follow_the_preference_at_once(
    browser: Browser, going: tuple[str, Going], wait_until: Callable[..., None]
) -> None:
    """The chart too is drawn anew when light turns to dark."""
    with looked_at(browser, 1280) as page:
        page.goto(f"{going[0]}/basins/n1/b1/trend")
        page.wait_for_selector(LINE)
        colours = f"[...document.querySelectorAll('{LINE}')].map((each) => getComputedStyle(each).stroke)"
        assert "rgb(13, 95, 99)" in page.evaluate(colours)
        page.emulate_media(color_scheme="dark")
        wait_until(lambda: "rgb(127, 199, 196)" in page.evaluate(colours))
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(18, 25, 23)"


def test_keys_are_enough(browser: Browser, going: tuple[str, Going]) -> None:
    """The first key press offers to skip to the content; focus can be seen."""
    with looked_at(browser, 1280) as page:
        page.goto(going[0])
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
        assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Day before"
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_readable_without_scripts(browser: Browser, going: tuple[str, Going]) -> None:
    with looked_at(browser, 390, java_script_enabled=False) as page:
        page.goto(going[0])
        expect(page.locator("body")).to_contain_text("Keep closed. Ready 13:23.")
        expect(page.locator("noscript")).to_be_visible()


def _luminance(colour: str) -> float:
    parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio and relative luminance)."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_pair_of_colours_can_be_told_apart(browser: Browser, going: tuple[str, Going], scheme: str) -> None:
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for lines and shapes that mean something (1.4.11)."""
    names = ("paper", "card", "ink", "soft", "edge", "line", "tint", "band")
    with looked_at(browser, 1280, scheme) as page:
        page.goto(f"{going[0]}/about")
        colours = page.evaluate(
            "(names) => names.map((each) => getComputedStyle(document.documentElement).getPropertyValue('--' + each))",
            list(names),
        )
    of = dict(zip(names, (each.strip() for each in colours), strict=True))
    for text in ("ink", "soft", "line"):
        for ground in ("paper", "card", "tint", "band"):
            assert contrast(of[text], of[ground]) >= 4.5, (text, ground)
    for shape in ("edge", "line", "ink"):
        for ground in ("paper", "card"):
            assert contrast(of[shape], of[ground]) >= 3, (shape, ground)
