"""The page of statistics, the same for programs, its tables: a known store, what may not be seen, bad input."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import alarmkit
import msgspec
import pagekit
import pytest
from doorkit import HOST, PEOPLE, TINA, House
from litestar import Litestar
from litestar.testing import TestClient
from pagekit import NOW_MS, XSS
from recorded import EARLY_CLOSED_MS

from collector import projections
from collector.ledger import Ledger
from collector.machine import ClosureJudged
from collector.read import Reader
from collector.record import shelf
from collector.record.book import Book
from collector.record.things import ClosureNote, Load, Policy, Seen
from collector.record.things.base import Attested
from collector.schema import FILE_NAME, connect
from collector.store import Store
from dashboard.app import build_app
from dashboard.statistics.asked import Wanted, asked
from dashboard.statistics.sheet import Statistics
from tests.bench import statistics_year

Client = TestClient[Litestar]
MINUTE_MS = 60_000
TABLES = ("soaks", "share", "time", "allowance", "coldest", "release", "alarms", "failures")


@pytest.fixture(scope="module")
def counted(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path_factory: pytest.TempPathFactory) -> House:
    """The morning of `recorded` with alarms, and what was done about the soak that was opened early."""
    house = alarmkit.furnish(pagekit.copied(clinic[0], tmp_path_factory.mktemp("counted") / "data"))
    key = failed_key(house.data)
    engine = alarmkit.Engine(house.data)
    for number, done in ((50, f"Put aside for a new round. {XSS}"), (51, "Tina knows why.")):
        alarm = engine.raised(number, "opened-early", 3 * MINUTE_MS, "Opened early.", evidence={"closure": key})
        engine.later(alarm, MINUTE_MS, seen=Seen(TINA, alarm.raised_ms + MINUTE_MS, done))
    notes = (Attested(TINA, NOW_MS, "Timer misread."),)
    engine.put(ClosureNote(id=key, basin="n1/b1", at_ms=NOW_MS, notes=notes), NOW_MS, "given-by-a-test")
    engine.desk.close()
    return house


def failed_key(data: Path) -> str:
    """The soak of n1/b1 that was opened early, as deeds name it."""
    db = connect(data / FILE_NAME, read_only=True)
    stream, first = db.conn.execute(
        """SELECT s.stream, c.first FROM closure c JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id
           WHERE b.node = 'n1' AND b.name = 'b1' ORDER BY c.closing_utc_ms DESC LIMIT 1"""
    ).fetchone()
    db.close()
    return f"{stream}:{first}"


@pytest.fixture(scope="module")
def asks(counted: House) -> Iterator[Client]:
    with TestClient(counted.app(), base_url=f"http://{HOST}") as client:
        yield client


def words(text: str) -> str:
    """What a person reads, on one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").replace("&#39;", "'").strip()


def answered(client: Client, query: str = "", status: int = 200) -> Any:
    answer = client.get(f"/api/statistics{query}")
    assert answer.status_code == status, answer.text
    return answer.json()


def test_the_morning_counted(asks: Client) -> None:
    """One soak met at 12:54 with two devices, one was opened after 9 min 10 s; the other closures held no load."""
    body = answered(asks)
    assert (body["first_day"], body["last_day"], body["step"]) == ("2026-02-02", "2026-03-03", "day")
    assert body["finding"] == "2 soaks in 30 days: 1 met, 1 not met, 0 unproven."
    assert body["apart"] == {
        "opening_said": 0,
        "after_met": 0,
        "unassigned": 16,
        "unassigned_met": 7,
        "in_passing": 4,
    }
    today = body["groups"][-1]
    assert (today["group"], today["soaks"], today["met"], today["not_met"]) == ("2026-03-03", 2, 1, 1)
    assert sum(each["soaks"] for each in body["groups"]) == 2
    assert [(each["basin"], each["soaks"]) for each in body["by_basin"]][:2] == [("n1/b1", 2), ("n1/b2", 0)]
    assert (body["time"]["lowest"], body["time"]["highest"]) == (-169_600, 119_400)
    assert (body["coldest"]["lowest"], body["allowance"]["lowest"], body["allowance"]["without"]) == (1_238, 658, 1)
    share = body["share"]
    assert (share["soaks"], share["failed"], share["mean"], share["provisional"]) == (2, 1, 0.5, True)
    assert (
        share["finding"]
        == "1 of 2 soaks was not met or unproven (50 %); one point alone has nothing to be compared with."
    )
    assert "The Health Care Data Guide" in share["cautions"][0]


