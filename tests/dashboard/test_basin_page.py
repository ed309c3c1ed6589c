"""The page of one basin as it is served: what it shows, its forms, the part that is asked again, old addresses."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import basinkit
import pagekit
import pytest
import recorded
from litestar import Litestar
from litestar.testing import TestClient
from msgspec.structs import replace
from pagekit import NOW_MS
from test_pages import page, words

from collector.read import Reader, StoredClosure
from collector.record.book import Book
from collector.record.things import Load, Rinsed, Stage, Turn
from dashboard.app import build_app
from dashboard.basin_facts import basin_facts
from soak.closure import Verdict

Client = TestClient[Litestar]
SLOW_MS = 10_000
"""A busy machine may take so long to start the application: what was heard at 13:18 is still fresh then."""


@pytest.fixture(scope="module")
def data(clinic: tuple[Path, object], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = pagekit.copied(clinic[0], tmp_path_factory.mktemp("basin") / "data")
    basinkit.furnish(folder)
    return folder


@pytest.fixture
def client(data: Path) -> Iterator[Client]:
    """Its clock says shortly before 13:18 when the test begins."""
    app = build_app(data, rehearsal=pagekit.rehearsal(NOW_MS - SLOW_MS), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        yield asking


def test_a_soak(client: Client) -> None:
    html = page(client, f"/basins/{basinkit.SOAKING}")
    text = words(html)
    assert re.search(r'data-b="clock">4:3[0-6]<', html)
    assert "Keep closed. Ready 13:23." in text
    assert "Load gastroscope GS-01 By Tina Test" in text
    assert "21.2 °C needs 20.6 or more" in text
    assert 'href="/do/announce-opening?basin=n1%2Fb2"' in html
    assert "Latest soaks" in text
    assert f'href="/basins/{basinkit.SOAKING}/trend"' in html
    assert "plotly" not in html


def test_a_basin_that_is_not_ready_leads_to_the_form_that_solves_it(client: Client) -> None:
    """A device was taken out too early: first a new round for it; then the basin's own block, with strip and fill."""
    html = page(client, f"/basins/{basinkit.NOT_READY}")
    assert "Reprocess: opened at 9 min 10 s of 12 min" in words(html).replace("\u00a0", " ")
    assert 'href="/do/begin-turn?device=GS-03"' in html
    assert 'href="/do/begin-mec-test?fill=F1&amp;strip_bottle=S1" data-opens="mec"' in html


def test_what_the_timers_are_told(client: Client) -> None:
    """Everything that is needed to count without the server, and the server's time."""
    html = page(client, f"/basins/{basinkit.NOT_READY}")
    found = re.search(r'id="timers-about" data-about="([^"]*)"', html)
    assert found
    about = json.loads(unescape(found.group(1)))
    assert NOW_MS - SLOW_MS <= about["now_ms"] < NOW_MS + 60_000
    assert about["offset_ms"] == 3_600_000
    assert about["fill"] == "F1"
    assert about["strips"] == [
        {"id": "S1", "lot": "STRIP-9", "strip": {"dip_ms": 1_000, "read_from_ms": 5_000, "read_until_ms": 60_000}}
    ]
    assert about["rinses"] == {"count": 3, "each_ms": 60_000}
    assert about["waiting"] is None


def test_the_part_that_is_asked_again_has_every_part_of_the_page(client: Client) -> None:
    parts = re.compile(r'data-part="(\w+)"')
    whole = page(client, f"/basins/{basinkit.MET}")
    again = page(client, f"/basins/{basinkit.MET}/now")
    assert sorted(parts.findall(again)) == sorted(parts.findall(whole))
    assert "<html" not in again
    assert "Take out" in words(again)


def test_an_old_address_of_the_trend_leads_to_it(client: Client) -> None:
    answer = client.get("/basins/n1/b1?since=5&until=9", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (302, "/basins/n1/b1/trend?since=5&until=9")
    assert client.get("/basins/n1/b1?since=9&until=5", follow_redirects=False).status_code == 400


def test_what_was_taken_out_after_a_met_soak_is_to_be_rinsed(clinic: tuple[Path, object], tmp_path: Path) -> None:
    """Until its rinses are on record; what came out of a soak that did not meet is not."""
    folder = pagekit.copied(clinic[0], tmp_path / "data")
    recorded.record(folder)
    morning = recorded.Morning(folder)
    with Reader(folder) as reader:
        basin = next(each for each in reader.basins() if (each.node, each.name) == ("n2", "b1"))
        met = reader.closures(basin_id=basin.id, verdict=Verdict.MET, limit=1)[0]
        short = reader.closures(basin_id=basin.id, verdict=Verdict.NOT_MET, limit=1)[0]
    in_ms, out_ms = met.closing_utc_ms - 60_000, met.last_utc_ms + 60_000
    turn = Turn(id="T21", device="GS-01", began_ms=in_ms, stage=Stage.SOAKED, load="L21", basin="n2/b1", fill="F1")
    turn = replace(turn, in_ms=in_ms, out_ms=out_ms)
    load = Load(id="L21", basin="n2/b1", fill="F1", began_ms=in_ms, by="tina", turns=("T21",), ended_ms=out_ms)
    morning.put(turn, load)

    def rinsed(latest: StoredClosure) -> tuple[str, tuple[str, ...]]:
        with Reader(folder) as reader:
            facts = basin_facts(Book.looking(reader.connection, NOW_MS), "n2/b1", None, latest)
        return facts.rinsing.about, facts.rinsing.devices

    assert rinsed(met) == ("L21", ("GS-01",))
    assert rinsed(short) == ("", ())
    times = [(out_ms + 70_000 * each, out_ms + 70_000 * each + 60_000) for each in range(3)]
    morning.put(replace(turn, rinses=tuple(Rinsed("tina", *each, fresh=True) for each in times)))
    morning.desk.close()
    assert rinsed(met) == ("L21", ())


def test_a_basin_that_is_not_there(client: Client) -> None:
    assert "There is no basin" in page(client, "/basins/n1/b7", 404)
    assert "There is no basin" in page(client, "/basins/n1/b7/now", 404)
