"""The pages say how nodes were commissioned: when, by whom, what failed or was left out; a note where none was."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from collector.intake import Arrived
from dashboard.app import build_app
from soak.quantity import utc_text
from soak.wire import Clock, CommissionCheck, Commissioned, State, Topic, encode

Client = TestClient[Litestar]
CHECKS = [
    CommissionCheck("bus", "good", "1 sensor: 28-000000000001."),
    CommissionCheck("lid", "wrong", "its switch never moved: it reads open for ever.", "b1"),
    CommissionCheck("buzzer", "skipped", "not tried."),
    CommissionCheck("camera", "half good", pagekit.XSS),
]


def says(player: pagekit.Player, node: str, commissioned: Commissioned | None) -> None:
    clock = Clock(70_000, utc_text(player.now_ms), synced=True)
    state = State(True, "0.2.0", pagekit.boot_id("a"), clock, commissioned=commissioned)
    player.intake.take([Arrived(Topic.STATE.of(node), encode(state))])


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """Three nodes: one commissioned with things left open, one in full, one never."""
    data = tmp_path_factory.mktemp("commissioned") / "data"
    player = pagekit.Player(data)
    at = utc_text(player.now_ms - 2 * 86_400_000)
    says(player, "n1", Commissioned("1" * 32, at, True, "R. Castell", "0.2.0", CHECKS, {"broker-answer-ms": 14}))
    says(player, "n2", Commissioned("2" * 32, at, False, "Ada & Co", "0.2.0", CHECKS[:1]))
    says(player, "n3", None)
    player.close()
    app = build_app(data, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as client:
        yield client


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html))


def test_the_sites_health_says_it_of_each_node(browser: Client) -> None:
    html = browser.get("/site").text
    text = words(html)
    assert "n1 Commissioned on Sun 1 Mar 2026 by R. Castell (as typed there), 4 checks. Record" in text
    assert "lid of basin b1: wrongIts switch never moved: it reads open for ever." in text
    assert "buzzer: skippedNot tried." in text
    assert "1-Wire bus: good" not in text
    assert (
        "n2 Commissioned on Sun 1 Mar 2026 by Ada &amp; Co (as typed there), 1 check. Its clock was not synchronised: "
        "the date may be wrong. Record" in text
    )
    assert "n3 Never commissioned. When no device is in its basins, run soakledger commission on it." in text
    assert pagekit.XSS not in html


def test_its_record_says_it_in_words(browser: Client) -> None:
    link = re.search(r'/record/(\d+)">Record', browser.get("/site").text)
    assert link
    html = browser.get(f"/record/{link[1]}").text
    text = words(html)
    assert "A node was commissioned" in text
    assert "Commissioned on Sun 1 Mar 2026 by R. Castell (as typed there), 4 checks." in text
    assert "1-Wire busgood1 sensor: 28-000000000001." in text.replace("> <", "")
    assert "camera" in text
    assert "Measured: broker-answer-ms 14." in text
    assert pagekit.XSS not in html
    other = int(link[1]) - 1
    assert other == 0 or "Commissioned on" not in words(browser.get(f"/record/{other}").text)
