"""The page of a soak on paper: no navigation, the verdict in words and as its pattern, findings and times."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page

from tests.screens import paper
from tests.screens.watching import Watched

pytestmark = pytest.mark.browser
SOAKS = {"/closures/1": "met", "/closures/2": "not met", "/closures/3": "unproven"}
DARK = """() => {
  const [red, green, blue] = getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number);
  return red + green + blue < 600;
}"""
NO_PAPER = ("nav", ".skip", ".who", ".actions", "button", ".alarm-bar")


def on_paper(watched: Watched, address: str) -> Page:
    """The page as it is printed, by somebody whose screen is dark."""
    page = watched.open(address, scheme="dark")
    page.emulate_media(media="print", color_scheme="dark")
    return page


@pytest.mark.parametrize(("address", "verdict"), SOAKS.items())
def test_a_soak_is_printed_as_what_it_is(watched: Watched, address: str, verdict: str) -> None:
    page = on_paper(watched, address)
    try:
        assert [each for each in NO_PAPER if page.locator(each).filter(visible=True).count()] == []
        assert page.evaluate(DARK) is False
        heading = page.locator("h1").first
        assert verdict in heading.inner_text()
        swatch = heading.locator(".swatch")
        assert swatch.get_attribute("data-verdict") == verdict
        assert swatch.evaluate("(each) => getComputedStyle(each).printColorAdjust") == "exact"
        read = re.sub(r"\s+", "", paper.words(page.pdf(format="A4")))
        for wanted in (verdict, "Findings", "Lid closed", "Coldest", "Times"):
            assert wanted.replace(" ", "") in read, wanted
        assert "Skiptothecontent" not in read
    finally:
        page.emulate_media(media="screen")
