"""What people record reaches a page that is open, in Debian's Chromium."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pagekit
import pytest
import recorded
from playwright.sync_api import Browser, expect
from test_browser import browser, looked_at  # noqa: F401 - browser is a fixture

pytestmark = pytest.mark.browser


@pytest.fixture
def served(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A server over the clinic with a morning of deeds, at 13:18, and its data."""
    data = pagekit.copied(clinic[0], tmp_path / "data")
    recorded.record(data)
    with pagekit.serving(data, pagekit.rehearsal()) as address:
        yield address, data


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
