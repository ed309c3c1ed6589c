"""What somebody tries who means harm, or who shares an address, a disk or a database with somebody who does."""

from __future__ import annotations

import asyncio
import socket
import sqlite3
import threading
from contextlib import closing
from typing import Any

import httpx
import pagekit
import pytest
from doorkit import ADA, OLGA, PASSWORD, PINS, SAM, TINA, House, OpenBrowser, refused, scan
from litestar.testing import RequestFactory

from collector import proofs, sessions
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.schema import FILE_NAME
from dashboard import desks, tries
from dashboard.doing import guessing
from dashboard.site import Site

NORA = {"id": "nora", "name": "Nora New", "roles": ["technician", "auditor"]}
PICTURE = b"\x89PNG\r\n\x1a\n of a label"


def test_the_same_key_with_a_list_in_it_does_nothing_twice(house: House, opened: OpenBrowser) -> None:
    """The record has lists where a deed has tuples: that is no difference."""
    browser = opened()
    scan(browser, house, ADA, pin=True)
    first = browser.post("/api/deeds/record-person", json=NORA, headers={"Idempotency-Key": "k1"}).json()
    again = browser.post("/api/deeds/record-person", json=NORA, headers={"Idempotency-Key": "k1"}).json()
    assert again == {**first, "again": True}


def test_pictures_are_kept_for_those_only_who_may_record(house: House, opened: OpenBrowser) -> None:
    """Whoever has not signed in, and an auditor, cannot fill the disk through a form."""
    browser = opened()
    files = {"picture_sha256.file": ("label.png", PICTURE, "image/png")}
    assert browser.post("/do/transcribe-downtime", data={"once": "1"}, files=files).status_code == 401
    scan(browser, house, OLGA)
    assert browser.post("/do/transcribe-downtime", data={"once": "1"}, files=files).status_code == 409
    assert not (house.data / "pictures").exists()
    scan(browser, house, TINA)
    assert browser.post("/do/transcribe-downtime", data={"once": "1"}, files=files).status_code == 409
    assert len(list((house.data / "pictures").iterdir())) == 1


def test_who_is_signed_in_goes_on_recording_while_somebody_guesses_beside_them(
    house: House, opened: OpenBrowser
) -> None:
    """Behind a server with TLS, or at one tablet, all have the same address."""
    browser = opened()
    scan(browser, house, ADA, pin=True)
    for _ in range(tries.MOST_FAILURES):
        browser.post("/api/sign-in", json={"badge": "PERSONBCDE"})
    assert refused(browser.post("/api/sign-in", json={"badge": "PERSONBCDE"}), 429)[0] == "too-many-tries"
    assert browser.post("/api/deeds/record-person", json=NORA).status_code == 200
    headers = {"X-PIN": PINS[ADA]}
    assert browser.post("/api/deeds/record-person", json={**NORA, "id": "nils"}, headers=headers).status_code == 429


def test_many_guesses_at_once_are_no_more_than_one_after_another(house: House) -> None:
    """None has failed yet when all of them arrive: it is counted where they are compared."""
    site, request = Site(house.data, real_now_ms=lambda: house.now_ms), RequestFactory().post("/")

    def guess(desk: Desk, now_ms: int) -> None:
        proofs.by_badge(desk, "PERSONBCDE", "", now_ms)

    async def all_at_once() -> list[Any]:
        return await asyncio.gather(*(guessing(site, request, guess) for _ in range(80)), return_exceptions=True)

    rules = [each.rule for each in asyncio.run(all_at_once()) if isinstance(each, RefusedError)]
    assert len(rules) == 80
    assert tries.MOST_FAILURES <= rules.count("unknown-badge") < tries.MOST_FAILURES + desks._WRITERS


@pytest.mark.parametrize("name", ["badge", "pin", "person", "password"])
def test_nobody_makes_this_machine_hash_megabytes(opened: OpenBrowser, name: str) -> None:
    answer = opened().post("/api/sign-in", json={"person": ADA, "password": PASSWORD, name: "x" * 1_001})
    assert refused(answer, 422) == (
        "malformed",
        f"The body cannot be used: Expected `str` of length <= 1000 – at {name}.",
        "The fields stand in /schema/openapi.json.",
    )


@pytest.mark.parametrize("path", ["/sign-in", "/do/hand-over", "/api/sign-in"])
def test_nobody_makes_this_machine_tell_a_million_fields_apart(opened: OpenBrowser, path: str) -> None:
    """Without being signed in, and while everybody else waits."""
    kind = "application/json" if path.startswith("/api/") else "application/x-www-form-urlencoded"
    content = b"[1" + b",1" * 200_000 + b"]" if path.startswith("/api/") else b"a&" * 200_000
    assert opened().post(path, content=content, headers={"content-type": kind}).status_code == 413


