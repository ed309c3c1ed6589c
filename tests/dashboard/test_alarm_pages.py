"""The pages and the API of alarms: every state in words, what people do there, the load, bad input."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import alarmkit
import pagekit
import pytest
from doorkit import HOST, SAM, TINA, House, refused, scan
from litestar import Litestar
from litestar.testing import TestClient
from msgspec.structs import replace
from pagekit import NOW_MS, XSS

from collector.record.things import Confirmed, Drill, Policy, Reached, Seen
from collector.schema import FILE_NAME, connect
from dashboard.alarms_load import COLUMNS

Client = TestClient[Litestar]
MORE_PAGES = ("/", "/closures", "/loads", "/solutions", "/review", "/record", "/about", "/sign-in", "/do", "/nothing")
STRIP = re.compile(r'(?s)<section class="alarms".*?</section>')


@pytest.fixture(scope="module")
def alarmed(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path_factory: pytest.TempPathFactory) -> House:
    """The clinic with alarms in every state, not to be written to."""
    return alarmkit.furnish(pagekit.copied(clinic[0], tmp_path_factory.mktemp("alarmed") / "data"))


@pytest.fixture(scope="module")
def reads(alarmed: House) -> Iterator[Client]:
    with TestClient(alarmed.app(), base_url=f"http://{HOST}") as client:
        yield client


@pytest.fixture
def copy(alarmed: House, tmp_path: Path) -> House:
    """The same once more, to be written to."""
    return House(pagekit.copied(alarmed.data, tmp_path / "data"), alarmed.badges)


def words(text: str) -> str:
    """What a person reads, on one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").replace("&#39;", "'").strip()


