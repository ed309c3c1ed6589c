"""The audit over a morning of real deeds with alarms: each question alone and together, paging, bad input, pages."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import alarmkit
import msgspec
import pagekit
import pytest
from doorkit import HOST, OLGA, PEOPLE, House, scan
from hypothesis import given, settings
from hypothesis import strategies as st
from litestar import Litestar
from litestar.testing import TestClient
from pagekit import NOW_MS, WHEN, XSS

from collector.read import Reader
from collector.record.all import DEEDS
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.rounds.unassigned import load_over, may_concern, unassigned
from collector.record.things import Device, Load, Stage, Turn
from dashboard.app import build_app
from dashboard.audit.loads_over import loads_over
from dashboard.audit.rows import harmless, rows_of
from dashboard.audit.search import count, rows, search
from dashboard.audit.wanted import FIELDS, Place, Wanted, mistakes, place_of, wanted_of
from dashboard.unassigned_query import unassigned_closures

Client = TestClient[Litestar]
BASINS = ("n1/b1", "n1/b2", "n2/b1", "n2/b2", "n3/b1")
MET, EARLY = "12:40", "13:04"
"""The two soaks of n1/b1 that held a load, by the minute of their closing."""


@pytest.fixture(scope="module")
def house(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path_factory: pytest.TempPathFactory) -> House:
    return alarmkit.furnish(pagekit.copied(clinic[0], tmp_path_factory.mktemp("audited") / "data"))


@pytest.fixture(scope="module")
def reader(house: House) -> Iterator[Reader]:
    with Reader(house.data) as reading:
        yield reading


@pytest.fixture(scope="module")
def book(reader: Reader) -> Book:
    return Book.looking(reader.connection, NOW_MS)


@pytest.fixture(scope="module")
def client(house: House) -> Iterator[Client]:
    app = pagekit.seen_by(build_app(house.data, rehearsal=pagekit.rehearsal(), when=WHEN), PEOPLE[OLGA])
    with TestClient(app, base_url="http://127.0.0.1") as asking:
        asking.follow_redirects = False
        yield asking


def found(book: Book, reader: Reader, **asked: str) -> list[int]:
    """Rows of all closures that fit, in the order of the list."""
    closures, more = rows(reader, search(book, Wanted(**asked), WHEN), None, 1_000)
    assert not more
    return [each.id for each in closures]


def clocks(book: Book, reader: Reader, **asked: str) -> list[str]:
    """The same by basin and minute of the closing."""
    basins = {each.id: f"{each.node}/{each.name}" for each in reader.basins()}
    closures, _ = rows(reader, search(book, Wanted(**asked), WHEN), None, 1_000)
    return [f"{basins[each.basin_id]} {WHEN.clock(each.closing_utc_ms)}" for each in closures]


LOADED = [f"n1/b1 {EARLY}", f"n1/b1 {MET}"]
ALONE: list[tuple[dict[str, str], list[str]]] = [
    ({"device": "GS-01"}, LOADED[1:]),
    ({"device": "gs-03"}, LOADED[:1]),
    ({"device": "GS-02-2291"}, LOADED[1:]),
    ({"device": "GS-0"}, LOADED),
    ({"device": "2291"}, LOADED),
    ({"device": "GS-04"}, []),
    ({"encounter": "E-4417"}, LOADED[1:]),
    ({"encounter": "e-4431"}, LOADED[1:]),
    ({"encounter": "E-4420"}, LOADED[:1]),
    ({"encounter": "E-44"}, []),
    ({"lot": "STRIP-9"}, LOADED[1:]),
    ({"lot": "s1"}, LOADED[1:]),
    ({"lot": "LOT-1"}, [*LOADED, "n1/b1 12:30"]),
    ({"lot": "B1"}, [*LOADED, "n1/b1 12:30"]),
    ({"lot": "LOT-2"}, []),
    ({"person": "tom"}, LOADED),
    ({"person": "tina"}, LOADED),
    ({"person": "sam"}, LOADED),
    ({"person": "olga"}, []),
    ({"basin": "n3/b1"}, ["n3/b1 13:01"]),
    ({"verdict": "met", "basin": "n1/b1"}, [f"n1/b1 {MET}", "n1/b1 11:18"]),
    ({"alarm": "opened-early"}, ["n1/b1 11:18"]),
    ({"alarm": "W1"}, ["n1/b1 11:18"]),
    ({"alarm": "w1"}, ["n1/b1 11:18"]),
    ({"alarm": "mec-test-due"}, []),
    ({"since": "2026-03-04"}, []),
    ({"until": "2026-03-02"}, []),
]


@pytest.mark.parametrize(("asked", "expected"), ALONE, ids=[str(asked) for asked, _ in ALONE])
def test_each_question_alone(book: Book, reader: Reader, asked: dict[str, str], expected: list[str]) -> None:
    assert clocks(book, reader, **asked) == expected


def test_without_a_question_all_closures_that_stand_newest_first(book: Book, reader: Reader) -> None:
    every = reader.closures(limit=1_000)
    assert found(book, reader) == [each.id for each in every]
    assert found(book, reader, since="2026-03-03", until="2026-03-03") == [each.id for each in every]
    assert len(every) == 22


def test_questions_together_hold_all_at_once(book: Book, reader: Reader) -> None:
    """Every combination finds just what each of its questions finds alone."""
    choices = {
        "device": ("", "GS-01", "GS-0"),
        "encounter": ("", "E-4431"),
        "lot": ("", "STRIP-9", "LOT-1"),
        "person": ("", "tina", "sam"),
        "basin": ("", "n1/b1"),
        "verdict": ("", "met", "not met"),
        "alarm": ("", "any"),
        "until": ("", "2026-03-03"),
    }
    alone = {(name, text): set(found(book, reader, **{name: text})) for name, of in choices.items() for text in of}
    every = found(book, reader)
    seen = 0
    for texts in itertools.product(*choices.values()):
        asked = dict(zip(choices, texts, strict=True))
        fitting = set.intersection(*(alone[each] for each in asked.items()))
        assert found(book, reader, **asked) == [each for each in every if each in fitting], asked
        seen += bool(fitting)
    assert seen > 50  # not only combinations that nothing fits


@settings(max_examples=40, deadline=None)
@given(
    limit=st.integers(1, 25),
    verdict=st.sampled_from(["", "met", "not met", "unproven"]),
    basin=st.sampled_from(["", *BASINS]),
)
def test_pages_have_no_hole_and_no_repeat(book: Book, reader: Reader, limit: int, verdict: str, basin: str) -> None:
    searched = search(book, Wanted(verdict=verdict, basin=basin), WHEN)
    place, walked, more = None, [], True
    while more and len(walked) < 100:
        page, more = rows(reader, searched, place, limit)
        assert page or not more
        walked += [each.id for each in page]
        place = Place(page[-1].closing_utc_ms, page[-1].id) if page else None
    assert walked == found(book, reader, verdict=verdict, basin=basin)
    assert count(reader.connection, searched) == len(walked)


def test_what_comes_in_meanwhile_shifts_no_page(house: House, tmp_path: Path) -> None:
    data = pagekit.copied(house.data, tmp_path / "data")
    with Reader(data) as before:
        first, _ = rows(before, search(Book.looking(before.connection, NOW_MS), Wanted(), WHEN), None, 10)
        whole = [each.id for each in before.closures(limit=1_000)]
    player = pagekit.Player(data, None, NOW_MS + 3_600_000)
    player.play(
        "n3/b1",
        [pagekit.Span(60, "open"), pagekit.Span(120, "closed"), pagekit.Span(60, "open")],
        [pagekit.sensor(6)],
        stream="b",
    )
    player.close()
    with Reader(data) as after:
        searched = search(Book.looking(after.connection, NOW_MS + 3_600_000), Wanted(), WHEN)
        rest, more = rows(after, searched, Place(first[-1].closing_utc_ms, first[-1].id), 1_000)
        assert count(after.connection, searched) == len(whole) + 1
    assert not more
    assert [each.id for each in (*first, *rest)] == whole


def test_the_indices_are_used(book: Book, reader: Reader) -> None:
    """No question looks through all closures to order them, and a page far back costs as little as the first."""
    for asked in ({}, {"basin": "n1/b1"}, {"since": "2026-03-01"}):
        searched = search(book, Wanted(**asked), WHEN)
        plan = reader.connection.execute(
            f"""EXPLAIN QUERY PLAN SELECT id FROM closure WHERE {searched.clauses} AND (closing_utc_ms, id) < (?, ?)
                ORDER BY closing_utc_ms DESC, id DESC LIMIT 51""",
            (*searched.values, NOW_MS, 9),
        ).fetchall()
        told = " ".join(str(row[3]) for row in plan)
        assert "USING INDEX closure_by_" in told
        assert "SCAN" not in told
        assert "TEMP B-TREE" not in told


@pytest.mark.parametrize(
    "text",
    [
        "%",
        "_",
        "GS-0_",
        "GS%",
        "' OR 1=1 --",
        '"',
        "\\",
        "*",
        "$.id",
        "(01)",
        XSS,
        "GS-01'; DROP TABLE thing",
        "\u202e",
        "null",
        "0",
    ],
)
@pytest.mark.parametrize("field", ["device", "encounter", "lot"])
def test_nothing_that_is_typed_is_more_than_a_text(client: Client, field: str, text: str) -> None:
    """No wildcard, no statement, no markup."""
    expected = {"0", "_"} & {text} and field == "device"
    answer = client.get("/audit", params={field: text})
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    if not (expected and text == "0"):  # every asset number has a 0 in it
        assert "No soak fits all of this" in answer.text
    posted = client.post("/audit", data={"anything": text})
    assert posted.status_code in (200, 303)
    assert "<script>alert" not in posted.text


def main_of(html: str) -> str:
    """What a person reads, on one line."""
    body = re.sub(r"(?s)^.*?<main", "<main", html)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ")
    return re.sub(r" ([.,:])", r"\1", text)


@pytest.mark.parametrize(
    ("asked", "field", "says"),
    [
        ({"since": "2026-02-30"}, "since", "This is no date. Write year, month and day, such as 2026-03-03."),
        ({"until": "tomorrow"}, "until", "This is no date."),
        ({"since": "2026-03-03", "until": "2026-03-01"}, "until", "The last day is before the first. Exchange them."),
        ({"device": "x" * 81}, "device", "This is longer than 80 characters."),
        ({"encounter": "x" * 5_000}, "encounter", "This is longer than 80 characters."),
        ({"verdict": "good"}, "verdict", "This is no verdict."),
        ({"basin": "n9/b9"}, "basin", "There is no such basin."),
        ({"person": XSS}, "person", "Nobody is recorded with this id."),
        ({"alarm": "red"}, "alarm", "There is no such alarm."),
    ],
)
def test_a_field_that_cannot_be_used_says_so_beside_it(
    client: Client, asked: dict[str, str], field: str, says: str
) -> None:
    answer = client.get("/audit", params=asked)
    assert answer.status_code == 400
    assert re.search(rf'id="wrong-{field}">{re.escape(says)}', answer.text)
    assert f'aria-describedby="wrong-{field}"' in answer.text
    assert "Nothing was searched: one field cannot be used." in answer.text
    table = client.get("/audit/table.csv", params=asked)
    assert table.status_code == 400
    assert says in table.text


def test_a_parameter_that_means_nothing_is_refused(client: Client) -> None:
    assert client.get("/audit?devise=GS-01").status_code == 400
    assert "Did you mean &#39;device&#39;?" in client.get("/audit?devise=GS-01").text


def test_a_place_that_no_page_of_ours_names_is_the_first_page(client: Client) -> None:
    for text in ("", "x", "1", "-", "9-", "-9", "9" * 40 + "-1", "1-2-3", "' OR 1"):
        assert place_of(text) is None
    assert place_of("1772-5") == Place(1772, 5)
    assert client.get("/audit?after=nonsense").status_code == 200
    assert "Nothing further back" in client.get("/audit?after=1-1").text


def test_a_row_shows_what_was_in_it_and_leads_there(client: Client) -> None:
    text = main_of(client.get("/audit?device=GS-0").text)
    assert "2 closures newest first Device GS-0 (GS-01, GS-02, GS-03) leave out" in text
    assert "GS-02 from E-4418 then E-4431 load L1, fill F1 13 min 59 s of 12 min 21.23 °C none" in text
    html = client.get("/audit?encounter=E-4431").text
    (row,) = re.findall(r'<a class="row-link" href="(/closures/\d+)">', html)
    sheet = client.get(row)
    assert "MEC test" in sheet.text
    assert 'href="/devices/GS-02#T2"' in html


def test_a_closure_without_a_load_says_so(client: Client) -> None:
    assert "no load" in main_of(client.get("/audit?basin=n3/b1").text)


ANYTHING = [
    ("L1", "/loads/L1"),
    ("l2", "/loads/L2"),
    ("F1", "/fills/F1"),
    ("T3", "/devices/GS-03#T3"),
    ("M1", "/fills/F1"),
    ("W1", "/alarms/W1"),
    ("E-4431", "/audit?encounter=E-4431"),
    ("Tina Test", "/audit?person=tina"),
    ("STRIP-9", "/audit?lot=STRIP-9"),
    ("lot-2", "/audit?lot=LOT-2"),
    ("Basin 3", "/audit?basin=n2%2Fb1"),
    ("GS-0", "/audit?device=GS-0"),
    ("7", "/record/7"),
]


@pytest.mark.parametrize(("typed", "address"), ANYTHING)
def test_one_thing_leads_straight_to_it(client: Client, typed: str, address: str) -> None:
    answer = client.post("/audit", data={"anything": f"  {typed}\r"})
    assert (answer.status_code, answer.headers.get("location")) == (303, address)


def test_what_can_mean_several_things_is_asked_for(client: Client) -> None:
    answer = client.post("/audit", data={"anything": "gs-01-2291"})
    assert answer.status_code == 200
    text = main_of(answer.text)
    assert "“gs-01-2291” can mean soaks of device GS-01 device GS-01: where it is, and its rounds" in text


def test_what_is_called_nothing_here_says_what_was_searched(client: Client) -> None:
    text = main_of(client.post("/audit", data={"anything": "ZZ-99"}).text)
    assert "Nothing here is called “ZZ-99”" in text
    assert "Searched: ids of loads, rounds, fills, MEC tests," in text
    assert "choose a range of days." in text


@pytest.mark.parametrize("field", ["anything", "device", "encounter", "lot"])
def test_a_badge_is_not_looked_up_nor_shown_nor_put_into_an_address(client: Client, house: House, field: str) -> None:
    badge = house.badges["tina"]
    answer = client.post("/audit", data={field: badge, "verdict": "met"})
    assert answer.status_code == 400
    assert badge not in answer.text
    assert "This is a person’s badge." in answer.text
    assert '<option value="met" selected>' in answer.text  # what else was filled in is kept


def test_the_form_becomes_an_address(client: Client) -> None:
    answer = client.post("/audit", data={"device": " GS-01 ", "verdict": "met", "basin": "", "anything": ""})
    assert answer.headers["location"] == "/audit?device=GS-01&verdict=met"
    assert client.post("/audit", data={}).headers["location"] == "/audit"


def test_too_much_is_refused(client: Client) -> None:
    assert "longer than any label" in client.post("/audit", data={"anything": "x" * 501}).text
    assert client.post("/audit", data={"anything": "x" * 100_000}).status_code == 413


def test_the_table_has_the_same_rows(client: Client) -> None:
    lines = list(csv.DictReader(io.StringIO(client.get("/audit/table.csv?person=tom").text)))
    assert [(line["verdict"], line["load"], line["devices"]) for line in lines] == [
        ("not met", "L2", "GS-03"),
        ("met", "L1", "GS-01; GS-02"),
    ]
    assert lines[1]["closed_at"] == "2026-03-03T12:40:49.600+01:00"
    assert (lines[1]["proven_s"], lines[1]["contact_s"], lines[1]["coldest_c"]) == ("839.400", "720.000", "21.238")
    assert len(client.get("/audit/table.csv").text.splitlines()) == 23


def test_a_text_that_a_spreadsheet_would_run_is_made_plain() -> None:
    assert [harmless(each) for each in ("=1+1", "+4", "-20.250", "@x", "E-1", "-a")] == [
        "'=1+1",
        "'+4",
        "-20.250",
        "'@x",
        "E-1",
        "'-a",
    ]


def test_looking_takes_somebody_where_the_site_wants_it(house: House) -> None:
    with TestClient(house.app(require_sign_in=True), base_url=f"http://{HOST}") as browser:
        browser.follow_redirects = False
        for address in ("/audit", "/audit/table.csv", "/unassigned", "/site"):
            answer = browser.get(address, headers={"accept": "text/html"})
            assert answer.status_code == 303, address
            assert answer.headers["location"].startswith("/sign-in?next=")
        assert browser.post("/audit", data={"anything": "GS-01"}).status_code == 303
        scan(browser, house, "sam")
        assert browser.get("/audit").status_code == 200


def test_loads_over_many_closings_agree_with_the_rule_for_one(book: Book, reader: Reader) -> None:
    seen = 0
    for basin in BASINS:
        closings = [each.closing_ms for each in book.closures(basin, 0, NOW_MS)]
        edges = [ms for load in book.all(Load, group=basin) for ms in (load.began_ms, load.ended_ms) if ms is not None]
        for near in (0, -1, 1, -30_000):
            asked = [each + near for each in (*closings, *edges)]
            expected: dict[int, Load] = {each: load for each in asked if (load := load_over(book, basin, each))}
            assert loads_over(book, basin, asked) == expected
            seen += len(expected)
    assert seen


def test_a_device_is_found_by_its_own_number_not_by_anothers_that_begins_so(house: House, tmp_path: Path) -> None:
    """And only in closures that began while it was in the basin, though its load had others."""
    data = pagekit.copied(house.data, tmp_path / "data")
    with Reader(data) as before:
        looking = Book.looking(before.connection, NOW_MS)
        (early, met) = (before.closure(row) for row in found(looking, before, device="GS-0"))
    assert early is not None
    assert met is not None
    added = Turn(
        id="T9",
        device="GS-011",
        began_ms=met.closing_utc_ms,
        stage=Stage.SOAKED,
        load="L1",
        basin="n1/b1",
        fill="F1",
        in_ms=met.closing_utc_ms + 1,
        out_ms=early.closing_utc_ms + 1,
    )
    with Reader(data) as before:
        load = Book.looking(before.connection, NOW_MS).find(Load, "L1")
    assert load is not None
    longer = msgspec.structs.replace(load, turns=(*load.turns, "T9"))
    House(data, {}).put(Device(id="GS-011", type="gastroscope"), added, longer)
    with Reader(data) as reading:
        book = Book.looking(reading.connection, NOW_MS)
        assert found(book, reading, device="GS-01") == [met.id]
        assert found(book, reading, device="GS-011") == [early.id]
        (row,) = rows_of(book, [met], reading.basins(), WHEN)
        assert [turn.device for turn in row.turns] == ["GS-01", "GS-02"]


def test_unassigned_closures_are_those_of_the_rule(book: Book) -> None:
    """The page finds what the rule of the review and of the alarms finds, oldest first, and says as much of it."""
    expected = [each for basin in BASINS for each in unassigned(book, basin, 0, NOW_MS)]
    expected.sort(key=lambda each: each.watched.closing_ms)
    pages = [unassigned_closures(book, "", 0, number) for number in (1, 2)]
    shown: list[Any] = [row for page in pages for row in page["rows"]]  # type: ignore[attr-defined]
    assert [row.closing_ms for row in shown] == [each.watched.closing_ms for each in expected]
    concerned = [list(dict.fromkeys(turn.device for turn in may_concern(book, each))) for each in expected]
    assert [list(row.devices) for row in shown] == concerned
    assert any(concerned)


def test_the_page_of_unassigned_closures(client: Client) -> None:
    text = main_of(client.get("/unassigned?basin=n1/b2").text)
    assert "Rounds that were open then and in no load, which it may concern: GS-01 GS-02 No, or not known" in text
    assert "4 wait for an answer since Sun 1 Feb 2026" in text
    html = client.get("/unassigned?basin=n3/b1").text
    (address,) = re.findall(r'href="(/do/assign-late\?closure=[^"]+)"', html)
    assert client.get(address, follow_redirects=False).status_code in (200, 303)
    assert "Every closure is explained" in main_of(client.get("/unassigned?since=2026-03-04").text)
    assert client.get("/unassigned?since=2026-13-01").status_code == 400
    assert client.get("/unassigned?basin=nothing").status_code == 400


def test_what_was_said_to_be_empty_stands_below(house: House, tmp_path: Path) -> None:
    data = pagekit.copied(house.data, tmp_path / "data")
    with Reader(data) as reading:
        rule = unassigned(Book.looking(reading.connection, NOW_MS), "n3/b1", 0, NOW_MS)
    with Desk(data, lambda: NOW_MS) as desk:
        deed = msgspec.convert({"closures": [rule[0].watched.key], "answer": "empty"}, DEEDS["answer-closures"])
        desk.do(deed, "tina", second_factor=True)
    with TestClient(build_app(data, rehearsal=pagekit.rehearsal(), when=WHEN), base_url="http://127.0.0.1") as asking:
        text = main_of(asking.get("/unassigned?basin=n3/b1").text)
    assert (
        text.index("Every closure is explained") < text.index("Said to have held nothing") < text.index("empty. Tina")
    )


def test_a_soak_has_its_evidence(client: Client) -> None:
    """Load, devices, solution, test, alarms, and each record of the ledger with number and hash."""
    (row,) = re.findall(r'class="row-link" href="(/closures/\d+)"', client.get("/audit?encounter=E-4417").text)
    html = client.get(row).text
    text = main_of(html)
    for words in (
        "GS-01 from encounter E-4417",
        "3 rinses, dried",
        "Sam Test, 12:59",
        "without release encounter E-4431",
        "peracetic acid",
        "LOT-1",
        "dipped 12:22 by Tina Test",
        "strip lot STRIP-9",
        "The verdict, with every figure above",
        "Its readings 5529 to 6369",
        "Start a load: put devices into a basin",
        "Release devices: they may be used",
    ):
        assert words in text, words
    assert len(re.findall(r"Its readings \d", text)) == 1
    records = dict(re.findall(r'href="/record/(\d+)">\d+</a>.*?<code>([0-9a-f]{64})</code>', html))
    assert len(records) > 15
    for number, digest in list(records.items())[:4]:
        entry = client.get(f"/record/{number}").text
        assert digest in entry
    assert f'href="{row}"' in client.get(f"/record/{next(iter(records))}").text  # and back
    assert re.search(r'href="/basins/n1/b1/trend\?since=\d+&amp;until=\d+"', html)
    assert "readings.csv?since=" in html


def test_an_alarm_about_a_soak_stands_on_its_page(client: Client) -> None:
    (row,) = re.findall(r'class="row-link" href="(/closures/\d+)"', client.get("/audit?alarm=W1").text)
    assert "The lid of basin 1 was opened after 9 min 11 s of 12 min." in main_of(client.get(row).text)


def test_what_is_filled_in_is_checked_field_by_field() -> None:
    wanted = wanted_of({"device": " GS-01 ", "other": "x", "lot": "y" * 500})
    assert wanted.device == "GS-01"
    assert set(mistakes(wanted, BASINS, ())) == {"lot"}
    assert wanted_of({}).said() == {}
    assert Wanted(**dict.fromkeys(FIELDS, "")) == Wanted()
