"""The HTTP API: what it answers, and what it says to bad questions."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from collector.settings import Settings
from dashboard.app import build_app
from soak.wire import HeldStream

Client = TestClient[Litestar]
MINUTE_MS = 60_000


def good(client: Client, address: str) -> Any:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    assert "json" in answer.headers["content-type"]
    return answer.json()


def test_basins_say_what_is_going_on(fresh: Client) -> None:
    """Five basins in five states, in the order of the settings."""
    basins = {each["label"]: each for each in good(fresh, "/api/basins")["basins"]}
    assert {label: each["kind"] for label, each in basins.items()} == {
        "Basin 1": "reprocess",
        "Basin 2": "soaking",
        "Basin 3": "met",
        "Basin 4": "no temperature",
        "Basin 5": "no requirement",
    }
    soaking = basins["Basin 2"]
    assert soaking["unbroken_ms"] == soaking["running"]["credited_ms"] == 444_400
    assert soaking["ready_at_ms"] == pagekit.NOW_MS + 720_000 - 444_400
    assert soaking["sensors"] == [
        {
            "sensor": pagekit.sensor(2),
            "required": True,
            "indicated_mc": 21_238,
            "fault": None,
            "u_mc": 580,
            "correction_mc": 0,
            "needs_mc": 20_580,
        }
    ]
    assert basins["Basin 4"]["sensors"][0]["fault"] == "no-answer"
    assert basins["Basin 1"]["latest"]["verdict"] == "not met"
    assert basins["Basin 1"]["latest"]["reason"] == "opened at 9 min 10 s"


def test_one_basin(fresh: Client) -> None:
    assert good(fresh, "/api/basins/n1/b2")["headline"] == "Keep closed. Ready 13:23."


def test_site(client: Client) -> None:
    site = good(client, "/api/site")
    assert (site["site"], site["basins"], site["rehearsal_speed"]) == (pagekit.CLINIC, 5, 1)
    assert site["parked"] == {"not-utf-8": 1, "wrong-shape": 1}
    assert [(node["node"], node["up"], node["version"]) for node in site["nodes"]] == [
        ("n1", True, "0.1.0"),
        ("n2", True, "0.1.0"),
        ("n3", True, "0.1.0"),
    ]


def test_closures_can_be_filtered_and_paged(client: Client) -> None:
    everything = good(client, "/api/closures")
    assert everything["by_verdict"] == {"met": 8, "not met": 9, "unproven": 5}
    assert everything["total"] == len(everything["closures"]) == 22
    times = [each["closed_at_ms"] for each in everything["closures"]]
    assert times == sorted(times, reverse=True)
    failed = good(client, "/api/closures?basin=n1/b1&verdict=not met")
    assert [each["reason"] for each in failed["closures"]] == ["opened at 9 min 10 s", "opened at 19 s", "too cold"]
    assert failed["total"] == 3
    page = good(client, "/api/closures?limit=2&offset=3")["closures"]
    assert [each["id"] for each in page] == [each["id"] for each in everything["closures"][3:5]]
    assert good(client, "/api/closures?day=2026-03-03")["total"] == 22
    assert good(client, "/api/closures?day=2026-03-02")["total"] == 0


def test_one_closure_in_full(client: Client) -> None:
    """Times stand with the site's offset; they come from the closure's own clock."""
    closure = good(client, "/api/closures?basin=n1/b1&verdict=not met&limit=1")["closures"][0]
    assert good(client, f"/api/closures/{closure['id']}") == closure
    assert closure["closed_at"].endswith("+01:00")
    assert closure["opened_at_ms"] - closure["closed_at_ms"] == 551_000
    assert (closure["closed_ms"], closure["credited_ms"]) == (550_400, 550_400)
    assert (closure["closing"], closure["opening"], closure["clock_synced"]) == ("seen", "seen", True)
    assert [finding["code"] for finding in closure["findings"]] == ["opened-early", "too-short"]
    assert closure["requirement"] == {"min_mc": 20_000, "max_mc": None, "contact_ms": 720_000, "max_gap_ms": 5_000}


def test_a_short_range_is_drawn_from_every_reading(fresh: Client) -> None:
    """The last quarter of an hour of a soak: its one line is whole and ends at the newest reading."""
    trend = good(fresh, "/api/basins/n1/b2/trend?last=15m")
    assert trend["source"] == "readings"
    (line,) = trend["sensors"]
    assert len(line["after_ms"]) == len(line["corrected_mc"]) > 890
    assert None not in line["corrected_mc"]
    assert trend["since_ms"] + line["after_ms"][-1] == pagekit.NOW_MS
    assert trend["closures"][0]["id"] is None
    ((after_ms, length_ms),) = trend["lid_open"]
    assert trend["since_ms"] + after_ms + length_ms == trend["closures"][0]["closed_at_ms"]
    assert after_ms >= 0


def test_a_gap_looks_like_a_gap(client: Client) -> None:
    """A minute without a value in a soak is a break in the line, drawn from readings and from minutes."""
    unproven = good(client, "/api/closures?basin=n1/b1&verdict=unproven")["closures"][0]
    begin_ms, end_ms = unproven["closed_at_ms"], unproven["last_at_ms"]
    for address in (
        f"/api/basins/n1/b1/trend?since={begin_ms}&until={end_ms}",
        f"/api/basins/n1/b1/trend?since={begin_ms - 5 * 3_600_000}&until={end_ms}",
    ):
        trend = good(client, address)
        (line,) = trend["sensors"]
        at_ms = [trend["since_ms"] + after_ms for after_ms in line["after_ms"]]
        breaks = [t_ms for t_ms, mc in zip(at_ms, line["corrected_mc"], strict=True) if mc is None]
        assert any(begin_ms + 300_000 <= t_ms <= begin_ms + 361_000 for t_ms in breaks), trend["source"]


def test_the_lowest_value_survives_every_range(client: Client) -> None:
    """The cold soak's lowest reading is in the drawing of five hours as in that of ten minutes, and in its verdict."""
    cold = next(each for each in good(client, "/api/closures?basin=n1/b1")["closures"] if each["reason"] == "too cold")
    for hours in (0, 5, 500):
        since_ms = cold["closed_at_ms"] - hours * 3_600_000
        trend = good(client, f"/api/basins/n1/b1/trend?since={since_ms}&until={cold['last_at_ms'] + 1}&points=40")
        drawn = [mc for mc in trend["sensors"][0]["corrected_mc"] if mc is not None]
        assert min(drawn) == cold["coldest_mc"] == trend["sensors"][0]["lowest_mc"]
        assert len(trend["sensors"][0]["after_ms"]) <= 40


