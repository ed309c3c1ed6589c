"""Every error page says what happened and what to do next; what was typed outlives a record that cannot be written."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from collector.schema import FILE_NAME
from dashboard import record_pages
from dashboard.app import build_app
from tests.screens.furnished import EVERYBODY, TINA, Browser, House, furnish
from tests.screens.test_every_form import HOST, deed_form, enter, lost, send, words

TYPED = {"note": "Basin 1 reads warm since noon."}
FORM = {"content-type": "application/x-www-form-urlencoded"}


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """The furnished clinic."""
    found, _ = furnish(tmp_path_factory.mktemp("problems") / "data")
    return found


@pytest.fixture
def browser(house: House) -> Iterator[Browser]:
    """A browser at which nobody is signed in."""
    with TestClient(house.app(), base_url=HOST, raise_server_exceptions=False) as asking:
        yield asking


def said(answer: Any, status: int) -> str:
    """The words of an error page, which must be one of ours with a way on."""
    assert answer.status_code == status, answer.text
    main = answer.text.partition('<main id="main"')[2].partition("</main>")[0]
    assert "<h1>" in main
    assert "<a " in main or 'http-equiv="refresh"' in answer.text or "<form" in main
    text = " ".join(unescape(re.sub(r"<[^>]+>", " ", "<" + main)).split())
    assert "openapi" not in text, "for programs"
    return text


def test_there_is_nothing(browser: Browser) -> None:
    assert "Go on by the names at the top" in said(browser.get("/nothing"), 404)
    assert "The list is at /closures." in said(browser.get("/closures/999"), 404)
    assert "Did you mean" in said(browser.get("/basins/n9/b9"), 404)


def test_it_cannot_be_asked(browser: Browser) -> None:
    assert "Write one of: met, not met, unproven." in said(browser.get("/closures?verdict=perhaps"), 400)


def test_it_is_not_for_everybody(browser: Browser, house: House) -> None:
    assert "Open this site itself and do it there." in said(
        browser.post("/do/hand-over", data=TYPED, headers={"sec-fetch-site": "cross-site"}), 403
    )
    enter(browser, house, TINA)
    assert "Ask an administrator." in said(browser.get("/people/tom/credentials"), 403)


def test_it_cannot_be_sent_there(browser: Browser) -> None:
    assert "Open the page anew" in said(browser.put("/do/hand-over"), 405)


@pytest.mark.parametrize("size", [300_000, 10_000_000])
@pytest.mark.parametrize("path", ["/do/hand-over", "/sign-in"])
def test_it_is_too_large(browser: Browser, path: str, size: int) -> None:
    text = said(browser.post(path, content=b"x" * size, headers=FORM), 413)
    assert "Go back: what you typed is still in the form." in text


def test_it_is_no_form(browser: Browser) -> None:
    answer = browser.post("/do/hand-over", content=b"x", headers={"content-type": "multipart/form-data"})
    assert "Open the page anew and do it there." in said(answer, 422)


def test_it_was_tried_too_often(browser: Browser) -> None:
    for number in range(30):
        assert browser.post("/sign-in", data={"badge": f"x{number}"}).status_code == 401
    assert "Wait 300 s, then try again." in said(browser.post("/sign-in", data={"badge": "x"}), 429)


def test_it_is_another_name(browser: Browser) -> None:
    text = said(browser.get("/", headers={"host": "elsewhere.example"}), 421)
    assert "Use the address it printed when it started" in text


def test_a_fault_of_our_own_shows_nothing_of_it(browser: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(*_: object) -> None:
        raise ZeroDivisionError("a secret of the program")

    monkeypatch.setattr(record_pages, "look", fault)
    answer = browser.get("/fills")
    assert "Try again; if it stays so, report it" in said(answer, 500)
    assert "secret" not in answer.text


def test_there_are_no_data_yet(tmp_path: Path) -> None:
    with TestClient(build_app(tmp_path), base_url=HOST) as browser:
        for address in ("/", "/alarms", "/devices"):
            text = said(browser.get(address), 503)
            assert "Start the collector on the same folder" in text
            assert "looks again by itself" in text


def test_programs_get_json_with_what_to_do(browser: Browser) -> None:
    assert "/schema/openapi.json" in browser.get("/api/nothing").json()["text"]
    answer = browser.post("/api/deeds/hand-over", data=TYPED)
    assert (answer.status_code, answer.json()["next_step"]) == (415, "Send JSON, with Content-Type: application/json.")


def test_what_was_typed_outlives_a_record_that_cannot_be_written(
    browser: Browser, house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else writes for longer than anybody waits; then the form is sent once more, and is recorded once."""
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *given, **more: connect(*given, **{**more, "timeout": 0.05}))
    enter(browser, house, EVERYBODY)
    hidden = deed_form(browser.get("/do/hand-over"), "hand-over").hidden
    holding = sqlite3.connect(house.data / FILE_NAME, isolation_level=None)
    holding.execute("BEGIN IMMEDIATE")
    try:
        answer = send(browser, "hand-over", TYPED, hidden)
    finally:
        holding.execute("ROLLBACK")
        holding.close()
    assert answer.status_code == 503
    assert "Others were writing for too long. Nothing was recorded." in words(answer)
    assert "What you typed is still here. Send it once more." in words(answer)
    assert 'http-equiv="refresh"' not in answer.text
    assert lost(answer, "hand-over", TYPED) == []
    before = house.records()
    assert send(browser, "hand-over", TYPED, deed_form(answer, "hand-over").hidden).status_code == 200
    assert house.records() == before + 1


def test_what_was_typed_outlives_data_that_are_gone(browser: Browser, house: House) -> None:
    """The database's file is away for a moment: of a disk that is not mounted, of a restore."""
    enter(browser, house, EVERYBODY)
    hidden = deed_form(browser.get("/do/hand-over"), "hand-over").hidden
    away = house.data / "away"
    (house.data / FILE_NAME).rename(away)
    try:
        answer = send(browser, "hand-over", TYPED, hidden)
        assert answer.status_code in (401, 503)
        assert lost(answer, "hand-over", TYPED) == []
        answer = send(browser, "hand-over", {**TYPED, "badge": house.badges[EVERYBODY]}, hidden)
        assert answer.status_code == 503
        assert "There are no data in" in words(answer)
        assert lost(answer, "hand-over", TYPED) == []
    finally:
        away.rename(house.data / FILE_NAME)
