"""The page of one basin in Chromium: a reload in mid-soak, a lost connection, timers, and every size it is read at."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs
from zoneinfo import ZoneInfo

import basinkit
import pagekit
import pytest
from pagekit import Going
from playwright.sync_api import Browser, Page, expect
from test_browser import (
    SMALL_TARGETS,
    SMALL_TEXTS,
    SMALLEST_TARGET_PX,
    SMALLEST_TEXT_PX,
    WAIT_MS,
    browser,
    looked_at,
)

from collector.record.all import DEEDS
from collector.record.deed import Deed
from collector.record.rounds.rinses import RecordRinses
from collector.record.solutions.mec import BeginMecTest
from dashboard.form_reading import read
from dashboard.forms import fields, prefilled
from tests import chromium

pytestmark = pytest.mark.browser
__all__ = ["browser"]
Clinic = tuple[Path, dict[str, pagekit.Track]]
GLOVES_PX, APART_PX = 72, 8
BUTTONS = """() => [...document.querySelectorAll('#basin .act')].filter((each) => each.checkVisibility())
  .map((each) => [each.textContent.trim(), each.getBoundingClientRect()])
  .map(([text, box]) => [text, box.left, box.top, box.right, box.bottom])"""


@pytest.fixture(scope="module")
def data(clinic: Clinic, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = pagekit.copied(clinic[0], tmp_path_factory.mktemp("basin") / "data")
    basinkit.furnish(folder)
    return folder


@pytest.fixture(scope="module")
def served(data: Path, clinic: Clinic) -> Iterator[str]:
    """A server over basins that go on, from 13:18."""
    played = pagekit.rehearsal()
    with Going(data, clinic[1], played), pagekit.serving(data, played) as address:
        yield address


def left_s(page: Page) -> int:
    minutes, seconds = page.inner_text('[data-b="clock"]').split(":")
    return int(minutes) * 60 + int(seconds)


def at_s(page: Page) -> int:
    """The time of the state that the page shows, seconds of the day."""
    hours, minutes, seconds = (page.get_attribute("#basin", "data-at") or "").split(":")
    return (int(hours) * 60 + int(minutes)) * 60 + int(seconds)


def live(page: Page) -> None:
    expect(page.locator("#link")).to_contain_text("live · ", timeout=WAIT_MS)


def test_the_countdown_is_right_after_a_reload_in_mid_soak(browser: Browser, served: str) -> None:
    """The contact time ends at one moment, whenever the page is asked: time of day plus time left stays the same."""
    with looked_at(browser, 1280) as page:
        page.goto(f"{served}/basins/{basinkit.SOAKING}")
        live(page)
        ends_s = at_s(page) + left_s(page)
        page.reload()
        live(page)
        expect(page.locator('[data-b="sentence"]')).to_contain_text("Keep closed. Ready 13:2")
        assert abs(at_s(page) + left_s(page) - ends_s) <= 2  # two roundings to whole seconds
        before = page.inner_text('[data-b="clock"]')
        expect(page.locator('[data-b="clock"]')).not_to_have_text(before)


def test_a_lost_connection_strikes_what_is_shown(browser: Browser, data: Path) -> None:
    """The server ends: the sentence stands there as a fact no longer, a timer goes on counting."""
    with looked_at(browser, 1280, but="net::ERR_") as page:
        with pagekit.serving(data, pagekit.rehearsal()) as address:
            page.goto(f"{address}/basins/{basinkit.NOT_READY}#rinse")
            live(page)
            page.click('#rinse [data-t="start"]')
        expect(page.locator('[data-b="veil"]')).to_be_visible(timeout=WAIT_MS)
        expect(page.locator('[data-b="veil-title"]')).to_have_text(re.compile(r"Not live since 13:\d\d:\d\d"))
        expect(page.locator('[data-b="as-of"]')).to_contain_text("not live any more")
        expect(page.locator('[data-b="sentence"]')).not_to_be_visible()
        count = page.locator('#rinse [data-t="count"]')
        before = count.inner_text()
        expect(count).not_to_have_text(before)


def test_a_strip_is_timed_across_a_reload_and_a_wrong_clock(browser: Browser, served: str) -> None:
    """Five seconds until it may be read: the tablet's clock is a day off, and the page is loaded again meanwhile."""
    with looked_at(browser, 800) as page:
        page.add_init_script("const real = Date.now; Date.now = () => real() + 86400000;")
        page.goto(f"{served}/basins/{basinkit.NOT_READY}")
        live(page)
        page.click('[data-opens="mec"]')
        expect(page.locator("#mec")).to_be_focused()
        expect(page.locator('#mec [data-t="say"]')).to_contain_text("dip 1 s, read 5 s to 1 min after taking it out")
        page.click('#mec [data-t="start"]')
        expect(page.locator("#mec")).to_have_attribute("data-phase", "wait", timeout=WAIT_MS)
        window = re.search(r"from (\S+) to (\S+)\.", page.inner_text('#mec [data-t="say"]'))
        assert window
        page.reload()
        expect(page.locator("#mec")).to_be_visible()
        expect(page.locator('#mec [data-t="say"]')).to_have_text(
            f"Read the strip now, by {window[2]}, against its bottle’s own chart.", timeout=WAIT_MS
        )
        assert window[1].startswith("13:")  # the site's time of day, not the browser's
        expect(page.locator("#mec")).to_contain_text("This timer belongs to this tablet")
        address = page.get_attribute('#mec [data-t="record"]', "href") or ""
        deed = deed_of(address)
        assert isinstance(deed, BeginMecTest)
        assert (deed.fill, deed.strip_bottle, deed.reason) == ("F1", "S1", "Dipped at the basin and timed there.")
        assert pagekit.NOW_MS < (deed.dipped_ms or 0) < pagekit.NOW_MS + 600_000
        page.click("#mec summary")
        page.click('#mec [data-t="stop-now"]')
        expect(page.locator("#mec")).to_have_attribute("data-phase", "idle")
        assert page.evaluate("localStorage.getItem('soakledger-timer-mec n1/b1')") is None