def test_release_and_alarms_of_the_morning(asks: Client) -> None:
    body = answered(asks)
    release = body["release"]
    assert (release["rounds"], release["released"], release["used_unreleased"]) == (2, 1, 1)
    assert release["finding"] == "Of 2 rounds that met, 1 was released, 6 min 54 s later."
    assert sum(each["count"] for each in release["bars"]) == 1
    by_priority = {each["priority"]: each for each in body["alarms"]["by_priority"]}
    assert (by_priority["high"]["raised"], by_priority["high"]["seen"]) == (4, 3)
    assert by_priority["high"]["median_ms"] == MINUTE_MS
    assert by_priority["all"]["raised"] == 10
    assert body["alarms"]["late"] == 1
    of_one_basin = answered(asks, "?basin=n1/b2")["alarms"]["by_priority"]
    assert of_one_basin[-1]["raised"] == 1


def test_what_was_done_is_told_and_nobody_is_named(asks: Client) -> None:
    failures = answered(asks)["failures"]
    (failed,) = failures["failures"]
    assert (failed["verdict"], failed["reason"], failed["label"]) == ("not met", "opened at 9 min 10 s", "Basin 1")
    assert failed["texts"] == [f"Put aside for a new round. {XSS}", "Timer misread."]
    assert (failed["withheld"], failed["on_record"], failures["with_action"]) == (1, True, 1)
    html = asks.get("/statistics").text
    assert XSS not in html
    assert "1 text names a person: it stands on the soak’s page." in words(html)


@pytest.mark.parametrize(
    "address", ["/statistics", "/api/statistics", *(f"/api/statistics/{name}.csv" for name in TABLES)]
)
@pytest.mark.parametrize("query", ["", "?counted=closures", "?last=365d"])
def test_no_person_is_named_or_counted(asks: Client, address: str, query: str) -> None:
    """No id and no name of anybody on record; somebody who is signed in stands only in the page's head."""
    text = re.sub(r'(?s)^.*<main id="main"', "", asks.get(address + query).text).casefold()
    assert text
    for person in PEOPLE.values():
        for called in (person.id, *person.name.split()):
            assert not re.search(rf"\b{called.casefold()}\b", text), called
    for word in ("technician", "operator", "ranking", '"by"', "who"):
        assert not re.search(rf"\b{re.escape(word)}\b", text), word


def test_every_closure_may_be_counted_instead(asks: Client) -> None:
    body = answered(asks, "?counted=closures&since=2026-03-03&until=2026-03-03")
    assert body["finding"] == "18 closures in 1 day: 8 met, 5 not met, 5 unproven."
    assert body["time"]["without"] == 1  # the basin without a requirement
    text = words(asks.get("/statistics?counted=closures").text)
    assert "Closures per day" in text
    assert "Every closure of a minute or more is counted" in text


def test_basins_and_places(asks: Client) -> None:
    assert answered(asks, "?basin=n1/b2")["soaks"] == 0
    scope_room = answered(asks, "?place=scope room")
    assert scope_room["basins_asked"] == ["n1/b1", "n1/b2"]
    assert scope_room["soaks"] == 2
    assert answered(asks, "?place=ultrasound&counted=closures")["soaks"] == 8


def test_days_are_asked_for_by_name(asks: Client) -> None:
    assert answered(asks, "?since=2026-03-01&until=2026-03-02")["soaks"] == 0
    assert answered(asks, "?since=2026-03-03")["soaks"] == 2
    assert answered(asks, "?until=2026-03-03")["first_day"] == "2026-02-02"
    year = answered(asks, "?last=365d")
    assert (year["step"], year["first_day"], len(year["groups"])) == ("week", "2025-03-04", 53)
    assert year["groups"][-1]["label"] == "Week 10, from Mon 2 Mar 2026 (so far)"
    by_day = answered(asks, "?last=365d&step=day")
    assert (by_day["step"], len(by_day["groups"])) == ("day", 365)


