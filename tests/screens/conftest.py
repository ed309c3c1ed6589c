"""Shared by the tests of the screens: one furnished clinic, one server, one Chromium for a process."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, sync_playwright

from tests.screens.furnished import EVERYBODY, PINS, Furnished, open_
from tests.screens.watching import Watched

ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def program() -> str:
    """Debian's Chromium."""
    return shutil.which("chromium") or "/usr/bin/chromium"


@pytest.fixture(scope="session")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Furnished]:
    """The furnished clinic; what one test records is there for the next."""
    with open_(tmp_path_factory.mktemp("screens") / "data") as furnished:
        yield furnished


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a window."""
    if os.environ.get("SOAKLEDGER_NO_BROWSER") == "1":
        pytest.skip("SOAKLEDGER_NO_BROWSER=1: pages are not looked at in a browser")
    if not Path(program()).exists():
        pytest.fail("Chromium is missing: apt-get install chromium, or set SOAKLEDGER_NO_BROWSER=1 to leave these out.")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=program(), args=list(ARGUMENTS))
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def signed_in(browser: Browser, clinic: Furnished) -> Iterator[BrowserContext]:
    """A browser at which somebody of every role is signed in."""
    context = browser.new_context()
    badge = {"badge": clinic.house.badges[EVERYBODY], "pin": PINS[EVERYBODY]}
    answer = context.request.post(f"{clinic.address}/api/sign-in", data=badge)
    assert answer.ok, answer.text()
    yield context
    context.close()


@pytest.fixture(scope="session")
def watched(signed_in: BrowserContext, clinic: Furnished) -> Watched:
    """One page for all: a new one for each test would take longer than the test."""
    return Watched(signed_in, clinic)