def main_words(client: Client, address: str, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    return words(re.sub(r"(?s)^.*?<main", "<main", answer.text))


def test_what_stands_most_urgent_first(reads: Client) -> None:
    """Of one priority what nobody has seen comes first; each says what happened, what to do, and how it stands."""
    text = reads.get("/alarms").text
    assert re.findall(r'<li class="alarm" data-priority="(\w+)" id="(W\d)"', text) == [
        ("high", "W1"),
        ("high", "W2"),
        ("medium", "W3"),
        ("medium", "W4"),
        ("low", "W6"),
        ("low", "W7"),
        ("low", "W5"),
    ]
    said = main_words(reads, "/alarms")
    for part in (
        "High lid opened early Basin 1 The lid of basin 1 was opened after 9 min 11 s of 12 min. Close the lid now, or "
        "press the button. Do not use what was in it.",
        "Since 13:14 Told Sam Test, Tina Test; the last 13:16 Seen by nobody yet",
        "Rose to high 13:11: nobody had acted Told the list as far as its place 2; the last 13:11 Seen by Tina Test, "
        "13:12: Bath",
        "Sound silenced until 13:19; it stands all the same",
        "Low from a newer version Basin 1 Something else. This version does not know this kind of alarm",
        "W9 Medium too long in solution 63 min in solution. Basin 1 11:18 late 11:21 by Sam Test, 11:21",
        "W8 Medium too near the minimum to be proven 20.4 °C, 20.6 °C would be proven. Basin 1 08:18 08:19 by nobody: "
        "it was over before",
        "This is a monitoring aid and no certified alarm system.",
    ):
        assert part in said, part


def test_evidence_leads_to_pages_that_exist(reads: Client) -> None:
    """What is no page is said all the same: a note, and a round goes to its device."""
    text = reads.get("/alarms/W1").text
    evidence = re.search(r"(?s)<dt>Evidence</dt><dd>(.*?)</dd>", text)
    assert evidence
    assert words(evidence[1]) == "closure number 1 fill F1 load L2 note n record 5 round T3"
    addresses = re.findall(r'href="([^"]+)"', evidence[1])
    assert addresses == ["/closures/1", "/fills/F1", "/loads/L2", "/record/5", "/devices/GS-03"]
    for address in addresses:
        assert reads.get(address).status_code == 200, address


def test_an_alarms_life_names_the_record_of_each_step(reads: Client) -> None:
    text = reads.get("/alarms/W2").text
    life = [words(row) for row in re.findall(r"<tr><td data-label=\"When\">(.*?)</tr>", text)]
    numbers = re.findall(r'href="/record/(\d+)"', text)
    assert life == [
        f"Tue 3 Mar 2026 13:08:00 raised, medium the collector {numbers[0]}",
        f"Tue 3 Mar 2026 13:11:00 rose to high: nobody had acted the collector {numbers[1]}",
        f"Tue 3 Mar 2026 13:12:00 told as far as place 2 of the list; seen by Tina Test: Bath heater on &lt;script&gt;"
        f"alert(1)&lt;/script&gt; the collector {numbers[2]}",
    ]
    assert reads.get(f"/record/{numbers[0]}").url.path == "/sign-in"  # for whoever is signed in
    assert "13:16:00 Tina Test was told the collector" in main_words(reads, "/alarms/W1")
    assert "its cause was over 08:19 the collector" in main_words(reads, "/alarms/W8")
    assert "no longer stood 08:19" in main_words(reads, "/alarms/W8")
    assert "raised, medium; late: its cause began 07:18" in main_words(reads, "/alarms/W9")


def test_a_life_is_of_one_alarm_only(copy: House) -> None:
    """Another alarm's record that names it somewhere inside is not about it."""
    engine = alarmkit.Engine(copy.data)
    engine.raised(10, "opened-early", 0, "It names W2.", about="alarm/W2", evidence={"about": "alarm/W2"})
    engine.desk.close()
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        assert len(client.get("/api/alarms/W2").json()["life"]) == 3
        assert len(client.get("/api/alarms/W10").json()["life"]) == 1


@pytest.mark.parametrize("address", MORE_PAGES)
def test_every_page_says_what_stands(reads: Client, address: str) -> None:
    """The title first, then the strip: the most urgent whole, two others, and how many there are of each priority."""
    reads.get("/")  # the first look
    text = reads.get(address).text
    assert "<title>[2 high, 2 medium] " in text
    found = STRIP.search(text)
    assert found
    strip = words(found[0])
    assert strip.startswith("High lid opened early Basin 1 Close the lid now")
    assert (
        "and 3 more: High solution too cold at Basin 2 since 13:08, seen by Tina Test Medium no temperature at" in strip
    )
    assert "2 high, 2 medium, 3 low alarms stand" in strip
    assert "Sound is off: press to turn it on" in strip
    assert 'id="say-high" aria-live="assertive"' in text
    assert 'id="say-medium" aria-live="polite"' in text
    assert "stream." in text


def test_a_closed_site_tells_nothing_to_whoever_is_not_signed_in(alarmed: House) -> None:
    with TestClient(alarmed.app(require_sign_in=True), base_url=f"http://{HOST}") as client:
        assert client.get("/alarms", follow_redirects=False).status_code == 303
        assert client.get("/api/alarms").status_code == 401
        assert client.get("/alarms/load.csv", follow_redirects=False).status_code == 303
        for address in ("/sign-in", "/about"):
            text = client.get(address).text
            assert STRIP.search(text) is None
            assert "high" not in text.partition("</title>")[0]
            assert "stream." not in text
        scan(client, alarmed, TINA)
        assert STRIP.search(client.get("/about").text)


def test_text_of_people_and_nodes_is_only_text(reads: Client) -> None:
    for address in ("/alarms", "/alarms/W2", "/alarms/W3", "/alarms/load"):
        assert XSS not in reads.get(address).text
    assert "No temperature since 13:16 &lt;script&gt;" in main_words(reads, "/alarms/W3")


def test_seeing_and_silencing_from_the_page(copy: House) -> None:
    """The forms on the page are deeds; what somebody has seen can be added to, and cannot be silenced any more."""
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        scan(client, copy, TINA)

        def send(action: str, **typed: str) -> Any:
            text = client.get("/alarms/W1").text
            form = re.search(rf'(?s)<form method="post" action="/do/{action}".*?</form>', text)
            assert form, f"no form for {action}"
            hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form[0]))
            return client.post(f"/do/{action}", data={**hidden, **typed})

        done = send("silence-alarm")
        assert "Recorded as number" in done.text
        assert 'href="/alarms/W1">To alarm W1</a>' in done.text
        assert "Sound silenced until 13:20; it stands all the same" in main_words(client, "/alarms")
        assert "Silence for 2 min" not in client.get("/alarms/W1").text
        assert "Recorded as number" in send("see-alarm", done="Lid closed, round begun again.").text
        assert "seen by Tina Test: Lid closed, round begun again." in main_words(client, "/alarms/W1")
        assert "Recorded as number" in send("see-alarm", done="Supervisor told.").text
        assert "by Tina Test, 13:18: Lid closed, round begun again. Tina Test: Supervisor told." in main_words(
            client, "/alarms"
        )
    assert copy.ask("SELECT who, kind FROM ledger ORDER BY number DESC LIMIT 3") == [
        (TINA, "see-alarm"),
        (TINA, "see-alarm"),
        (TINA, "silence-alarm"),
    ]


