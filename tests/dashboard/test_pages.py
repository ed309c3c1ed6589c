"""The pages: what they show, what protects them, what they say when something is wrong."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient
from pagekit import NEED, XSS, Span, basin_settings, sensor

from collector.settings import Settings
from dashboard.app import build_app
from dashboard.assets import assets, style_ids

Client = TestClient[Litestar]
PAGES = ("/", "/basins/n1/b1", "/basins/n1/b1/trend", "/closures", "/closures/1", "/site", "/about")


def page(client: Client, address: str, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"].startswith("text/html")
    return answer.text


def words(html: str) -> str:
    """What a person reads, on one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_one_basin(fresh: Client) -> None:
    text = words(page(fresh, "/basins/n2/b1"))
    assert "12 min at 20 °C or more" in text
    assert sensor(3) in text
    assert sensor(4) in text
    assert "Soak met. Rinse next." in text
    assert "in progress: 13 min 9 s of 12 min proven" in words(page(fresh, "/basins/n2/b1/trend"))


def test_the_list_and_its_filters(client: Client) -> None:
    everything = page(client, "/closures")
    assert everything.count('class="row-link"') == 22
    failed = page(client, "/closures?verdict=not met&basin=n1/b1&day=2026-03-03")
    assert failed.count('class="row-link"') == 3
    assert '<option value="n1/b1" selected>Basin 1</option>' in failed
    assert "Down to 19.14 °C; the minimum is 20 °C." in failed
    assert "Nothing fits these filters" in page(client, "/closures?day=2026-03-02")
    assert "Past the end of the list" in page(client, "/closures?page=7")


def test_short_closures_stand_back(client: Client) -> None:
    """Nineteen seconds with the lid on: listed, but not as loud as a soak."""
    rows = re.findall(r'<tr class="quiet">.*?</tr>', page(client, "/closures"), re.DOTALL)
    assert len(rows) == 4
    assert all("19 s" in row for row in rows)


def test_one_closure(client: Client) -> None:
    closure = client.get("/api/closures?basin=n1/b1&verdict=not met&limit=1").json()["closures"][0]
    text = words(page(client, f"/closures/{closure['id']}"))
    assert "not met · opened at 9 min 10 s" in text
    assert "9 min 10 s of 12 min proven without a break." in text
    assert "A device that was in it is not proven disinfected: reprocess." in text
    assert re.search(r"Lid closed Tue 3 Mar 2026 13:04:49.6 \+01:00 seen", text)
    assert "Node’s clock synchronised" in text
    assert f"since={closure['closed_at_ms'] - 300_000}&amp;until=" in page(client, f"/closures/{closure['id']}")


def test_a_met_closure_is_never_plain_go(client: Client) -> None:
    met = client.get("/api/closures?verdict=met&limit=1").json()["closures"][0]
    text = words(page(client, f"/closures/{met['id']}"))
    assert "Soak met, rinse next. That a device was in it, wholly under and free of bubbles, is not measured." in text


def test_an_unsynchronised_clock_is_told(tmp_path: Path) -> None:
    player = pagekit.Player(tmp_path, Settings("Mill", basin=[basin_settings("n1/b1", "Basin 1", [sensor(1)], **NEED)]))
    player.play("n1/b1", [Span(10, "open"), Span(90, "closed"), Span(10, "open")], [sensor(1)], synced=False)
    player.close()
    with TestClient(build_app(tmp_path, rehearsal=pagekit.rehearsal()), base_url="http://127.0.0.1") as client:
        assert "not synchronised: times of day may be off, durations hold" in page(client, "/closures/1")


def test_the_site(fresh: Client) -> None:
    text = words(page(fresh, "/site"))
    assert "not-utf-8 1, wrong-shape 1." in text
    assert "byte 0 is not UTF-8." in text
    assert (
        "n3 good 13:18 up 0 readings synchronised 0.0 s off the collector’s 21 GB of 31 GB free "
        "At this rate (63 GB in 30 days) a card rated at 20 TB lasts about 25 years. none 0.1.0"
    ) in text
    assert "Backup look at this No backup is on record." in text
    assert "Collector broken The collector does not run" in text


