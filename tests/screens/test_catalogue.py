"""No page is forgotten: what is looked at is every route of the application."""

from __future__ import annotations

import pytest

from tests.screens.catalogue import NO_PAGES, SCREENS, addresses, page_routes
from tests.screens.watching import Watched


@pytest.mark.parametrize("route", page_routes())
def test_every_page_of_the_application_is_in_the_catalogue(route: str) -> None:
    assert route in SCREENS, f"Give {route} an address in tests/screens/catalogue.py, or say there why it is no page."


def test_what_is_no_page_is_there() -> None:
    assert "/" in page_routes()
    assert not set(NO_PAGES) & set(SCREENS)
    assert len(set(addresses())) == len(addresses())


@pytest.mark.browser
def test_a_page_of_the_catalogue_is_the_one_that_is_meant(watched: Watched) -> None:
    """An address that leads elsewhere, or to a page that says that there is nothing, would be looked at in vain."""
    found = {}
    for address in addresses():
        answer = watched.page.request.get(watched.clinic.address + address)
        found[address] = (answer.status, answer.url == watched.clinic.address + address)
    wrong = {address: was for address, was in found.items() if was != (200, True)}
    assert {address: status for address, (status, _) in wrong.items()} == {
        "/nothing": 404,
        "/closures?verdict=perhaps": 400,
        "/devices/none": 404,
        "/do/teleport": 404,
    }
