"""The page of statistics in Debian's Chromium: plots drawn, outside told by shape and word, on paper, at any width."""

from __future__ import annotations

from collections.abc import Iterator

import pagekit
import pytest
from pagekit import NOW_MS, XSS, Span, basin_settings, sensor
from playwright.sync_api import Browser, Page
from test_browser import (  # noqa: F401 - browser is a fixture
    SMALL_TARGETS,
    SMALL_TEXTS,
    SMALLEST_TARGET_PX,
    SMALLEST_TEXT_PX,
    browser,
    looked_at,
)

from collector.settings import Settings
from dashboard.when import DAY_MS
from tests import chromium

pytestmark = pytest.mark.browser
DAYS = 22
ADDRESS = "/statistics?counted=closures"
PLOTS = ["share", "soaks", "basins", "time", "allowance", "coldest"]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Three weeks of a basin that asks for 75 s: eight closures a day of 90 s met, but on the last day none did."""
    data = tmp_path_factory.mktemp("weeks")
    need = {**pagekit.NEED, "contact": "75s"}
    settings = Settings(pagekit.CLINIC, basin=[basin_settings("n1/b1", f"Basin 1 {XSS}", [sensor(1)], "room", **need)])
    player = pagekit.Player(data, settings)
    for day in range(DAYS):
        closure = Span(65 if day == DAYS - 1 else 90, "closed")
        spans = [Span(20, "open"), closure] * 8 + [Span(20, "open")]
        player.play("n1/b1", spans, [sensor(1)], end_ms=NOW_MS - (DAYS - 1 - day) * DAY_MS, stream=f"{day:02d}")
    player.close()
    with pagekit.serving(data, pagekit.rehearsal()) as address:
        yield address


def drawn(page: Page, address: str) -> None:
    page.goto(address + ADDRESS)
    page.wait_for_function("document.querySelectorAll('.plot .main-svg').length >= 6")


@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1280, "light")])
def test_the_page_fits(browser: Browser, served: str, width: int, scheme: str) -> None:  # noqa: F811
    with looked_at(browser, width, scheme) as page:
        drawn(page, served)
        chromium.picture(page, f"statistics-{width}-{scheme}")
        assert page.evaluate("[...document.querySelectorAll('.plot')].map((each) => each.dataset.figure)") == PLOTS
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == []
        assert page.evaluate(SMALL_TEXTS, SMALLEST_TEXT_PX) == []
        sizes = (
            "[...document.querySelectorAll('.plot text')].map((each) => parseFloat(getComputedStyle(each).fontSize))"
        )
        assert min(page.evaluate(sizes)) >= SMALLEST_TEXT_PX


def test_a_day_outside_its_limits_is_told_by_shape_and_word(browser: Browser, served: str) -> None:  # noqa: F811
    with looked_at(browser, 1280) as page:
        drawn(page, served)
        marks = page.evaluate(
            """document.getElementById('plot-share').data.filter((each) => each.mode?.includes('markers'))
               .map((each) => [each.marker.symbol, each.x.length, each.text?.[0] ?? null])"""
        )
        assert marks == [["circle", DAYS - 1, None], ["triangle-up", 1, "above"], ["triangle-down", 0, None]]
        assert page.locator("#plot-share text", has_text="above").is_visible()
        said = page.locator("#plot-share").get_attribute("aria-label") or ""
        assert "8 of 176 closures were not met or unproven (4.5 %); 1 day was outside its limits" in said
        assert "Tue 3 Mar 2026 (so far) above its limit" in said
        page.locator("section:has(#plot-share) summary").press("Enter")
        assert "▲ above its limit" in page.locator("section:has(#plot-share) table tr").last.inner_text()


def test_the_numbers_of_the_plots_are_those_of_the_tables(browser: Browser, served: str) -> None:  # noqa: F811
    with looked_at(browser, 1280) as page:
        drawn(page, served)
        plotted = page.evaluate(
            "document.getElementById('plot-soaks').data.map((each) => each.y.map((one) => one ?? 0))"
        )
        page.locator("section:has(#plot-soaks) summary").click()
        rows = page.locator("section:has(#plot-soaks) tbody tr").all_inner_texts()
        in_table = [[int(cell) for cell in row.split("\t")[2:5]] for row in rows]
        assert [list(each) for each in zip(*plotted, strict=True) if any(each)] == in_table


def test_on_paper_the_tables_are_open_and_the_plots_are_as_wide_as_the_paper(browser: Browser, served: str) -> None:  # noqa: F811
    with looked_at(browser, 1920, "dark") as page:
        drawn(page, served)
        assert page.locator("details.numbers:not([open])").count() > 0
        page.emulate_media(media="print", color_scheme="light")
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        page.wait_for_function("document.querySelector('#plot-share .main-svg').clientWidth === 680")
        assert page.locator("details.numbers:not([open])").count() == 0
        assert page.evaluate("document.getElementById('plot-share').layout.font.color") == "#333"
        page.evaluate("dispatchEvent(new Event('afterprint'))")
        assert page.locator("details.numbers:not([open])").count() > 0
