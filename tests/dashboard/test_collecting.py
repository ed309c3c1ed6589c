"""What pages say of the collector: that it does not run or cannot store, on every page, and what else is wrong."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pagekit
import pytest
from litestar.testing import TestClient
from playwright.sync_api import expect

from collector.conditions import Condition
from collector.intake import Arrived
from collector.settings import Settings
from collector.status import OLD_MS, Seen, Status, write
from dashboard.app import build_app
from dashboard.collecting import said
from host.clock import boot_id, boottime_ms
from soak.quantity import utc_text
from soak.wire import Clock, State, Topic, encode
from tests import chromium

PAGES = ("/", "/closures", "/site", "/about", "/nothing", "/basins/n1/b1")
GONE = "The collector does not run, or cannot write its data folder: nothing new is stored. "
TODO = " Nodes keep their readings. Start the collector; if it runs, look at its messages and at the disk."
FULL = Condition("disk-full", "", "database or disk is full, SQLITE_FULL", pagekit.NOW_MS)
SILENT = Condition("node-silent", "n2", "for more than 30 s", pagekit.NOW_MS)


def _status(*conditions: Condition, age_ms: int = 0, running: bool = True, left_out: int = 0) -> Status:
    beat_ms = boottime_ms() - age_ms
    stored_ms = pagekit.NOW_MS - 4_000
    return Status("e", "r", running, boot_id(), beat_ms, pagekit.NOW_MS - age_ms, stored_ms, list(conditions), left_out)


@pytest.fixture
def data_dir(clinic: tuple[Path, object], tmp_path: Path) -> Path:
    return pagekit.copied(clinic[0], tmp_path / "data")


def _pages(data_dir: Path) -> dict[str, str]:
    app = build_app(data_dir, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as client:
        return {address: client.get(address).text for address in PAGES}


def _banner(page: str) -> str:
    """What the banner says; empty while it is hidden."""
    tag, _, rest = page.partition('id="collector"')[2].partition(">")
    return "" if "hidden" in tag else rest.partition("<")[0]


@pytest.mark.parametrize(
    ("age_ms", "running", "problem"),
    [
        (None, True, "There is no collector.status in its data folder."),
        (0, False, "It was stopped."),
        (OLD_MS + 4_500, True, "It has said nothing for more than 10 s."),
        (3_700_000, True, "It has said nothing for 61 min."),
    ],
    ids=["missing", "stopped", "old", "aged"],
)
def test_every_page_says_that_the_collector_is_not_there(
    data_dir: Path, age_ms: int | None, running: bool, problem: str
) -> None:
    if age_ms is not None:
        assert write(data_dir, _status(age_ms=age_ms, running=running))
    for page in _pages(data_dir).values():
        assert _banner(page) == f"{GONE}{problem}{TODO}"


def test_the_site_shows_what_a_node_says_is_wrong_and_what_it_gave_up_or_refused(tmp_path: Path) -> None:
    player = pagekit.Player(tmp_path, Settings("Mill"))
    clock = Clock(60_000, utc_text(pagekit.NOW_MS), synced=True)
    node = State(
        True,
        "0.1.0",
        pagekit.boot_id("a"),
        clock,
        outbox=7,
        dropped=12,
        refused={"not-json": 3, "time": 1},
        troubles=["disk full", "edges b1"],
    )
    player.intake.take([Arrived(Topic.STATE.of("n1"), encode(node))])
    player.close()
    text = " ".join(re.sub(r"<[^>]*>", " ", _pages(tmp_path)["/site"]).split())
    assert "n1 look at this It gave readings up for lack of room" in text
    assert "It says: disk full. It says: edges b1." in text
    assert "7 readings 12 given up synchronised" in text
    assert "Messages that it did not take in since its start: not-json 3, time 1" in text


@pytest.mark.parametrize("content", [b"", b"{}", b"\x00" * 4_096, b" " * 4_096])
def test_a_status_that_is_damaged_is_not_believed(data_dir: Path, content: bytes) -> None:
    (data_dir / "collector.status").write_bytes(content)
    for page in _pages(data_dir).values():
        assert _banner(page) == f"{GONE}collector.status in its data folder is damaged.{TODO}"


def test_while_all_is_well_no_page_has_a_banner(data_dir: Path) -> None:
    write(data_dir, _status())
    pages = _pages(data_dir)
    assert [_banner(page) for page in pages.values()] == [""] * len(PAGES)
    assert "It runs and stores." in pages["/site"]


def test_a_collector_that_cannot_store_is_told_on_every_page_and_the_rest_on_one(data_dir: Path) -> None:
    write(data_dir, _status(FULL, SILENT, left_out=3))
    pages = _pages(data_dir)
    for page in pages.values():
        assert _banner(page) == f"Nothing new is stored. {FULL.text}"
    assert "No reading from node n2 (for more than 30 s)." in pages["/site"]
    assert "And 3 more; the collector’s messages have them all." in pages["/site"]
    assert "n2 (for more" not in pages["/"]


def test_the_api_says_the_same(data_dir: Path) -> None:
    write(data_dir, _status(FULL, SILENT))
    with TestClient(build_app(data_dir, rehearsal=pagekit.rehearsal()), base_url="http://127.0.0.1:8080") as client:
        site = client.get("/api/site").json()
    assert site["not_stored"] == f"Nothing new is stored. {FULL.text}"
    assert [(each["code"], each["subject"], each["text"], each["since_ms"]) for each in site["conditions"]] == [
        (each.code, each.subject, each.text, each.since_ms) for each in (FULL, SILENT)
    ]


def test_what_a_collector_said_last_explains_why_it_is_gone() -> None:
    found = said(Seen(_status(FULL, running=False), "It was stopped."))
    assert found.banner == f"{GONE}It was stopped.{TODO} The last it said: {FULL.text}"
    assert found.conditions == []  # whether they still hold nobody knows


def test_a_condition_of_a_newer_version_stands_for_itself() -> None:
    found = said(Seen(_status(Condition("tilted", "b1", "by <b>9</b>", 0)), ""))
    assert [each.text for each in found.conditions] == ["tilted b1 (by <b>9</b>)."]


# For real


@pytest.fixture
def collector(tmp_path: Path, broker: Callable[[], Any]) -> Iterator[tuple[subprocess.Popen[bytes], Path, Any]]:
    """A real collector, its data folder, and its broker."""
    one = broker()
    settings = tmp_path / "collector.toml"
    settings.write_text(
        f'site = "{pagekit.CLINIC}"\nsilent_after = "5s"\n[broker]\nport = {one.port}\n[[basin]]\nnode = "n1"\n'
        'name = "b1"\nlabel = "Basin 1"\n[basin.sensors."28-00000000000a"]\n'
    )
    data_dir = tmp_path / "data"
    program = [sys.executable, "-m", "soakledger", "collector", "--settings", str(settings), "--data", str(data_dir)]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(program, stdout=log, stderr=log)
    yield process, data_dir, one
    process.kill()
    process.wait(10)


@pytest.mark.browser
@pytest.mark.broker
def test_an_open_page_hears_that_the_collector_was_killed(
    collector: tuple[subprocess.Popen[bytes], Path, Any], wait_until: Callable[..., None]
) -> None:
    """Conditions on the site page, the banner without loading again."""
    chromium.wanted()
    process, data_dir, broker = collector
    wait_until((data_dir / "collector.status").exists)
    with pagekit.serving(data_dir) as address, chromium.launched() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(f"{address}/")
        expect(page.locator("#collector")).to_be_hidden()

        def says(words: str) -> bool:
            page.wait_for_timeout(250)  # the server needs the processor, too
            return words in httpx.get(f"{address}/site").text

        wait_until(lambda: says("No reading from node n1"))
        broker.stop()
        wait_until(lambda: says("does not reach the broker"))
        page.goto(f"{address}/site")
        _pictures(page, "site-conditions")
        page.goto(f"{address}/")
        expect(page.locator("#collector")).to_be_hidden()
        process.send_signal(signal.SIGKILL)
        banner = page.locator("#collector")
        expect(banner).to_be_visible(timeout=30_000)  # the page was not loaded again
        expect(banner).to_contain_text("It has said nothing for ")
        _pictures(page, "collector-gone")


def _pictures(page: Any, name: str) -> None:
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        for width in (390, 1280):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            chromium.picture(page, f"{name}-{width}-{scheme}")


def test_a_folder_without_data_says_both(tmp_path: Path) -> None:
    for page in _pages(tmp_path).values():
        assert _banner(page).startswith(f"{GONE}There is no collector.status in its data folder.")
    pagekit.Player(tmp_path, Settings("Mill")).close()
