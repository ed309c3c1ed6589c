"""No page is forgotten: what is looked at is every route of the application."""

from __future__ import annotations

from pathlib import Path

import pytest
from litestar.testing import TestClient

from tests.screens.catalogue import NO_PAGES, SCREENS, addresses, page_routes
from tests.screens.furnished import EVERYBODY, furnish
from tests.screens.test_every_form import HOST, enter

WRONG = {"/nothing": 404, "/closures?verdict=perhaps": 400, "/devices/none": 404, "/do/teleport": 404}


@pytest.mark.parametrize("route", page_routes())
def test_every_page_of_the_application_is_in_the_catalogue(route: str) -> None:
    assert route in SCREENS, f"Give {route} an address in tests/screens/catalogue.py, or say there why it is no page."


def test_what_is_no_page_is_there() -> None:
    assert "/" in page_routes()
    assert not set(NO_PAGES) & set(SCREENS)
    assert len(set(addresses())) == len(addresses())


def test_a_page_of_the_catalogue_is_the_one_that_is_meant(tmp_path: Path) -> None:
    """An address that leads elsewhere, or to a page that says that there is nothing, would be looked at in vain."""
    house, _ = furnish(tmp_path / "data")
    with TestClient(house.app(), base_url=HOST) as browser:
        enter(browser, house, EVERYBODY)
        found = {address: browser.get(address, follow_redirects=False).status_code for address in addresses()}
    assert {address: status for address, status in found.items() if status != 200} == WRONG
