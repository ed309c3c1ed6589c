"""axe-core finds nothing on any page: narrow and light or wide and dark, in turns; the main pages in both."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.screens.catalogue import addresses, main_addresses
from tests.screens.watching import Watched

pytestmark = pytest.mark.browser
NARROW, WIDE = 360, 1920
PAIRS = ((NARROW, "light"), (WIDE, "dark"))
RULES: dict[str, Any] = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
    "preload": False,
}


def violations(watched: Watched) -> list[str]:
    """Of each rule that does not hold: its name, the first place, what would be right."""
    found = Axe().run(watched.page, options=RULES).response
    return [
        f"{each['id']}: {len(each['nodes'])} x {each['nodes'][0]['html'][:160]} {each['nodes'][0]['failureSummary']}"
        for each in found["violations"]
    ]


@pytest.mark.parametrize(("turn", "address"), list(enumerate(addresses())))
def test_axe_finds_nothing(watched: Watched, turn: int, address: str) -> None:
    watched.open(address)
    pairs = PAIRS if address in main_addresses() else (PAIRS[turn % 2],)
    found = []
    for width, scheme in pairs:
        watched.look(width, 900, scheme)
        found += [f"{width} px, {scheme}: {each}" for each in violations(watched)]
    assert found == []


def test_axe_finds_what_is_wrong(watched: Watched) -> None:
    """It looks at pages whose policy forbids scripts of others, and would say so."""
    page = watched.open("/about")
    page.evaluate("document.querySelector('main').innerHTML = '<img src=x><p id=pale>pale</p>'")
    page.evaluate("document.getElementById('pale').style.color = '#ddd'")
    assert {each.partition(":")[0] for each in violations(watched)} >= {"image-alt", "color-contrast"}
