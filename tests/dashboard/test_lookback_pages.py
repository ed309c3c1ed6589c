"""The pages of look-backs over a morning of real deeds: what to do first, what is refused, what is issued."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import msgspec
import pagekit
import pytest
import recorded
from doorkit import HOST, PINS, SAM, TINA, Browser, House, scan
from litestar.testing import TestClient
from pagekit import NOW_MS, XSS

from collector import credentials
from collector.credentials import Kind
from collector.record.all import DEEDS
from collector.record.desk import Desk
from collector.schema import FILE_NAME, connect

HOW = f"The lid switch stuck. {XSS}"


def said(desk: Desk, kind: str, **fields: object) -> str:
    return desk.do(msgspec.convert(fields, DEEDS[kind]), SAM, second_factor=True).id


@pytest.fixture(scope="module")
def kept(clinic: tuple[Path, object], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A morning with look-back K2 of everything in basin 1, told and with a list; K1 came by itself with a use."""
    data = pagekit.copied(clinic[0], tmp_path_factory.mktemp("looked") / "data")
    recorded.record(data)
    with Desk(data, lambda: NOW_MS) as desk:
        said(desk, "open-look-back", cause="lid-or-node", how_found=HOW, asked={"basin": "n1/b1"})
        said(desk, "resolve-devices", look_back="K2", devices=["GS-02"], outcome="culture", note=f"Negative. {XSS}")
        said(desk, "tell-infection-prevention", look_back="K2", whom=XSS, how="by telephone")
        said(desk, "issue-look-back-list", look_back="K2")
    return data


@pytest.fixture
def house(kept: Path, tmp_path: Path) -> House:
    """The same, for one test, with people who can sign in."""
    data = pagekit.copied(kept, tmp_path / "data")
    db = connect(data / FILE_NAME)
    badges = {person: credentials.new_badge(db.conn, person) for person in (SAM, TINA)}
    for person in badges:
        credentials.set_secret(db.conn, person, Kind.PIN, PINS[person])
    db.close()
    return House(data, badges)


@pytest.fixture
def browser(house: House) -> Iterator[Browser]:
    with TestClient(house.app(), base_url=f"http://{HOST}") as asking:
        scan(asking, house, TINA)
        yield asking


def words(browser: Browser, address: str, status: int = 200) -> str:
    """What a person reads, on one line."""
    answer = browser.get(address, headers={"accept": "text/html"})
    assert answer.status_code == status, answer.text
    assert XSS not in answer.text
    body = re.sub(r"(?s)^.*?<main", "<main", answer.text)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ").replace("&#39;", "'")


def test_the_list_has_what_is_open_first(browser: Browser) -> None:
    text = words(browser, "/look-backs")
    assert text.index("K2") < text.index("K1") < text.index("Closed")
    assert "3 devices 2 not resolved 1 use" in text
    assert "not told" in text  # K1


def test_one_page_says_what_to_do_first(browser: Browser) -> None:
    text = words(browser, "/look-backs/K2")
    assert "Take out of cabinet 2: GS-01" in text.replace(" :", ":").replace(": ", ": ")
    assert "Say what became of each of the 2 devices that are left" in text
    assert "Tell infection prevention" not in text, "they were told"
    assert text.index("In a storage cabinet") < text.index("Used") < text.index("What is known of it")
    assert "encounter E-4431" in text
    assert "culture" in text
    assert "Sam Test" in text


def test_one_that_nobody_was_told_of_says_so(browser: Browser) -> None:
    text = words(browser, "/look-backs/K1")
    assert "Tell infection prevention: 1 use is on record." in text
    assert "None of" not in text


@pytest.mark.parametrize(
    ("address", "status", "sentence"),
    [
        ("/look-backs/K77", 404, "There is no look-back 'K77'. The list is at /look-backs."),
        ("/look-backs?page=0", 400, "page='0' cannot be used"),
        ("/look-backs/new?cause=bad-luck", 400, "There is no such cause."),
        ("/look-backs/new?cause=leak&asked.lot=L1", 400, "There is no parameter 'asked.lot' here."),
        ("/look-backs/new?cause=sensor-off&look=yes", 422, "This must be filled in."),
        ("/look-backs/new?cause=sensor-off&asked.sensor=x&asked.off_mc=68+F&look=yes", 422, "degrees Fahrenheit"),
        ("/look-backs/new?cause=leak&asked.from_ms=yesterday&look=yes", 422, "is no"),
        ("/look-backs/new?cause=culture-positive&asked.device=GS-99&look=yes", 422, "There is no device 'GS-99'."),
        ("/api/look-back-lists/KL7.pdf", 404, "There is no list 'KL7.pdf'."),
        ("/api/look-back-lists/KL1.exe", 404, "There is no list 'KL1.exe'."),
    ],
)
def test_bad_input_is_answered_with_what_would_be_right(
    browser: Browser, address: str, status: int, sentence: str
) -> None:
    assert sentence in words(browser, address, status)


def test_script_in_an_address_is_text(browser: Browser) -> None:
    asked = urlencode({"cause": "lot-recalled", "asked.lot": XSS, "look": "yes"})
    assert "No fill was poured from a bottle of lot" in words(browser, f"/look-backs/new?{asked}", 422)