def test_whoever_is_not_signed_in_is_asked_for_their_badge(copy: House) -> None:
    """What was typed is kept; nothing is recorded without a person."""
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        before = copy.records()
        answer = client.post("/do/see-alarm", data={"alarm": "W1", "done": "Lid closed.", "once": "o"})
        assert answer.status_code == 401
        assert 'value="W1"' in answer.text
        assert "Lid closed." in answer.text
        assert "Your badge" in answer.text
        assert copy.records() == before
        typed = {"alarm": "W1", "done": "Lid closed.", "once": "o", "badge": copy.badges[TINA]}
        assert "Recorded as number" in client.post("/do/see-alarm", data=typed).text


def test_an_alarm_that_is_over_says_so_at_the_form(copy: House) -> None:
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        scan(client, copy, TINA)
        answer = client.post("/api/deeds/silence-alarm", json={"alarm": "W8", "for_ms": 60_000})
        assert refused(answer, 409)[0] == "alarm-over"
        assert "Seen" in main_words(client, "/alarms/W8")  # over, but nobody has seen it: it can still be
        assert 'action="/do/see-alarm"' not in client.get("/alarms/W9").text


def test_whoever_presses_the_button_at_the_basin_has_no_name(copy: House) -> None:
    engine = alarmkit.Engine(copy.data)
    alarm = engine.raised(10, "bad-fill", alarmkit.MINUTE_MS, "It was discarded.")
    engine.later(alarm, 30_000, seen=Seen("basin-button", NOW_MS - 30_000, "pressed the button at the basin"))
    engine.desk.close()
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        said = main_words(client, "/alarms/W10")
        assert "Seen by somebody at the basin, 13:17: pressed the button at the basin" in said
        assert "seen by somebody at the basin: pressed the button at the basin the collector" in said


def test_nothing_stands(furnished: tuple[Path, dict[str, str]]) -> None:
    with TestClient(House(*furnished).app(), base_url=f"http://{HOST}") as client:
        assert "No alarm stands Nothing needs anybody that this collector knows of." in main_words(client, "/alarms")
        assert "No alarm was raised in this range." in main_words(client, "/alarms/load")
        text = client.get("/alarms").text
        assert "<title>Alarms – Soakledger</title>" in text
        assert client.get("/api/alarms").json()["alarms"] == []


def test_how_far_the_drill_came(copy: House) -> None:
    """To each person: taken by a route, confirmed, by no route; and who says that they got it."""
    told = {
        "Anna": {"json line 1": Reached(ok=True, at_ms=NOW_MS, over=True)},
        "Ben": {"json line 1": Reached(ok=False, detail=f"refused {XSS}", at_ms=NOW_MS, over=True)},
        "Carl": {"mailto line 2": Reached()},
    }
    drill = Drill(id="2026-03-03", began_ms=NOW_MS, told=told, confirmed={"Anna": Confirmed(by="sam", at_ms=NOW_MS)})
    alarmkit.Engine(copy.data).put(drill, NOW_MS, "drill-begun")
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        text = main_words(client, "/alarms")
        assert "Anna arrived: confirmed json line 1: taken Sam Test, 13:18" in text
        assert "Ben taken by no route json line 1: refused" in text
        assert "Carl not known yet mailto line 2: not known yet I got it" in text
        page = client.get("/alarms").text
        assert XSS not in page
        assert 'href="/do/confirm-drill?drill=2026-03-03&amp;person=Ben"' in page