def test_readings_as_a_table_give_the_same_verdicts_again(fresh: Client, tmp_path: Path) -> None:
    """What the page hands out is judged by `soakledger assess` as the collector judged it live."""
    answer = fresh.get("/api/basins/n1/b1/readings.csv?last=4h")
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == 'attachment; filename="n1-b1-2026-03-03.csv"'
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[0] == ["number", "time", "lid", f"temp_c_{pagekit.sensor(1)}"]
    assert [row[0] for row in rows[1:]] == [str(number) for number in range(1, len(rows))]
    assert rows[-1][1:3] == ["2026-03-03T12:18:00.000Z", "open"]
    table = tmp_path / "readings.csv"
    table.write_text(answer.text)
    command = [sys.executable, "-m", "soakledger", "assess", str(table), "--json"]
    judged = subprocess.run(
        [*command, "--min-temp", "20", "--contact", "12m", "--uncertainty", "0.58"],
        capture_output=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert judged.returncode == 1, judged.stderr
    again = [(each["verdict"], round(each["credited_s"] * 1000)) for each in json.loads(judged.stdout)["closures"]]
    live = [(each["verdict"], each["credited_ms"]) for each in good(fresh, "/api/closures?basin=n1/b1")["closures"]]
    assert again == live[::-1]


def test_numbers_jump_where_a_new_stream_begins(tmp_path: Path) -> None:
    """A restart of the node lies between: no closure may reach from one stream into the next."""
    player = pagekit.Player(tmp_path)
    soak = [pagekit.Span(10, "open"), pagekit.Span(300, "closed")]
    player.play("n1/b1", soak, [pagekit.sensor(1)], end_ms=pagekit.NOW_MS - 1_000, stream="a")
    player.play(
        "n1/b1", [pagekit.Span(300, "closed")], [pagekit.sensor(1)], end_ms=pagekit.NOW_MS + 300_000, stream="b"
    )
    player.close()
    app = build_app(tmp_path, rehearsal=pagekit.rehearsal(pagekit.NOW_MS + 300_000), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        rows = list(csv.reader(io.StringIO(client.get("/api/basins/n1/b1/readings.csv?last=1h").text)))
    numbers = [int(row[0]) for row in rows[1:]]
    steps = [later - earlier for earlier, later in pairwise(numbers)]
    assert sorted(set(steps)) == [1, 2]
    assert steps.count(2) == 1


def test_no_basin_is_an_empty_list(tmp_path: Path) -> None:
    pagekit.Player(tmp_path, Settings("Clinic at the Mill")).close()
    with TestClient(build_app(tmp_path, when=pagekit.WHEN), base_url="http://127.0.0.1") as client:
        assert good(client, "/api/basins")["basins"] == []
        assert good(client, "/api/closures")["total"] == 0


def test_past_readings_on_their_way_are_told(tmp_path: Path) -> None:
    """43 % of what the node lists has arrived."""
    player = pagekit.Player(tmp_path)
    player.play("n1/b1", [pagekit.Span(4_300, "open")], [pagekit.sensor(1)])
    player.say("n1", held=[HeldStream(pagekit.stream_id("n1", "b1", "a"), "b1", 4_301, 9_999)], ms=10**9)
    player.close()
    app = build_app(tmp_path, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        assert good(client, "/api/site")["backlog"] == {"arrived": 4_300, "expected": 9_999}
        page = client.get("/closures").text
    assert 'Past readings are arriving: <span data-frame="backlog_percent">43</span> %' in page


@pytest.mark.parametrize(
    ("address", "status", "text"),
    [
        ("/api/basins/n1/b9", 404, "There is no basin 'n1/b9'. Did you mean 'n1/b2'?"),
        ("/api/basins/zzz/b9/trend", 404, "There is no basin 'zzz/b9'."),
        ("/api/closures/999999", 404, "There is no closure '999999'. The list is at /closures."),
        ("/api/closures/x", 404, "There is no closure 'x'. The list is at /closures."),
        ("/api/closures/99999999999999999999999", 404, "There is no closure"),
        ("/api/closures?verdict=good", 400, "verdict='good' is none. Write one of: met, not met, unproven."),
        ("/api/closures?verdict=running", 400, "Write one of: met, not met, unproven."),
        ("/api/closures?basin=b1", 400, "basin='b1': There is no basin 'b1/'."),
        (
            "/api/closures?day=3.3.2026",
            400,
            "day='3.3.2026' is no date. Write year, month and day, such as 2026-03-03.",
        ),
        ("/api/closures?day=2026-02-30", 400, "is no date."),
        ("/api/closures?day=20260303", 400, "is no date."),
        ("/api/closures?limit=0", 400, "limit='0' cannot be used. Write a whole number from 1 to 1000."),
        ("/api/closures?limit=1e3", 400, "Write a whole number from 1 to 1000."),
        ("/api/closures?limit=²", 400, "Write a whole number from 1 to 1000."),
        ("/api/closures?offset=-1", 400, "offset='-1' cannot be used."),
        ("/api/closures?superseded=1", 400, "superseded='1' cannot be used. Write one of: no, yes."),
        ("/api/closures?verdic=met", 400, "There is no parameter 'verdic' here. Did you mean 'verdict'?"),
        ("/api/closures?site=x", 400, "There is no parameter 'site' here."),
        ("/api/basins/n1/b1/trend?node=n2", 400, "There is no parameter 'node' here."),
        ("/api/basins/n1/b1/trend?since=yesterday", 400, "since='yesterday' is no time between 1970 and 2100."),
        ("/api/basins/n1/b1/trend?since=2026-03-03T13:18:00", 400, "Write 2026-03-03T13:18:00Z, or whole milliseconds"),
        ("/api/basins/n1/b1/trend?since=99999999999999999", 400, "is no time between 1970 and 2100."),
        ("/api/basins/n1/b1/trend?since=5&until=5", 400, "since=5 is not before until=5. Exchange them"),
        ("/api/basins/n1/b1/trend?last=8", 400, "last: '8' is not a duration. Write a number and s, m or h"),
        ("/api/basins/n1/b1/trend?last=0s", 400, "last='0s' is no length of time."),
        ("/api/basins/n1/b1/trend?last=1h&since=5", 400, "last goes without since and until."),
        ("/api/basins/n1/b1/trend?points=3", 400, "points='3' cannot be used. Write a whole number from 8 to 20000."),
        ("/api/basins/n1/b1/readings.csv?last=20000h", 400, "At most 400 days at once. Ask year by year."),
        ("/api/nothing", 404, "There is nothing at /api/nothing."),
        ("/live?x=1", 400, "There is no parameter 'x' here. There are none at all."),
    ],
)
def test_bad_questions_are_answered_with_what_would_be_right(
    client: Client, address: str, status: int, text: str
) -> None:
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert body["status"] == status
    assert text in body["text"]


def test_what_was_measured_cannot_be_written(client: Client) -> None:
    for method in ("POST", "PUT", "DELETE", "PATCH"):
        answer = client.request(method, "/api/closures")
        assert answer.status_code == 405
        assert answer.json()["text"] == (
            f"{method} is not possible at /api/closures. What is possible where stands in /schema/openapi.json."
        )


def test_times_may_be_written_for_people_or_programs(client: Client) -> None:
    """A plus sign that arrives as a space is still a plus sign."""
    wanted = {"since_ms": pagekit.NOW_MS - 600_000, "until_ms": pagekit.NOW_MS}
    for since in (
        str(wanted["since_ms"]),
        "2026-03-03T12:08:00Z",
        "2026-03-03T13:08:00+01:00",
        "2026-03-03T13:08:00%2B01:00",
    ):
        trend = good(client, f"/api/basins/n1/b1/trend?since={since}&until={wanted['until_ms']}")
        assert {name: trend[name] for name in wanted} == wanted


def test_the_api_is_described(client: Client) -> None:
    """OpenAPI names every address of the API with its parameters, and nothing that only pages use."""
    described = good(client, "/schema/openapi.json")
    assert described["openapi"].startswith("3.")
    assert set(described["paths"]) >= {
        "/api/site",
        "/api/basins",
        "/api/basins/{node}/{name}",
        "/api/basins/{node}/{name}/trend",
        "/api/basins/{node}/{name}/readings.csv",
        "/api/closures",
        "/api/closures/{closure_id}",
        "/api/readiness",
        "/api/readiness/{node}/{name}",
        "/health",
    }
    operations = [(path, each) for path, methods in described["paths"].items() for each in methods.values()]
    assert [path for path, each in operations if not each.get("summary")] == []
    assert [path for path in described["paths"] if not path.startswith(("/api/", "/health"))] == []
    trend = described["paths"]["/api/basins/{node}/{name}/trend"]["get"]
    assert {each["name"] for each in trend["parameters"]} == {"node", "name", "since", "until", "last", "points"}
    closure = described["components"]["schemas"]["ClosureBody"]["properties"]
    assert {"closed_ms", "credited_ms", "coldest_mc"} <= closure.keys()


def test_a_store_that_is_not_there_yet_or_unreadable_is_told(tmp_path: Path) -> None:
    with TestClient(build_app(tmp_path), base_url="http://127.0.0.1") as other:
        answer = other.get("/api/basins")
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
        assert answer.json()["text"] == f"There are no data in {tmp_path} yet."
        (tmp_path / "soakledger.sqlite").write_bytes(b"this is no database at all, and longer than a header" * 20)
        assert "cannot be used" in other.get("/api/basins").json()["text"]


def test_a_database_without_tables_is_not_ready_yet(tmp_path: Path) -> None:
    """The collector makes the file first and the tables then."""
    (tmp_path / "soakledger.sqlite").touch()
    with TestClient(build_app(tmp_path), base_url="http://127.0.0.1") as client:
        assert client.get("/health").json()["store"] == "no data yet"
        assert client.get("/api/basins").status_code == 503