def test_what_it_is_not(client: Client) -> None:
    text = words(page(client, "/about"))
    assert (
        "This is a monitoring aid. The product’s label, the device maker’s instructions and local rules decide." in text
    )
    assert "It never replaces the test of the solution’s minimum effective concentration" in text
    assert "wear eye protection and gloves, work with good ventilation" in text


def test_a_fast_rehearsal_says_so_on_every_page(clinic: tuple[Path, object], tmp_path: Path) -> None:
    app = build_app(clinic[0], rehearsal=pagekit.rehearsal(speed=60))
    with TestClient(app, base_url="http://127.0.0.1") as client:
        for address in PAGES:
            assert "Rehearsal: time runs 60 times faster. Simulated basins, invented data." in page(client, address)
    with TestClient(build_app(tmp_path, rehearsal=pagekit.rehearsal(speed=60)), base_url="http://127.0.0.1") as client:
        assert "Rehearsal: time runs 60 times faster." in page(client, "/", 503)


def test_in_earnest_no_page_speaks_of_a_rehearsal(clinic: tuple[Path, object]) -> None:
    """And with nothing new since March, every basin is plainly not heard."""
    with TestClient(build_app(clinic[0]), base_url="http://127.0.0.1") as client:
        for address in PAGES:
            assert "invented data" not in page(client, address)
        assert words(page(client, "/")).count("Not heard for") == 5


def test_labels_are_text_wherever_they_come_from(tmp_path: Path) -> None:
    """A basin's label, its place, the site's name and a garbled topic are never markup, nor is what is asked for."""
    settings = Settings(XSS, basin=[basin_settings("n1/b1", XSS, [sensor(1)], f'"{XSS}', **NEED)])
    player = pagekit.Player(tmp_path, settings)
    player.play("n1/b1", [Span(10, "open"), Span(90, "closed"), Span(10, "open")], [sensor(1)])
    player.garble(b"{}", topic=f"soakledger/1/n1/{XSS}")
    player.close()
    with TestClient(build_app(tmp_path, rehearsal=pagekit.rehearsal()), base_url="http://127.0.0.1") as client:
        for address in (*PAGES[:-1], "/basins/n1/b1/trend/tables"):
            html = page(client, address)
            assert "<script>alert" not in html
            assert "&lt;script&gt;" in html or address.endswith(("/closures", "/trend/tables"))
        assert "<script>alert" not in page(client, f"/closures?basin={XSS}", 400)
        assert "<script>alert" not in page(client, f"/{XSS}", 404)
        assert "<script>alert" not in page(client, f"/closures/{XSS}", 404)


@pytest.mark.parametrize(
    "address", [*PAGES, "/nothing", "/closures?verdict=x", "/api/basins", "/api/x", "/health", "/robots.txt"]
)
def test_every_answer_is_protected(client: Client, address: str) -> None:
    """No inline script or style runs, nothing loads from elsewhere, no other page may frame it; errors included."""
    headers = client.get(address).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert policy == {
        "default-src": "'none'",
        "script-src": "'self'",
        "style-src": "'self'",
        "img-src": "'self' data: blob:",
        "connect-src": "'self'",
        "base-uri": "'none'",
        "frame-ancestors": "'none'",
        "form-action": "'self'",
    }
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("address", PAGES)
def test_pages_need_no_inline_code_and_no_other_host(client: Client, address: str) -> None:
    html = page(client, address)
    assert not re.search(r"<script(?![^>]*\bsrc=)", html)
    assert not re.search(r"\s(style|on[a-z]+)=", html)
    assert "<style" not in html
    sources = re.findall(r'(?:src|href|action)="([^"]*)"', html)
    assert sources
    assert all(source.startswith(("/", "#")) and not source.startswith("//") for source in sources)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8080", 200),
        ("localhost", 200),
        ("LOCALHOST:9", 200),
        ("[::1]:8080", 200),
        ("192.168.7.9:8080", 200),
        ("evil.example", 421),
        ("evil.example:8080", 421),
        ("127.0.0.1.evil.example", 421),
        ("localhost.evil.example:8080", 421),
        ("", 421),
    ],
)
def test_no_answer_under_a_foreign_name(client: Client, host: str, status: int) -> None:
    """Otherwise any page in the browser could read this one by pointing its own name here."""
    answer = client.get("/api/basins", headers={"host": host})
    assert answer.status_code == status
    if status == 421:
        assert answer.json()["text"] == (
            f"This server does not answer to the name {host!r}. "
            "Use the address it printed when it started, or start it with --allow-host NAME "
            "(`names` in dashboard.toml)."
        )
        assert client.get("/", headers={"host": host}).status_code == 421


