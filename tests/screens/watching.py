"""A page that is watched: what the browser says of it."""

from __future__ import annotations

from urllib.parse import urlsplit

from playwright.sync_api import BrowserContext, Page

from tests.chromium import WAIT_MS
from tests.screens.furnished import Furnished


class Watched:
    """A page with somebody signed in, and what the browser said of it.

    Attributes:
        page: The page.
        said: What stood in its console since `open` was called last.
        elsewhere: What it asked other hosts for.
    """

    def __init__(self, context: BrowserContext, clinic: Furnished) -> None:
        self.clinic, self.page = clinic, context.new_page()
        self.said: list[str] = []
        self.elsewhere: list[str] = []
        self._own = urlsplit(clinic.address).netloc
        self.page.set_default_timeout(WAIT_MS)
        self.page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        self.page.on("request", lambda request: self._asked(request.url))

    def _asked(self, url: str) -> None:
        if url.startswith("http") and urlsplit(url).netloc != self._own:
            self.elsewhere.append(url)

    def open(self, address: str, width: int = 1280, height: int = 900, scheme: str = "light") -> Page:
        """Go to an address of the clinic."""
        self.said.clear()
        self.elsewhere.clear()
        self.look(width, height, scheme)
        self.page.goto(self.clinic.address + address)
        if self.page.query_selector("#link"):
            self.page.wait_for_selector('#link[data-state="live"]')
        if self.page.query_selector("#chart"):
            self.page.wait_for_selector("#chart .scatterlayer path.js-line", state="attached")
        return self.page

    def look(self, width: int, height: int = 900, scheme: str = "light") -> None:
        """Another size of window, or another scheme, for the page that is open."""
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]

    def complaints(self) -> list[str]:
        """What is wrong by the browser's own word; the answers to questions that were wrong themselves are not."""
        return [each for each in self.said if "of 4" not in each] + self.elsewhere