def test_an_id_ends_where_it_seems_to(house: House, opened: OpenBrowser) -> None:
    """Nobody becomes a second Tina by a line end that no page shows."""
    browser = opened()
    scan(browser, house, ADA, pin=True)
    before = house.records()
    assert refused(browser.post("/api/deeds/record-person", json={**NORA, "id": "tina\n"}), 422)[0] == "malformed"
    assert house.records() == before


@pytest.mark.parametrize(("text", "code"), [("Tina\u202enimda", "202E"), ("Tina\u0000", "0000"), ("\u001b[2J", "001B")])
def test_text_reads_as_it_is_written(house: House, opened: OpenBrowser, text: str, code: str) -> None:
    browser = opened()
    scan(browser, house, ADA, pin=True)
    before = house.records()
    assert refused(browser.post("/api/deeds/record-person", json={**NORA, "name": text}), 409) == (
        "control-character",
        f"The text in “name” holds a character that nobody sees (U+{code}): on paper and screen it would read as "
        "something else.",
        "Type it anew instead of copying it.",
    )
    assert house.records() == before


def test_times_beyond_the_calendar_are_refused_and_stop_nothing(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, SAM, pin=True)
    downtime = {"from_ms": 0, "until_ms": 2**53, "lines": ["One"]}
    assert refused(browser.post("/api/deeds/transcribe-downtime", json=downtime), 409) == (
        "time-beyond",
        "9007199254740992 in “until_ms” is no time of any calendar.",
        "Give milliseconds since 1970.",
    )
    review = {"day": "9999-12-31", "answers": []}
    assert refused(browser.post("/api/deeds/sign-review", json=review), 409)[0] == "time-beyond"


def test_pages_are_read_while_everybody_who_writes_waits(house: House) -> None:
    """Threads that wait for a locked database are not those in which pages are read."""
    held = desks.Desks(house.data, lambda: house.now_ms)

    async def one_locks_and_many_write() -> None:
        with closing(sqlite3.connect(house.data / FILE_NAME, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            writes = [held.write(lambda desk: sessions.end(desk.connection, "nobody's")) for _ in range(60)]
            waiting = asyncio.gather(*writes)
            await asyncio.sleep(0)
            await held.look(lambda connection: connection.total_changes)
            assert not waiting.done()  # none has given up yet
            other.execute("ROLLBACK")
            await waiting

    asyncio.run(one_locks_and_many_write())


def test_a_page_does_not_wait_for_a_locked_database_to_note_that_it_was_looked_at(
    house: House, opened: OpenBrowser
) -> None:
    browser = opened()
    scan(browser, house, TINA)
    house.now_ms += 60_000
    seen = house.ask("SELECT seen_ms FROM session")
    with closing(sqlite3.connect(house.data / FILE_NAME, isolation_level=None, check_same_thread=False)) as other:
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(4, other.execute, ("ROLLBACK",))
        release.start()
        assert "Tina Test" in browser.get("/do", headers={"accept": "text/html"}).text
        assert house.ask("SELECT seen_ms FROM session") == seen  # whoever waited would have noted it by now
        release.join()
    browser.get("/do", headers={"accept": "text/html"})
    assert house.ask("SELECT seen_ms FROM session") == [(house.now_ms,)]


def test_in_a_closed_house_the_live_stream_ends_with_its_session(house: House) -> None:
    """A wall display of somebody who has left shows nothing more."""
    more = {"require_sign_in": True, "real_now_ms": lambda: house.now_ms}
    with (
        pagekit.serving(house.data, house.played, **more) as address,
        httpx.Client(base_url=address, timeout=20) as browser,
    ):
        browser.post("/api/sign-in", json={"badge": house.badges[TINA]})
        with browser.stream("GET", "/live") as answer:
            lines = answer.iter_lines()
            assert next(lines) == ": live"
            with closing(sqlite3.connect(house.data / FILE_NAME)) as connection:
                sessions.end(connection, browser.cookies["soakledger"])
            assert len(list(lines)) < 100  # it has an end
        assert browser.get("/live").status_code == 401


def test_a_request_that_breaks_off_is_no_fault_of_ours(house: House, caplog: pytest.LogCaptureFixture) -> None:
    """Nobody fills the messages with traces of our own code by hanging up."""
    head = "POST /api/sign-in HTTP/1.1", "Host: 127.0.0.1", "Content-Type: application/json", "Content-Length: 9"
    with caplog.at_level("INFO", "dashboard.problems"), pagekit.serving(house.data, house.played) as address:
        port = int(address.rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port)) as browser:
            browser.sendall("\r\n".join((*head, "", "{")).encode())
            browser.shutdown(socket.SHUT_WR)
            assert browser.recv(1) == b""
    said = [(each.levelname, each.getMessage()) for each in caplog.records if each.name == "dashboard.problems"]
    assert said == [("INFO", "/api/sign-in: client disconnected prematurely")]
