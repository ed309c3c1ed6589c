"""Debian's Chromium without a window, for tests, pictures and benches."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

_ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
# The shell is the same browser without what a window needs, and takes 40 % less of the processor.
_PROGRAM = shutil.which("chromium-headless-shell") or shutil.which("chromium") or "/usr/bin/chromium"
ARTEFACTS = Path(__file__).parent / "artefacts"
WAIT_MS = 60_000
"""How long a busy machine may take to show what a test waits for."""
expect.set_options(timeout=WAIT_MS)


@contextmanager
def launched() -> Iterator[Browser]:
    """A browser, and the end of it.

    While one is open nothing else in its process can run an event loop in the main thread: not a second one of these,
    not `asyncio.run`. So tests have one for each module, never for a session.
    """
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=_PROGRAM, args=list(_ARGUMENTS))
        yield browser
        browser.close()


def wanted() -> None:
    """Skip or fail a test that cannot have a browser."""
    if os.environ.get("SOAKLEDGER_NO_BROWSER") == "1":
        pytest.skip("SOAKLEDGER_NO_BROWSER=1: pages are not looked at in a browser")
    if not Path(_PROGRAM).exists():
        pytest.fail("Chromium is missing: apt-get install chromium, or set SOAKLEDGER_NO_BROWSER=1 to leave these out.")


def picture(page: Page, name: str) -> None:
    """Keep a picture of the whole page in tests/artefacts, to be looked at by a person, with SOAKLEDGER_PICTURES=1.

    No test looks at pictures, and taking one of every page takes longer than what is measured there.
    """
    if os.environ.get("SOAKLEDGER_PICTURES") == "1":
        ARTEFACTS.mkdir(exist_ok=True)
        page.screenshot(path=ARTEFACTS / f"{name}.png", full_page=True)