def test_scripts_are_served_once_and_for_ever(client: Client) -> None:
    """Names change with the content, so they may be kept; compressed for those who can read it."""
    html = page(client, "/basins/n1/b1/trend")
    names = re.findall(r'"/static/([^"]+)"', html)
    assert len(names) == len(set(names)) > 8
    assert {"look", "live", "stream"} <= {name.partition(".")[0] for name in names}
    for name in names:
        plain = client.get(f"/static/{name}", headers={"accept-encoding": "identity"})
        assert plain.headers["cache-control"] == "public, max-age=31536000, immutable"
        assert "content-encoding" not in plain.headers
        stem, _, suffix = name.rpartition(".")
        asset = assets()[f"{stem.rpartition('.')[0]}.{suffix}"]
        assert plain.content == asset.plain == gzip.decompress(asset.gzipped)
        assert client.get(f"/static/{name}").headers["content-encoding"] == "gzip"
    assert client.get("/static/live.js").status_code == 404
    assert client.get("/static/..%2fapp.py").status_code == 404


def test_the_ids_that_keep_plotly_from_adding_styles_are_found() -> None:
    """If a new plotly.js is built otherwise, this says so before a browser does."""
    assert style_ids()


def test_no_data_yet(tmp_path: Path) -> None:
    """A page of its own, with what to do; it looks again by itself, and then there are data."""
    with TestClient(build_app(tmp_path, when=pagekit.WHEN), base_url="http://127.0.0.1") as client:
        html = page(client, "/", 503)
        assert "No data yet" in html
        assert "soakledger collector" in html
        assert '<meta http-equiv="refresh" content="5">' in html
        assert "No data yet" in page(client, "/closures", 503)
        assert "monitoring aid" in page(client, "/about")
        pagekit.Player(tmp_path, Settings("Mill")).close()
        assert "No basins yet" in page(client, "/")


def test_not_found_is_a_page(client: Client) -> None:
    assert "There is nothing at /nothing." in page(client, "/nothing", 404)
    assert "There is no closure" in page(client, "/closures/99999", 404)
    assert "There is no basin" in page(client, "/basins/n1/b7", 404)


def test_a_fault_of_ours_tells_nothing_of_the_inside(
    client: Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The log has the traceback, the page has what to do."""
    monkeypatch.setattr("collector.read.Reader.parked", lambda *_: 1 / 0)
    html = page(client, "/site", 500)
    assert "A fault in this program stopped the answer. Nothing was changed." in html
    assert "ZeroDivisionError" not in html
    assert "ZeroDivisionError" in caplog.text


def test_a_date_counted_back_from_when_the_clock_was_set_says_so(tmp_path: Path) -> None:
    """How good the time is: the uninterrupted clock is steered by 500 ppm at most (adjtimex(2))."""
    player = pagekit.Player(tmp_path, Settings("Mill", basin=[basin_settings("n1/b1", "Basin 1", [sensor(1)], **NEED)]))
    spans = [Span(10, "open"), Span(90, "closed"), Span(10, "open")]
    player.play("n1/b1", spans, [sensor(1)], end_ms=player.now_ms - 300_000, synced=False)
    player.carry_on("n1/b1", player.tracks["n1/b1"], to_ms=player.now_ms)
    player.close()
    with TestClient(build_app(tmp_path, rehearsal=pagekit.rehearsal()), base_url="http://127.0.0.1") as client:
        (closure,) = client.get("/api/closures").json()["closures"]
        assert 390_000 < closure["dated_back_ms"] < 400_000
        text = page(client, f"/closures/{closure['id']}")
        assert "after the lid closed: times of day are counted back from then, to within 1 s" in text