def deed_of(address: str, **besides: str) -> Deed:
    """What a form says that is opened with this address, with what a person fills in besides."""
    path, _, said = address.partition("?")
    kind = DEEDS[path.removeprefix("/do/")]
    typed = prefilled({name: text for name, (text,) in parse_qs(said).items()}, fields(kind))
    return read(
        kind, fields(kind), {**typed, **{name: [text] for name, text in besides.items()}}, ZoneInfo("Europe/Berlin")
    )


def test_three_rinses_lead_to_the_form_with_their_times(browser: Browser, data: Path) -> None:
    """A tap for each, here sixty times faster: each has had its least time. Nothing met was taken out, so no device."""
    played = pagekit.rehearsal(speed=60)
    with pagekit.serving(data, played) as address, looked_at(browser, 390) as page:
        page.goto(f"{address}/basins/{basinkit.NOT_READY}#rinse")
        start, say = page.locator('#rinse [data-t="start"]'), page.locator('#rinse [data-t="say"]')
        for rinse in (1, 2, 3):
            expect(start).to_have_text(f"Start rinse {rinse} of 3", timeout=WAIT_MS)
            start.click()
        expect(say).to_have_text("All 3 rinses have had their time. Dry it, and record the rinses.", timeout=WAIT_MS)
        expect(page.locator('#rinse [data-t="stop"]')).to_be_visible()
        form = page.get_attribute('#rinse [data-t="record"]', "href") or ""
        deed = deed_of(form, devices="GS-03", fresh_water="yes")
    assert isinstance(deed, RecordRinses)
    assert [each.ended_ms - each.began_ms for each in deed.rinses] == [60_000] * 3
    assert pagekit.NOW_MS < deed.rinses[0].began_ms < deed.rinses[-1].ended_ms < pagekit.NOW_MS + 3_600_000
    assert deed.reason == "Timed at the basin."


@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [(1280, 800, "light"), (800, 1280, "dark"), (640, 400, "dark")],
)
def test_every_state_fits(browser: Browser, served: str, width: int, height: int, scheme: str) -> None:
    """Nothing sideways, nothing too small; what gloves press is large and apart. 640 x 400 is 1280 x 800 at 200 %."""
    with looked_at(browser, width, scheme) as page:
        page.set_viewport_size({"width": width, "height": height})
        for name, address in (
            ("soaking", basinkit.SOAKING),
            ("met", basinkit.MET),
            ("not-ready", f"{basinkit.NOT_READY}#mec"),
            ("no-temperature", "n2/b2"),
            ("no-requirement", "n3/b1"),
        ):
            page.goto(f"{served}/basins/{address}")
            live(page)
            chromium.picture(page, f"basin-{name}-{width}-{scheme}")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
            assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], name
            assert page.evaluate(SMALL_TEXTS, SMALLEST_TEXT_PX) == [], name
            buttons = page.evaluate(BUTTONS)
            assert all(bottom - top >= GLOVES_PX for _, _, top, _, bottom in buttons), buttons
            assert too_near(buttons) == [], name


def too_near(buttons: list[tuple[str, float, float, float, float]]) -> list[tuple[str, str]]:
    """Pairs that are less than a finger's slip apart."""
    found = []
    for index, (one, left, top, right, bottom) in enumerate(buttons):
        for other, left2, top2, right2, bottom2 in buttons[index + 1 :]:
            across, down = max(left2 - right, left - right2), max(top2 - bottom, top - bottom2)
            if max(across, down) < APART_PX - 0.5:
                found.append((one, other))
    return found