def test_causes_in_the_words_of_people(browser: Browser) -> None:
    text = words(browser, "/look-backs/new")
    assert "What was wrong?" in text
    assert "A sensor reads wrong" in text
    assert "It opens by itself" not in text


def test_looking_first_records_nothing_and_opening_does(house: House, browser: Browser) -> None:
    scan(browser, house, SAM)
    before = house.records()
    page = browser.get("/look-backs/new?cause=culture-positive&asked.device=GS-02&look=yes")
    assert page.status_code == 200
    text = words(browser, "/look-backs/new?cause=culture-positive&asked.device=GS-02&look=yes")
    assert "It would concern nothing is recorded yet" in text
    assert "1 device, 1 round" in re.sub(r" (?=,)", "", text)
    assert house.records() == before
    form = dict(
        re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page.text.split('method="post"')[-1])
    )
    answer = browser.post("/do/open-look-back", data={**form, "how_found": "The laboratory called."})
    assert answer.status_code == 200, answer.text
    assert 'href="/look-backs/K3"' in answer.text
    assert "The laboratory called." in words(browser, "/look-backs/K3")


def test_a_technician_looks_and_does_not_open(house: House, browser: Browser) -> None:
    scan(browser, house, TINA)
    text = words(browser, "/look-backs/new?cause=culture-positive&asked.device=GS-02&look=yes")
    assert "Tina Test may not open it; that takes a supervisor." in text
    assert "Open the look-back" not in text


def test_a_round_that_came_since_is_told(house: House, browser: Browser) -> None:
    with Desk(house.data, lambda: NOW_MS) as desk:
        said(desk, "open-look-back", cause="leak", how_found="A bubble.", asked={})
        said(desk, "begin-turn", device="GS-03")
        said(desk, "attest-steps", device="GS-03", steps=["leak test"])
    assert "1 round has come on record since that it concerns too." in words(browser, "/look-backs/K3")


def test_what_has_become_of_a_device_since_is_said(house: House, browser: Browser) -> None:
    with Desk(house.data, lambda: NOW_MS) as desk:
        said(desk, "lift-quarantine", device="GS-01", reason="It goes through again.")
        said(desk, "begin-turn", device="GS-01")
    text = words(browser, "/look-backs/K2")
    assert "Since then: a new round was begun" in text
    assert "Take out of cabinet 2" not in text


def test_the_list_is_the_same_bytes_again_whatever_came_after(house: House, browser: Browser) -> None:
    paper, table = browser.get("/api/look-back-lists/KL1.pdf"), browser.get("/api/look-back-lists/KL1.csv")
    assert (paper.headers["content-type"], paper.content[:5]) == ("application/pdf", b"%PDF-")
    with Desk(house.data, lambda: NOW_MS + 60_000) as desk:
        said(desk, "resolve-devices", look_back="K2", devices=["GS-01", "GS-03"], outcome="no risk", note="See K9.")
        said(desk, "close-look-back", look_back="K2", conclusion="The switch was changed.")
    assert browser.get("/api/look-back-lists/KL1.pdf").content == paper.content
    assert browser.get("/api/look-back-lists/KL1.csv").content == table.content
    rows = table.text.splitlines()
    assert [row.split(",")[2] for row in rows[1:]] == ["GS-01", "GS-02", "GS-03"]


def test_whoever_issues_a_list_is_led_to_it(house: House, browser: Browser) -> None:
    scan(browser, house, SAM)
    token = re.search(r'name="form_token" value="([^"]+)"', browser.get("/do/issue-look-back-list").text)
    assert token
    answer = browser.post("/do/issue-look-back-list", data={"form_token": token[1], "look_back": "K1"})
    assert 'href="/api/look-back-lists/KL2.pdf"' in answer.text
    assert browser.get("/api/look-back-lists/KL2.pdf").status_code == 200


def test_a_form_that_is_behind_is_told_what_has_happened(house: House, browser: Browser) -> None:
    scan(browser, house, SAM, pin=True)
    form = browser.get("/do/resolve-devices?look_back=K2&devices=GS-01%0AGS-03").text
    token = re.search(r'name="form_token" value="([^"]+)"', form)
    assert token
    with Desk(house.data, lambda: NOW_MS) as desk:
        said(desk, "close-look-back", look_back="K2", conclusion="The switch was changed.", reason="A test.")
    typed = {"look_back": "K2", "devices": "GS-01\nGS-03", "outcome": "no risk", "note": XSS}
    answer = browser.post("/do/resolve-devices", data={"form_token": token[1], **typed})
    assert answer.status_code == 409
    assert "Look-back K2 was closed by Sam Test" in answer.text
    assert XSS not in answer.text
    assert "GS-03" in answer.text, "what was typed is still there"


def test_devices_loads_and_fills_lead_to_it(browser: Browser) -> None:
    assert 'href="/look-backs/K2"' in browser.get("/devices/GS-01").text
    assert 'href="/look-backs/K2"' in browser.get("/loads/L1").text
    assert 'href="/look-backs"' in browser.get("/").text
