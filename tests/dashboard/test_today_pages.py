"""The page of a day over a real store: what is next at each basin, what was, and what a live page asks for anew."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import alarmkit
import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from dashboard.app import build_app

Client = TestClient[Litestar]
HTML = {"accept-encoding": "identity"}


def page(client: Client, address: str, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    return answer.text


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ")


def lane(html: str, key: str) -> str:
    (found,) = re.findall(rf'<li class="day-lane" data-key="{key}".*?</li>', html, re.DOTALL)
    return str(found)


@pytest.fixture(scope="module")
def alarmed(clinic: tuple[Path, object], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clinic with a morning's record and alarms."""
    data = pagekit.copied(clinic[0], tmp_path_factory.mktemp("alarmed") / "data")
    alarmkit.furnish(data)
    return data


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """No basin counts as silent, however slow this machine is: silence has tests of its own."""
    for module in ("say", "look"):
        monkeypatch.setattr(f"dashboard.{module}.STALE_MS", 3_600_000)


@pytest.fixture
def staffed(alarmed: Path) -> Iterator[Client]:
    app = build_app(alarmed, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        yield asking


def test_each_lane_says_what_is_next(fresh: Client) -> None:
    html = page(fresh, "/")
    said = {key: words(lane(html, key)) for key in ("n1/b1", "n1/b2", "n2/b1", "n2/b2", "n3/b1")}
    assert "Needs somebody Reprocess: opened at 9 min 10 s of 12 min" in said["n1/b1"]
    assert "Keep closed. Ready 13:23." in said["n1/b2"]
    assert "Needs somebody Soak met. Rinse next." in said["n2/b1"]
    assert "Needs somebody No temperature" in said["n2/b2"]
    assert "Due No fill" in said["n3/b1"]
    assert "3 of 5 basins need somebody" in words(html)
    assert "lid open 21.3 °C" in said["n1/b1"]


def test_soaks_are_told_apart_by_word_and_pattern(fresh: Client) -> None:
    html = lane(page(fresh, "/"), "n1/b1")
    assert html.count('data-v="met"') == 2
    assert html.count('fill="url(#hatch)"') == html.count('data-v="not met"') == 2
    assert html.count('fill="url(#dots)"') == html.count('data-v="unproven"') == 1
    assert re.search(r'aria-label="Basin 1, 13:04–13:14: not met · opened at 9.min 10.s"', html)


def test_with_a_record_closures_without_a_load_are_quiet(staffed: Client) -> None:
    html = lane(page(staffed, "/"), "n1/b1")
    assert html.count('data-v="unassigned"') >= 3
    assert html.count('data-v="met"') == 1
    assert html.count('class="mark ') >= 3
    assert re.search(r'data-priority="high" aria-label="2 alarms, 13:..–13:14: [^"]*lid opened early', html)
    assert 'href="/alarms/W1" data-f="next"' in html


def test_who_needs_somebody_comes_first_if_asked(fresh: Client) -> None:
    needs = re.findall(r'data-need="(\w+)"', page(fresh, "/?sort=need"))
    assert needs == sorted(needs, key=["now", "due", "soaking", "nothing"].index)
    assert re.findall(r'data-key="(.*?)"', page(fresh, "/")) == ["n1/b1", "n1/b2", "n2/b1", "n2/b2", "n3/b1"]
    page(fresh, "/?sort=loudest", 400)


def test_earlier_days(fresh: Client) -> None:
    before = page(fresh, "/?day=2026-03-02")
    assert "Mon 2 Mar 2026" in before
    assert words(before).count("Nothing was closed") == 5
    assert 'href="/?day=2026-03-01" rel="prev"' in before
    assert 'href="/" rel="next"' in before
    assert "data-key" not in before
    assert "5 basins" in words(page(fresh, "/?day=2026-03-03"))
    assert "5 basins" in words(page(fresh, "/?day=2026-03-04"))
    page(fresh, "/?day=yesterday", 400)


def test_one_lane_is_asked_for_anew(fresh: Client) -> None:
    whole = page(fresh, "/")
    since, until = re.findall(r'data-(?:since|until)="(\d+)"', whole)[:2]
    part = page(fresh, f"/today/lane?basin=n1/b1&since={since}&until={until}")
    blocks = re.findall(r'<a href="/closures/.*?</a>', part)
    assert len(blocks) == 6
    assert blocks == re.findall(r'<a href="/closures/.*?</a>', lane(whole, "n1/b1"))
    page(fresh, "/today/lane?basin=n1/b9", 404)
    page(fresh, "/today/lane?basin=<script>", 404)


def test_readings_that_come_later_are_in_the_line(
    clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path
) -> None:
    """What was added up before is not read again, and nothing is left out."""
    data = pagekit.copied(clinic[0], tmp_path / "data")
    app = build_app(data, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        before = path_of(lane(page(asking, "/"), "n1/b1"))
        player = pagekit.Player(data)
        later_ms = pagekit.NOW_MS + 600_000
        player.carry_on("n1/b1", clinic[1]["n1/b1"], to_ms=later_ms)
        player.close()
        after = path_of(lane(page(asking, "/"), "n1/b1"))
    assert after != before
    assert after.count("M") == 1, "the line has a gap"
    app = build_app(data, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        assert path_of(lane(page(asking, "/"), "n1/b1")) == after


def path_of(html: str) -> str:
    (found,) = re.findall(r'data-f="line" d="(.*?)"', html)
    return str(found)


def test_the_page_comes_compressed_to_whoever_can_read_that(fresh: Client) -> None:
    assert fresh.get("/").headers["content-encoding"] == "gzip"
    plain = fresh.get("/", headers=HTML)
    assert "content-encoding" not in plain.headers
    assert "Basin 1" in plain.text