def test_the_load_in_words(reads: Client) -> None:
    """Nine alarms in a week, one of them late. Seven came in the 7 h 18 min of this day's early shift: 43.8 times ten
    minutes, 0.16; three of them within ten minutes (13:08, 13:14 and 13:17; 13:06 is eleven minutes before 13:17).
    """
    said = main_words(reads, "/alarms/load")
    for part in (
        "Alarms 8 raised in time, 2 high, 3 medium, 3 low",
        "Late 1 raised when their cause was long over; in no other figure",
        "under 0.01 for each person on average: within what is recommended",
        "Standing now 7 , 1 for over a day",
        "recommended at most 1 in 10 min for each operator, on average EEMUA 191 as studied by the ASM Consortium",
        "These come from control rooms of process plants",
        "High 2 25 % 5 %",
        "High 1 4 min 4 min 0 1",
        "all 1 4 min 4 min 1 6",
        "solution too cold Basin 2 1 13 % Temperature alarm after: 10 s now",
        "lid opened early Basin 1 1 13 % no delay: mend its cause",
        "W5 Low MEC test due Basin 1 26 h",
        "Tue 3 Mar 2026, 06–14 7 2 high, 3 medium, 2 low",
        "0.16 3 1 no basin: 1, Basin 1: 4, Basin 2: 1, Basin 4: 1",
        "Lid left open: alarm after 10 min",
    ):
        assert part in said, part
    assert "Tina" not in said  # never by person


def test_the_load_of_two_people_and_of_one_day(reads: Client) -> None:
    said = main_words(reads, "/alarms/load?since=2026-03-03&until=2026-03-03&operators=2")
    assert "Tue 3 Mar 2026 to Tue 3 Mar 2026" in said
    assert "Alarms 7 raised in time" in said
    assert "Most in 10 min 1.5 for each person" in said
    assert [
        row["shift_begins"][:16] for row in rows(reads, "?since=2026-03-03&until=2026-03-03") if row["label"] == "all"
    ] == [
        "2026-03-03T00:00",
        "2026-03-03T06:00",
    ]