def test_a_verdict_given_again_counts_once(counted: House, tmp_path: Path) -> None:
    """The standing verdict counts: of the soak that met, a corrected label makes one that did not."""
    data = pagekit.copied(counted.data, tmp_path / "data")
    db = connect(data / FILE_NAME)
    met = db.conn.execute(
        """SELECT c.id, c.number FROM closure c JOIN basin b ON b.id = c.basin_id WHERE b.node = 'n1' AND b.name = 'b1'
           AND c.verdict = 'met' ORDER BY c.closing_utc_ms DESC LIMIT 1"""
    ).fetchone()
    body = json.loads(db.conn.execute("SELECT body FROM ledger WHERE number = ?", (met[1],)).fetchone()[0])
    db.close()
    store = Store(data, lambda: NOW_MS)
    closure = {**body["closure"], "verdict": "not met"}
    judge_again(store, {**body, "closure": closure, "supersedes": [met[1]]})
    store.close()
    with TestClient(House(data, {}).app(), base_url=f"http://{HOST}") as client:
        again = answered(client)
        assert (again["soaks"], again["met"], again["not_met"]) == (2, 0, 2)
        assert again["release"]["rounds"] == 0


def judge_again(store: Store, body: dict[str, Any]) -> None:
    """Append a later verdict, as the collector would."""
    connection = store.db.conn
    connection.execute("BEGIN IMMEDIATE")
    record = Ledger(connection, lambda: NOW_MS).append(
        ClosureJudged.KIND, msgspec.to_builtins(msgspec.convert(body, ClosureJudged))
    )
    projections.follow(connection, record)
    connection.execute("COMMIT")


def test_what_had_met_before_the_range_is_known_in_it(counted: House, tmp_path: Path) -> None:
    """A range that begins between a load's soak and the lid's next closing: that one is no soak of its own."""
    data = pagekit.copied(counted.data, tmp_path / "data")
    engine = alarmkit.Engine(data)
    load = shelf.find(engine.desk.connection, Load, "L1")
    assert load is not None
    engine.put(msgspec.structs.replace(load, ended_ms=None), NOW_MS, "given-by-a-test")
    engine.desk.close()
    with Reader(data) as reader:
        whole = asked(Wanted(since="2026-03-03"), reader.basins(), pagekit.WHEN, NOW_MS)
        between = whole._replace(since_ms=EARLY_CLOSED_MS - MINUTE_MS)
        body = Statistics(Book.looking(reader.connection, NOW_MS), between, pagekit.WHEN).body()
    assert (body.soaks, body.apart.after_met, body.apart.unassigned, body.failures.total) == (0, 1, 0, 0)


def test_the_sites_own_rule_makes_every_closing_a_load(counted: House, tmp_path: Path) -> None:
    house = House(pagekit.copied(counted.data, tmp_path / "data"), {})
    house.put(Policy(id="site", every_closing_is_a_load=True))
    with TestClient(house.app(), base_url=f"http://{HOST}") as client:
        body = answered(client)
        assert body["soaks"] == 22
        assert (body["apart"]["unassigned"], body["apart"]["in_passing"]) == (0, 0)


def test_the_page_says_each_finding_and_has_each_number(asks: Client) -> None:
    body = answered(asks)
    html = asks.get("/statistics").text
    text = words(html)
    for part in ("share", "time", "allowance", "coldest", "release", "alarms", "failures"):
        assert body[part]["finding"] in text
    assert body["finding"] in text
    assert "16 without a load on record, a minute or more; of these would have met: 7" in text
    for name in TABLES:
        assert f'href="/api/statistics/{name}.csv"' in html
    figures = json.loads(re.search(r'id="figures">(.*?)</script>', html).group(1))  # type: ignore[union-attr]
    assert figures == {name: content for name, content in body.items() if name != "failures"}


