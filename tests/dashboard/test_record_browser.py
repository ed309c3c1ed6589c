"""The record's pages in Debian's Chromium, narrow and wide, light and dark: nothing too wide, too small or reported."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pagekit
import pytest
import recorded
from playwright.sync_api import Browser, expect
from test_browser import (  # noqa: F401 - browser is a fixture
    SMALL_TARGETS,
    SMALL_TEXTS,
    SMALLEST_TARGET_PX,
    SMALLEST_TEXT_PX,
    browser,
    looked_at,
)

pytestmark = pytest.mark.browser
PAGES = (
    "/",
    "/basins/n1/b1",
    "/solutions",
    "/fills",
    "/fills/F1",
    "/profiles/typed",
    "/devices",
    "/devices/GS-01",
    "/devices/GS-02",
    "/devices/GS-03",
    "/loads",
    "/loads/L1",
    "/loads/L2",
    "/people",
    "/review",
    "/record",
    "/record/1",
    "/spill",
    "/spill?profile=typed&volume_ml=500",
    "/closures/1",
)


@pytest.fixture
def served(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A server over the clinic with a morning of deeds, at 13:18, and its data."""
    data = pagekit.copied(clinic[0], tmp_path / "data")
    recorded.record(data)
    with pagekit.serving(data, pagekit.rehearsal()) as address:
        yield address, data


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_every_page_of_the_record_fits(browser: Browser, served: tuple[str, Path], width: int, scheme: str) -> None:  # noqa: F811
    with looked_at(browser, width, scheme) as page:
        for each in PAGES:
            page.goto(served[0] + each)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, each
            assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], each
            assert page.evaluate(SMALL_TEXTS, SMALLEST_TEXT_PX) == [], each


def test_what_people_record_reaches_the_page(browser: Browser, served: tuple[str, Path]) -> None:  # noqa: F811
    """A strip is dipped and read elsewhere: the basin becomes ready, without loading the page again."""
    address, data = served
    with looked_at(browser, 390) as page:
        page.goto(address + "/basins/n1/b1")
        page.wait_for_selector('#link[data-state="live"]')
        page.evaluate("window.sameDocument = true")
        beside = page.locator('[data-part="facts"]')
        expect(beside).to_contain_text("due")
        desk = recorded.Morning(data)
        test = desk.do("begin-mec-test", at_ms=pagekit.NOW_MS - 20_000, fill="F1", strip_bottle="S1")
        expect(page.locator('#mec [data-t="note"]')).to_contain_text(f"The dip is on record (MEC test {test})")
        expect(page.locator('#mec [data-t="record"]')).to_have_attribute("href", f"/do/read-mec-test?test={test}")
        expect(beside).to_contain_text("dipped by Tina Test")
        desk.do("read-mec-test", at_ms=pagekit.NOW_MS - 10_000, test=test, result="pass")
        desk.desk.close()
        expect(beside).to_contain_text("passed 13:17")
        expect(page.locator("#mec")).to_be_hidden()
        assert page.evaluate("window.sameDocument") is True