def rows(client: Client, asked: str = "") -> list[dict[str, str]]:
    answer = client.get(f"/alarms/load.csv{asked}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert re.match(r'attachment; filename="alarm-load-[\d-]+\.csv"', answer.headers["content-disposition"])
    return list(csv.DictReader(io.StringIO(answer.text)))


def test_the_load_as_a_table(reads: Client) -> None:
    """A line for each shift, then one for each of its basins with alarms."""
    found = rows(reads, "?last=8h")
    assert tuple(found[0]) == COLUMNS
    for row in found:
        row["per_10_min_and_operator"] = row["per_10_min_and_operator"][:4]  # of seconds that the test takes
    assert [tuple(row.values())[2:] for row in found if row["shift_begins"].startswith("2026-03-03T06:00")] == [
        ("", "all", "2", "3", "2", "7", "1", "0.15", "3"),
        ("", "no basin", "0", "0", "1", "1", "0", "", ""),
        ("n1/b1", "Basin 1", "1", "2", "1", "4", "1", "", ""),
        ("n1/b2", "Basin 2", "1", "0", "0", "1", "0", "", ""),
        ("n2/b2", "Basin 4", "0", "1", "0", "1", "0", "", ""),
    ]


def test_a_label_that_would_be_a_formula_is_guarded(copy: House) -> None:
    db = connect(copy.data / FILE_NAME)
    with db.atomic():
        db.conn.execute("UPDATE basin SET label = '=HYPERLINK(\"x\")' WHERE name = 'b1' AND node = 'n1'")
    db.close()
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        assert {row["label"] for row in rows(client) if row["basin"] == "n1/b1"} == {'\'=HYPERLINK("x")'}


@pytest.mark.parametrize(
    ("address", "status", "text"),
    [
        ("/alarms/W99", 404, "There is no alarm 'W99'. The list is at /alarms."),
        ("/alarms?page=2", 400, "There is no parameter 'page' here."),
        ("/alarms/load?operators=0", 400, "operators='0' cannot be used. Write a whole number from 1 to 100."),
        ("/alarms/load?since=2026-02-30", 400, "day='2026-02-30' is no date."),
        ("/alarms/load?since=2026-03-03&until=2026-03-01", 400, "is not before"),
        ("/alarms/load?since=2020-01-01", 400, "At most 400 days at once. Ask year by year."),
        ("/alarms/load.csv?last=8", 400, "'8' is not a duration."),
        ("/api/alarms/W99", 404, "There is no alarm 'W99'. The list is at /api/alarms."),
        ("/api/alarms?since=2026-03-03T00:00:00Z", 400, "since and until go with all=yes"),
        ("/api/alarms?all=perhaps", 400, "all='perhaps' cannot be used. Write one of: no, yes."),
    ],
)
def test_bad_input_is_told_what_would_be_right(reads: Client, address: str, status: int, text: str) -> None:
    answer = reads.get(address)
    assert answer.status_code == status
    assert text in answer.text.replace("&#39;", "'")


def test_alarms_for_programs(reads: Client) -> None:
    found = reads.get("/api/alarms").json()
    assert (found["total"], [each["id"] for each in found["alarms"]]) == (7, ["W1", "W2", "W3", "W4", "W6", "W7", "W5"])
    seen = found["alarms"][1]
    assert seen["seen"] == {"by": TINA, "at": "2026-03-03T13:12:00.000+01:00", "at_ms": NOW_MS - 360_000} | {
        "done": f"Bath heater on {XSS}"
    }
    assert (seen["priority"], seen["told"], seen["standing"], seen["label"]) == ("high", 2, True, "Basin 2")
    assert [each["silenced"] for each in found["alarms"]] == [False, False, False, True, False, False, False]
    every = reads.get("/api/alarms?all=yes&limit=2&offset=7").json()
    assert (every["total"], [each["id"] for each in every["alarms"]]) == (9, ["W8", "W5"])
    day = reads.get(f"/api/alarms?all=yes&since={NOW_MS - 300_000}").json()
    assert [each["id"] for each in day["alarms"]] == ["W3", "W1"]
    one = reads.get("/api/alarms/W8").json()
    assert [each["text"] for each in one["life"]] == [
        "raised, medium",
        "its cause was over 08:19",
        "no longer stood 08:19",
    ]


def test_the_load_for_programs(reads: Client) -> None:
    found = reads.get("/api/alarms/load?last=8h&operators=2").json()
    assert found["counts"] == {"high": 2, "medium": 3, "low": 2, "total": 7, "late": 1}
    assert (found["operators"], found["most_in_10_min"]) == (2, 1.5)
    assert [each["name"] for each in found["shifts"]] == ["22–06", "06–14"]
    assert found["shifts"][1]["by_basin"]["n1/b2"] == {"high": 1, "medium": 0, "low": 0, "total": 1, "late": 0}
    assert found["seen"]["high"] == {
        "seen": 1,
        "median_ms": 240_000,
        "p90_ms": 240_000,
        "ended_unseen": 0,
        "not_seen_yet": 1,
    }
    assert len(found["benchmarks"]) == 5
    paths = reads.get("/schema/openapi.json").json()["paths"]
    assert {"/api/alarms", "/api/alarms/load", "/api/alarms/{alarm_id}"} <= paths.keys()


def test_delays_as_the_site_has_set_them(copy: House) -> None:
    """What a supervisor has set is shown beside what it tunes."""
    engine = alarmkit.Engine(copy.data)
    engine.put(replace(Policy(id="site"), time_zone="Europe/Berlin", alarm_on_ms=45_000), NOW_MS)
    engine.desk.close()
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        assert "Temperature alarm after: 45 s now" in main_words(client, "/alarms/load")
        scan(client, copy, SAM, pin=True)
        assert "Temperature alarm after" in client.get("/do/set-policy").text


def test_many_alarms_are_cut_to_what_a_page_can_show(copy: House) -> None:
    """A flood: every page shows three and counts the rest."""
    engine = alarmkit.Engine(copy.data)
    for number in range(40):
        engine.raised(100 + number, "opened-early", 1_000, "It was opened.")
    for number in range(72):
        engine.raised(200 + number, "soak-waits", 10 * alarmkit.HOUR_MS, "It waits.")
    engine.desk.close()
    with TestClient(copy.app(), base_url=f"http://{HOST}") as client:
        client.get("/")
        text = client.get("/closures").text
        assert "[42 high, 2 medium] Closures" in text
        assert "And 19 less urgent ones" in main_words(client, "/alarms")  # 119 stand, 100 are listed
        assert STRIP.search(text)[0].count('data-priority="high"') == 3  # type: ignore[index]
        assert "Most in 10 min 72 for each person: more than is recommended even after an upset" in main_words(
            client, "/alarms/load"
        )
