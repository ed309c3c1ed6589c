"""Shared by the tests of the screens: one furnished clinic, server and Chromium for each module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext

from tests import applications, chromium
from tests.screens.furnished import EVERYBODY, PINS, Furnished, open_
from tests.screens.watching import Watched

applications.hasten()


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Furnished]:
    """The furnished clinic; what one test records is there for the next. It goes with its module: it has threads."""
    with open_(tmp_path_factory.mktemp("screens") / "data") as furnished:
        yield furnished


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a window."""
    chromium.wanted()
    with chromium.launched() as launched:
        yield launched


@pytest.fixture(scope="module")
def signed_in(browser: Browser, clinic: Furnished) -> Iterator[BrowserContext]:
    """A browser at which somebody of every role is signed in."""
    context = browser.new_context()
    badge = {"badge": clinic.house.badges[EVERYBODY], "pin": PINS[EVERYBODY]}
    answer = context.request.post(f"{clinic.address}/api/sign-in", data=badge)
    assert answer.ok, answer.text()
    yield context
    context.close()


@pytest.fixture(scope="module")
def watched(signed_in: BrowserContext, clinic: Furnished) -> Watched:
    """One page for all: a new one for each test would take longer than the test."""
    return Watched(signed_in, clinic)
