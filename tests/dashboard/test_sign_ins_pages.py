"""The record of sign-ins as people see it, one's own sessions, and long work for one person at a time."""

from __future__ import annotations

import csv
import io
import re

import pytest
from doorkit import ADA, OLGA, PASSWORD, SAM, TINA, TOM, Browser, House, OpenBrowser, refused, scan

from collector import sessions, sign_ins
from collector.record.errors import RefusedError
from dashboard.alone import LONGEST_S, Alone
from dashboard.site import Site


def rows(text: str) -> list[str]:
    """What each row of the table says, without its time."""
    found = re.findall(r"(?s)<tr>\s*<td.*?</tr>", text)
    plain = (re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", each)).strip() for each in found)
    return [re.sub(r"^\w+ \d+ \w+ \d{4} [\d:]+ ?", "", each) for each in plain]


def failed(browser: Browser, person: str) -> None:
    refused(browser.post("/api/sign-in", json={"person": person, "password": "not the right one"}), 401)


def test_who_signed_in_how_from_where_and_who_tried(house: House, opened: OpenBrowser) -> None:
    tablet, reader = opened(), opened()
    scan(tablet, house, TINA)
    scan(tablet, house, TOM, pin=True)
    tablet.post("/api/sign-out")
    for person in (ADA, ADA, "Violet marsh under glass"):
        failed(tablet, person)
    refused(tablet.post("/api/sign-in", json={"badge": "PERSONX"}), 401)
    scan(reader, house, OLGA)
    text = reader.get("/people/sign-ins").text
    ((mark,),) = {tuple(row) for row in house.ask("SELECT browser FROM sign_in WHERE person = 'tom'")}
    here = "testclient"
    assert rows(text)[1:] == [
        f"nobody who is known badge refused: unknown {here} {mark}",
        f"nobody who is known password refused: unknown {here} {mark}",
        f"2 times, until Tue 3 Mar 2026 13:18:00 Ada Test password refused: it did not fit {here} {mark}",
        f"Tom Test – signed out {here} {mark}",
        f"Tom Test badge and PIN signed in {here} {mark}",
        f"Tina Test – signed out {here} {mark}",
        f"Tina Test badge signed in {here} {mark}",
    ]
    assert "Violet" not in text
    assert [each.split(" ")[0] for each in rows(reader.get("/people/sign-ins?person=tom").text)] == ["Tom", "Tom"]
    assert len(rows(reader.get("/people/sign-ins?person=?").text)) == 2
    table = list(csv.reader(io.StringIO(reader.get("/people/sign-ins.csv?person=ada").text)))
    assert table == [
        ["number", "at", "last_at", "times", "person", "name", "how", "outcome", "address", "browser"],
        ["5", *["2026-03-03T12:18:00.000Z"] * 2, "2", ADA, "Ada Test", "password", "wrong", here, mark],
    ]


def test_a_long_record_comes_page_by_page(house: House, opened: OpenBrowser, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboard.sign_ins_pages.PER_PAGE", 2)
    browser = opened()
    for person in (TINA, TOM, SAM, OLGA):
        scan(browser, house, person)
    first = browser.get("/people/sign-ins")
    ((further,),) = (re.findall(r'href="(/people/sign-ins\?person=&amp;before=\d+)"', first.text),)
    assert further.endswith("before=6")
    assert rows(browser.get(further.replace("&amp;", "&")).text)[0].startswith("Sam Test badge signed in")
    assert browser.get("/people/sign-ins?before=x").status_code == 400


def test_waiting_ended_and_left_are_told_apart(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    for _ in range(6):
        failed(browser, ADA)
        house.now_ms += 1
    scan(browser, house, TINA)
    house.now_ms += sessions.BADGE_IDLE_MS + 1
    browser.cookies.delete("soakledger")
    scan(browser, house, TOM)
    found = [(each[0], each[1]) for each in house.ask("SELECT person, outcome FROM sign_in ORDER BY number")]
    assert found == [(ADA, "wrong"), (ADA, "had to wait"), (TINA, "signed in"), (TINA, "ended"), (TOM, "signed in")]


def test_ones_own_page_shows_where_one_is_signed_in_and_ends_all_of_it(house: House, opened: OpenBrowser) -> None:
    browser, elsewhere = opened(), opened()
    scan(browser, house, TINA)
    scan(elsewhere, house, TINA)
    page = browser.get("/me").text
    assert page.count("since Tue 3 Mar 2026 13:18:00, last used 13:18") == 2
    assert len(rows(page)) == 2
    token = re.search(r'name="form_token" value="(\w+)"', page)
    assert token
    assert browser.post("/me/sign-out-everywhere", data={"form_token": token[1]}).url.path == "/sign-in"
    assert [each.get("/api/me").json()["person"] for each in (browser, elsewhere)] == [None, None]
    assert house.ask("SELECT count(*) FROM session") == [(0,)]


def test_a_session_is_never_one_that_the_browser_brought(house: House, opened: OpenBrowser) -> None:
    """Nor does a sign-in leave the earlier one open."""
    browser = opened()
    browser.cookies.set("soakledger", "planted", domain="127.0.0.1", path="/")
    scan(browser, house, TINA)
    first = browser.cookies["soakledger"]
    browser.post("/api/sign-in", json={"person": ADA, "password": PASSWORD})
    assert len({"planted", first, browser.cookies["soakledger"]}) == 3
    assert house.ask("SELECT person FROM session") == [(ADA,)]


def test_nobody_is_signed_in_more_often_than_people_have_hands(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    for _ in range(sessions.MOST_PER_PERSON + 3):
        browser.cookies.clear()
        scan(browser, house, TINA)
    assert house.ask("SELECT count(*) FROM session") == [(sessions.MOST_PER_PERSON,)]
    assert len(house.ask("SELECT 1 FROM sign_in")) <= sign_ins._MOST_APART + 3


def test_large_files_are_made_for_one_person_one_at_a_time() -> None:
    now = [0.0]
    alone = Alone(lambda: now[0])
    alone.begin("tina")
    alone.begin("tom")
    with pytest.raises(RefusedError, match="Another large file is still being made for you"):
        alone.begin("tina")
    alone.end("tina")
    alone.begin("tina")
    now[0] += LONGEST_S
    alone.begin("tina")


def test_a_second_large_file_is_refused_while_the_first_is_made(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, OLGA)
    site: Site = browser.app.dependencies["site"].dependency()  # type: ignore[union-attr]
    site.alone.begin(OLGA)
    days = "since=2026-03-01&until=2026-03-02"
    assert browser.get(f"/report/tables.zip?{days}").status_code == 429
    site.alone.end(OLGA)
    assert browser.get(f"/report/tables.zip?{days}").status_code == 200
    assert browser.get(f"/report/tables.zip?{days}").status_code == 200