def test_the_tables(asks: Client) -> None:
    def table(name: str, query: str = "") -> list[dict[str, str]]:
        answer = asks.get(f"/api/statistics/{name}.csv{query}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "text/csv; charset=utf-8"
        assert f'filename="{name}-2026-02-02-2026-03-03.csv"' in answer.headers["content-disposition"]
        return list(csv.DictReader(io.StringIO(answer.text)))

    assert [(each["group"], each["basin"], each["met"], each["not_met"]) for each in table("soaks")] == [
        ("2026-03-03", "n1/b1", "1", "1")
    ]
    assert [each["share"] for each in table("share")][-2:] == ["", "0.5"]
    assert table("time")[-1]["lowest_ms"] == "-169600"  # a figure, not a formula
    assert [each["priority"] for each in table("alarms")] == ["high", "medium", "low", "all"]
    assert len(table("release")) == 8
    (failed,) = table("failures")
    assert failed["became"] == "1 not settled yet"
    assert failed["what_was_done"].startswith("Put aside")


BAD = [
    (
        "?since=2026-05-01&until=2026-04-01",
        "since=2026-05-01 is after until=2026-04-01. Exchange them, or leave one out.",
    ),
    ("?since=2026-05-01", "since=2026-05-01 is after today, 2026-03-03. Exchange them, or leave one out."),
    (
        "?since=2012-06-25&until=2026-03-03",
        "2012-06-25 to 2026-03-03 are 5000 days; at most 400 at once. Ask year by year.",
    ),
    ("?since=yesterday", "since='yesterday' is no date. Write year, month and day, such as 2026-03-03."),
    ("?until=2026-02-30", "until='2026-02-30' is no date. Write year, month and day, such as 2026-03-03."),
    ("?until=20260303", "until='20260303' is no date. Write year, month and day, such as 2026-03-03."),
    ("?last=8h", "last='8h' cannot be used. Write one of: 30d, 90d, 365d."),
    ("?last=30d&since=2026-03-01", "last goes without since and until. Give either last=30d, or since and until."),
    (
        "?basin=n9/b1",
        "There is no basin='n9/b1'. Known: n1/b1, n1/b2, n2/b1, n2/b2, n3/b1.",
    ),
    ("?place=attic", "No basin stands at place='attic'. Known: scope room, ultrasound, store room."),
    ("?place=ultrasound&basin=n1/b1", "n1/b1 does not stand at place='ultrasound'. Leave one of them out."),
    ("?counted=people", "counted='people' cannot be used. Write one of: soaks, closures."),
    ("?step=hour", "step='hour' cannot be used. Write one of: day, week."),
]


@pytest.mark.parametrize(("query", "text"), BAD)
def test_what_cannot_be_asked_is_told(asks: Client, query: str, text: str) -> None:
    assert answered(asks, query, 400) == {"status": 400, "text": text}
    page = asks.get(f"/statistics{query}")
    assert page.status_code == 400
    assert text in words(page.text).replace("&#39;", "'")
    assert 'id="figures"' not in page.text
    assert asks.get(f"/api/statistics/share.csv{query}").status_code == 400


def test_the_form_keeps_what_was_written(asks: Client) -> None:
    html = asks.get(f"/statistics?since=2026-05-01&until={XSS}&basin=n1/b2&counted=closures").text
    assert 'value="2026-05-01"' in html
    assert XSS not in html
    assert '<option value="n1/b2" selected>' in html
    assert '<option value="closures" selected>' in html


def test_an_unknown_parameter_or_table_is_told(asks: Client) -> None:
    assert "Did you mean 'basin'?" in answered(asks, "?basn=n1/b1", 400)["text"]
    answer = asks.get("/api/statistics/people.csv")
    assert answer.status_code == 404
    assert "Known: soaks.csv, share.csv" in answer.json()["text"]


def test_a_range_without_a_soak_says_what_to_do(asks: Client) -> None:
    none = words(asks.get("/statistics?since=2026-03-01&until=2026-03-02").text)
    assert "No soak is on record in this range." in none
    assert "No lid was closed over a load on these days." in none
    html = asks.get("/statistics?basin=n2/b1").text
    assert "held no load on record. Count every closure" in words(html)
    assert 'href="/statistics?basin=n2%2Fb1&amp;counted=closures"' in html


def test_without_data_the_page_says_so(tmp_path: Path) -> None:
    with TestClient(build_app(tmp_path, when=pagekit.WHEN), base_url=f"http://{HOST}") as client:
        answer = client.get("/statistics")
        assert answer.status_code == 503
        assert "No data yet" in words(answer.text)


def test_a_site_that_is_closed_asks_who_is_there(counted: House) -> None:
    app = build_app(counted.data, when=pagekit.WHEN, require_sign_in=True)
    with TestClient(app, base_url=f"http://{HOST}") as client:
        assert client.get("/api/statistics").status_code == 401
        assert client.get("/api/statistics/share.csv").status_code == 401
        assert client.get("/statistics", follow_redirects=False).status_code == 303


def test_the_bench_lays_loads_over_closures_and_asks(
    clinic: tuple[Path, dict[str, pagekit.Track]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert statistics_year.main([str(clinic[0]), "--times", "1"]) in (0, 1)
    printed = capsys.readouterr().out
    assert "18 loads, " in printed
    rows = [line.split() for line in printed.splitlines() if line.startswith(("30 days", "90 days"))]
    assert [row[2] for row in rows] == ["18", "18"]
    assert all(float(row[3]) > 0 for row in rows)
