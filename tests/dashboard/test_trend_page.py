"""The trend's page, its tables and its marks: the same numbers as the readings and the record have."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient
from pagekit import NOW_MS, WHEN, Span, sensor
from recorded import Morning

from collector.read import Reader
from collector.record.things import Alarm, SensorCheck, Thermometer
from dashboard.app import build_app
from dashboard.course import drawn
from dashboard.trend_table import rows
from soak.alarms import Priority
from soak.closure import Closure

Client = TestClient[Litestar]
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
KEY = "/api/basins/n1/b1"


def good(client: Client, address: str) -> Any:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    return answer.json()


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, clinic: tuple[Path, dict[str, pagekit.Track]]) -> Path:
    """The clinic with three alarms, a sensor check in the middle of the morning, and a thermometer read."""
    data = pagekit.copied(clinic[0], tmp_path_factory.mktemp("trend") / "data")
    morning = Morning(data)
    at_ms = NOW_MS - HOUR_MS
    raised: dict[str, Any] = {"code": "below-minimum", "about": "n1/b1", "text": "19.4 °C", "cause_ms": at_ms}
    morning.put(
        *(
            Alarm(id=f"AL{number}", basin="n1/b1", priority=priority, raised_ms=at_ms + after_ms, **raised)
            for number, (priority, after_ms) in enumerate([(Priority.HIGH, 0), (Priority.HIGH, 1), (Priority.LOW, 2)])
        ),
        Alarm(id="AL9", basin="n1/b2", priority=Priority.HIGH, raised_ms=at_ms, **raised),
        SensorCheck(
            id="C1", sensor=sensor(1), basin="n1/b1", at_ms=at_ms, by="x", reference="R", correction_mc=-100, u_mc=500
        ),
        Thermometer(id="R1", basin="n1/b1", at_ms=at_ms, by="x", read_mc=21_400, indicated_mc=21_300),
    )
    morning.desk.close()
    return data


@pytest.fixture(scope="module")
def app(kept: Path) -> Any:
    with TestClient(build_app(kept, rehearsal=pagekit.rehearsal(), when=WHEN), base_url="http://127.0.0.1:8080") as it:
        yield it


def test_addresses_of_earlier_versions_lead_to_the_trend(client: Client) -> None:
    answer = client.get("/basins/n1/b1?since=5&until=7", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (302, "/basins/n1/b1/trend?since=5&until=7")
    assert 'data-since="5" data-until="7"' in client.get("/basins/n1/b1?since=5&until=7").text


def test_alarms_and_checks_are_marked(app: Client) -> None:
    """Those of this basin; two alarms of one priority that follow at once are one mark that says so."""
    marks = good(app, f"{KEY}/trend?last=8h")["marks"]
    assert [(mark["kind"], mark["priority"], mark["count"]) for mark in marks] == [
        ("alarm", "high", 2),
        ("sensor check", None, 1),
        ("thermometer check", None, 1),
        ("alarm", "low", 1),
    ]
    assert marks[0]["page"] == "/alarms/AL0"
    assert app.get(marks[1]["page"]).status_code == 200
    assert (marks[2]["read_mc"], marks[2]["indicated_mc"]) == (21_400, 21_300)


def test_a_temperature_is_corrected_by_what_was_known_at_its_time(app: Client, kept: Path) -> None:
    """The sensor check holds from its moment on: before it nothing is corrected, after it 0.1 K less."""
    trend = good(app, f"{KEY}/trend?since={NOW_MS - HOUR_MS - 60_000}&until={NOW_MS - HOUR_MS + 60_000}")
    with Reader(kept) as reader:
        indicated = dict(reader.readings(1, trend["since_ms"], trend["until_ms"]))
    (line,) = trend["sensors"]
    for after_ms, mc in zip(line["after_ms"], line["corrected_mc"], strict=True):
        at_ms = trend["since_ms"] + after_ms
        assert mc == (indicated[at_ms].mc[sensor(1)] or 0) - (100 if at_ms >= NOW_MS - HOUR_MS else 0)
    assert [(each["from_ms"], each["until_ms"], each["u_mc"]) for each in trend["limits"]] == [
        (0, 60_000, 580),
        (60_000, 120_000, 500),
    ]


def test_what_is_shown_of_a_soak_is_what_is_on_record(app: Client, kept: Path) -> None:
    """Coldest, allowance, credited and verdict of every closure, straight from the ledger."""
    told = {each["id"]: each for each in good(app, f"{KEY}/trend?last=8h")["closures"]}
    with Reader(kept) as reader:
        stored = reader.connection.execute(
            "SELECT id, body FROM judged WHERE basin_id = 1 AND superseded_by IS NULL"
        ).fetchall()
    assert len(stored) == 6
    for row_id, body in stored:
        closure = msgspec.json.decode(body, type=Closure)
        each = told[row_id]
        assert (each["coldest_mc"], each["allowance_mc"]) == (closure.coldest_mc, closure.allowance_mc)
        assert (each["credited_ms"], each["verdict"]) == (closure.credited_ms, closure.verdict)


@pytest.mark.parametrize("hours", [1, 8, 60, 300])
def test_the_table_counts_what_the_readings_say(kept: Path, hours: int) -> None:
    """Every row, worked out from the readings once more: quarters, hours, days; the correction changes within."""
    with Reader(kept) as reader:
        basin = next(each for each in reader.basins() if each.name == "b1" and each.node == "n1")
        until_ms = NOW_MS + 1
        since_ms = until_ms - hours * HOUR_MS
        table = rows(drawn(reader, basin, since_ms, until_ms), since_ms, until_ms, WHEN)
        step_ms = 900_000 if hours <= 2 else 1_800_000
        taken = list(reader.readings(basin.id, since_ms - (since_ms % step_ms if hours > 2 else 0), until_ms))
    assert (table[0].begin_ms, table[-1].end_ms) == (since_ms, until_ms)
    checked_ms = NOW_MS - HOUR_MS
    for row in table:
        first, last = row.begin_ms // step_ms, -(-row.end_ms // step_ms)
        if row.end_ms != until_ms:
            last = row.end_ms // step_ms
        inside = [(at_ms, each.mc[sensor(1)]) for at_ms, each in taken if first <= at_ms // step_ms < last]
        assert row.readings == len(inside)
        known = [
            (mc - (100 if at_ms // step_ms * step_ms >= checked_ms else 0), at_ms // step_ms * step_ms >= checked_ms)
            for at_ms, mc in inside
            if mc is not None
        ]
        assert (row.lowest_mc, row.highest_mc) == (
            min((mc for mc, _ in known), default=None),
            max((mc for mc, _ in known), default=None),
        )
        assert row.in_range == sum(mc >= 20_000 + (500 if after else 580) for mc, after in known)
    whole = [at_ms for at_ms, each in taken if each.mc[sensor(1)] is not None]
    silent = sum(later - earlier for earlier, later in pairwise(whole) if later - earlier > 5_000)
    if hours == 8:
        assert sum(row.without_ms for row in table) == silent + whole[0] - since_ms
    if hours == 1:
        assert sum(row.without_ms for row in table) == silent
    else:
        assert silent >= 60_000


def test_the_tables_say_it_in_words(app: Client) -> None:
    """Each hour with its lowest and highest and how many of its readings were in range."""
    text = app.get(f"/basins/n1/b1/trend/tables?since={NOW_MS - 2 * HOUR_MS - 300_000}&until={NOW_MS}").text
    cells = [re.sub(r"<[^>]+>", "", row).split() for row in re.findall(r'<th scope="row">.*?</tr>', text, re.DOTALL)]
    assert [row[4] for row in cells] == ["11:13", "12:00", "13:00"]
    assert "no value" in " ".join(cells[0]) or "°C" in " ".join(cells[0])
    assert "19.14 °C" in text
    assert re.search(r"\d+\.\d %", text)


def test_a_range_with_many_closures_gives_blocks_for_all_of_them(tmp_path: Path) -> None:
    """A hundred and thirty closures: none in full, all counted, by verdict; those in passing apart."""
    need = {"min_temp_c": "20", "contact": "1m", "since": datetime(2026, 1, 1, tzinfo=UTC)}
    settings = pagekit.Settings("Small", basin=[pagekit.basin_settings("n1/b1", "Basin 1", [sensor(1)], **need)])
    player = pagekit.Player(tmp_path, settings)
    one = [Span(10, "open"), Span(70, "closed"), Span(10, "open"), Span(20, "closed"), Span(5, "open", 19.0)]
    player.play("n1/b1", [*one * 65, Span(10, "open")], [sensor(1)])
    player.close()
    with TestClient(build_app(tmp_path, rehearsal=pagekit.rehearsal(), when=WHEN), base_url="http://127.0.0.1") as it:
        near = good(it, f"{KEY}/trend?last=8h")
        far = good(it, f"{KEY}/trend?last=8760h")
    for trend in (near, far):
        assert (len(trend["closures"]), trend["closures_left_out"]) == (0, 130)
        counts = {(each["verdict"], each["quiet"]): sum(each["count"]) for each in trend["blocks"]}
        assert counts["met", False] == 65
        assert counts["not met", True] == 65
    assert sum(len(each["id"]) for each in near["blocks"]) == 130
    assert sum(len(each["id"]) for each in far["blocks"]) == 2
