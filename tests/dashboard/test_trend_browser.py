"""The trend in Debian's Chromium: its picture, its table, its rows where closures are many."""

from __future__ import annotations

import re
from pathlib import Path

import pagekit
from playwright.sync_api import Browser, expect
from test_browser import LINE, MINUTE_MS, Clinic, asked_for, browser, looked_at

__all__ = ["browser"]


def test_zoom_picture_and_table(browser: Browser, clinic: Clinic, tmp_path: Path) -> None:
    """A day, then closer: the server is asked for detail, the table has what is drawn, the picture is a PNG."""
    with pagekit.serving(clinic[0], pagekit.rehearsal()) as address, looked_at(browser, 1280) as page:
        page.goto(f"{address}/basins/n1/b1/trend?last=24h")
        page.wait_for_selector(LINE)
        expect(page.locator("#range")).to_contain_text("19.14 °C to 21.36 °C. Drawn from lowest and highest")
        with page.expect_request(lambda request: "/trend?since=" in request.url) as request:
            page.click('[data-move="closer"]')
        since_ms, until_ms = asked_for(request.value.url)
        assert abs(until_ms - since_ms - 12 * 60 * MINUTE_MS) < MINUTE_MS
        expect(page).to_have_url(re.compile(f"since={since_ms}&until={until_ms}"))
        page.click('[data-last="8h"]')
        expect(page.locator("#range")).to_contain_text("each minute")
        expect(page.locator(".temperatures tbody tr")).to_have_count(9)  # eight hours touch nine
        cells = page.locator(".temperatures tbody td:nth-child(2)").all_inner_texts()
        lowest = min(float(cell.split()[0]) for cell in cells if "°C" in cell)
        assert lowest == 19.14
        drawn = page.evaluate(
            "Math.min(...document.getElementById('chart').data.filter((each) => each.name?.startsWith('28-'))"
            ".flatMap((each) => each.y).filter((y) => y !== null))"
        )
        assert round(drawn, 2) == lowest
        for width in (390, 1920, 1280):  # the drawing has the room that there is
            page.set_viewport_size({"width": width, "height": 800})
            room = page.evaluate("document.getElementById('chart').clientWidth")
            expect(page.locator("#chart svg.main-svg").first).to_have_attribute("width", str(room))
        with page.expect_download() as download:
            page.click("#picture")
        picture = tmp_path / "trend.png"
        download.value.save_as(picture)
        assert re.fullmatch(r"n1-b1-2026-03-03-\d\d-\d\d\.png", download.value.suggested_filename)
        content = picture.read_bytes()
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        width, height = (int.from_bytes(content[at : at + 4], "big") for at in (16, 20))
        assert (width, height) == (2 * 1224, 2 * 500)
