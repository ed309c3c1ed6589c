"""Deeds over HTTP: who may, what comes back, what is refused, and that nothing half-written stays."""

from __future__ import annotations

import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, ClassVar

import pagekit
import pytest
from doorkit import ADA, HOST, OLGA, PINS, SAM, TINA, TOM, Browser, House, OpenBrowser, refused, scan
from litestar.testing import TestClient

from collector.record import deed as deeds
from collector.record.all import DEEDS
from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.things import Handover, Id, Note
from collector.schema import FILE_NAME
from dashboard import desks

NORA = {"id": "nora", "name": "Nora New", "roles": ["technician"]}


def note(browser: Browser, text: str = "All well", **headers: str) -> Any:
    return browser.post("/api/deeds/hand-over", json={"note": text}, headers=headers)


def test_every_deed_has_an_address_with_its_fields(opened: OpenBrowser) -> None:
    browser = opened()
    described = browser.get("/schema/openapi.json").json()
    assert [each["name"] for each in browser.get("/api/deeds").json()["deeds"]] == sorted(DEEDS)
    for name, kind in DEEDS.items():
        operation = described["paths"][f"/api/deeds/{name}"]["post"]
        schema = operation["requestBody"]["content"]["application/json"]["schema"]["$ref"].rpartition("/")[2]
        assert set(described["components"]["schemas"][schema]["properties"]) == set(kind.__struct_fields__)
        assert operation["summary"] == (kind.__doc__ or "").splitlines()[0].split(". ")[0].rstrip(".")
        assert f"Who may: {' or '.join(sorted(kind.ROLES))}." in operation["description"]
        assert {"401", "403", "409", "422"} <= operation["responses"].keys()


def test_a_deed_is_recorded_in_the_name_of_who_is_signed_in(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    answer = note(browser)
    number = house.records()
    assert (answer.status_code, answer.json()) == (
        200,
        {"number": number, "kind": "handover", "id": "H1", "again": False},
    )
    ((kind, who, at_ms),) = house.ask(f"SELECT kind, who, at_ms FROM ledger WHERE number = {number}")
    assert (kind, who) == ("hand-over", TINA)
    assert 0 <= at_ms - pagekit.NOW_MS < 60_000  # by the rehearsal's clock


def test_nobody_can_do_anything_without_signing_in(opened: OpenBrowser) -> None:
    """Before the body is looked at: not even what is wrong with it is told."""
    browser = opened()
    for name in DEEDS:
        answer = browser.post(f"/api/deeds/{name}", json={})
        assert refused(answer, 401) == ("not-signed-in", "Nobody is signed in.", "Scan a badge, then do it again.")


def test_roles_are_kept_and_an_auditor_only_reads(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    before = house.records()
    scan(browser, house, OLGA, pin=True)
    assert refused(note(browser), 403) == (
        "role",
        "Olga Test is an auditor; this takes a supervisor or a technician.",
        "Ask a supervisor or a technician to do it.",
    )
    assert refused(browser.post("/api/pictures", content=b"%PDF-"), 403) == (
        "role",
        "Olga Test is an auditor, who only reads.",
        "Ask somebody who works here to do it.",
    )
    scan(browser, house, TINA, pin=True)
    assert refused(browser.post("/api/deeds/record-person", json=NORA), 403)[0] == "role"
    assert house.records() == before
    assert browser.get("/api/ledger").status_code == 200


def test_a_second_factor_comes_from_the_session_or_with_the_deed(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, ADA)
    assert refused(browser.post("/api/deeds/record-person", json=NORA), 403) == (
        "second-factor",
        "This takes a PIN or password besides the badge.",
        "Enter your PIN.",
    )
    wrong = browser.post("/api/deeds/record-person", json=NORA, headers={"X-PIN": PINS[TINA]})
    assert refused(wrong, 401)[0] == "wrong-secret"
    right = browser.post("/api/deeds/record-person", json=NORA, headers={"X-PIN": PINS[ADA]})
    assert right.json()["id"] == "nora"
    second = browser.post("/api/deeds/record-person", json={**NORA, "id": "nils"})
    assert second.json()["id"] == "nils"  # it counts for a while
    house.now_ms += 6 * 60_000
    assert refused(browser.post("/api/deeds/record-person", json={**NORA, "id": "nina"}), 403)[0] == "second-factor"


@pytest.mark.parametrize(
    ("body", "text"),
    [
        (b"", "The body cannot be used: 'data' – at data."),
        (b"{}", "The body cannot be used: Object missing required field `note` – at data."),
        (b'{"note": 7}', "The body cannot be used: Expected `str`, got `int` – at note."),
        (b'{"note": "x", "nte": "y"}', "The body cannot be used: Object contains unknown field `nte` – at data."),
        (b'{"note": "' + b"x" * 1_001 + b'"}', "The body cannot be used: Expected `str` of length <= 1000 – at note."),
    ],
)
def test_a_body_that_cannot_be_used_is_told_with_the_place(
    house: House, opened: OpenBrowser, body: bytes, text: str
) -> None:
    browser = opened()
    scan(browser, house, TINA)
    answer = browser.post("/api/deeds/hand-over", content=body, headers={"Content-Type": "application/json"})
    assert refused(answer, 422) == ("malformed", text, "The fields stand in /schema/openapi.json.")


def test_what_is_no_json_is_refused(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    before = house.records()
    for body in (b"{", b"\xff", b"[" * 10_000, b'{"note": 1e', b"nope"):
        answer = browser.post("/api/deeds/hand-over", content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code in (400, 422), body
    assert house.records() == before


def test_parameters_that_mean_nothing_are_refused(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    answer = browser.post("/api/deeds/hand-over?note=x", json={"note": "x"})
    assert answer.status_code == 400
    assert answer.json()["text"].startswith("There is no parameter 'note' here.")


def test_the_same_key_does_nothing_twice(house: House, opened: OpenBrowser) -> None:
    """Not even from another browser of the same person; for another person it is another key."""
    browser, other = opened(), opened()
    scan(browser, house, TINA)
    scan(other, house, TINA)
    first = note(browser, **{"Idempotency-Key": "abc"}).json()
    assert note(browser, **{"Idempotency-Key": "abc"}).json() == {**first, "again": True}
    assert note(other, **{"Idempotency-Key": "abc"}).json() == {**first, "again": True}
    assert house.records() == first["number"]
    assert refused(note(browser, "Something else", **{"Idempotency-Key": "abc"}), 409) == (
        "once",
        f"Something else was recorded already under this key, as number {first['number']}. Nothing was recorded now.",
        "Begin a new form, or use a new key for each thing that is recorded.",
    )
    scan(other, house, TOM)
    assert note(other, **{"Idempotency-Key": "abc"}).json()["again"] is False
    assert refused(note(browser, **{"Idempotency-Key": "x" * 101}), 409) == (
        "once",
        "The key is 101 characters long.",
        "Use at most 100.",
    )


def test_two_people_at_once_one_wins_and_the_other_is_told(house: House, opened: OpenBrowser) -> None:
    """Twice eight times the same new person from two browsers: recorded once, every other answer says so."""
    browsers = [opened(), opened()]
    for browser in browsers:
        scan(browser, house, ADA, pin=True)
    start = threading.Barrier(16)

    def record(number: int) -> Any:
        start.wait(20)
        return browsers[number % 2].post("/api/deeds/record-person", json=NORA)

    before = house.records()
    with ThreadPoolExecutor(16) as pool:
        answers = list(pool.map(record, range(16)))
    assert sorted(each.status_code for each in answers) == [200] + [409] * 15
    assert {refused(each, 409) for each in answers if each.status_code == 409} == {
        (
            "person-exists",
            "'nora' is Nora New.",
            "Choose another id; to change what is on file for that person, change the person.",
        )
    }
    assert house.records() == before + 1


def test_many_notes_at_once_are_each_recorded_once(house: House, opened: OpenBrowser) -> None:
    browsers = [opened(), opened()]
    scan(browsers[0], house, TINA)
    scan(browsers[1], house, SAM)
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda number: note(browsers[number % 2], f"note {number}").json(), range(40)))
    assert [each for each in answers if "number" not in each] == []
    assert len({each["number"] for each in answers}) == 40
    assert sorted(each["id"] for each in answers) == sorted(f"H{number}" for number in range(1, 41))


class Witness(Deed, frozen=True, kw_only=True):
    """Do something that takes two."""

    NAME: ClassVar[str] = "test-witness"
    SECOND_PERSON: ClassVar[bool] = True

    second_person: Id
    note: Note

    def perform(self, book: Book) -> Handover:
        """Whatever it is."""
        text = f"{self.note}, seen by {self.second_person}"
        return book.put(Handover(id=book.next_id(Handover), by=book.who, at_ms=book.at_ms, note=text))


@pytest.fixture
def witnessed(monkeypatch: pytest.MonkeyPatch) -> None:
    """There is a deed that takes a second person."""
    monkeypatch.setitem(deeds.DEEDS, Witness.NAME, Witness)


@pytest.mark.usefixtures("witnessed")
def test_a_second_person_proves_it_themselves(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA, pin=True)

    def witness(second: str, **headers: str) -> Any:
        said = {"note": "Both", "second_person": second}
        named = {name.replace("_", "-"): content for name, content in headers.items()}
        return browser.post(f"/api/deeds/{Witness.NAME}", json=said, headers=named)

    before = house.records()
    for headers in ({}, {"X_Second_Badge": house.badges[TOM]}):
        assert refused(witness(TOM, **headers), 409) == (
            "second-person",
            "This takes a second person, who proves it at the same time.",
            "Let a second person scan their badge and enter their PIN.",
        )
    assert refused(witness(TINA, X_Second_PIN=PINS[TINA]), 409) == (
        "second-person",
        "The second person is the one who does it.",
        "Ask somebody else to be the second person.",
    )
    assert refused(witness(TOM, X_Second_PIN=PINS[TINA]), 401)[0] == "wrong-secret"
    assert refused(witness(TOM, X_Second_PIN=PINS[TOM], X_Second_Badge=house.badges[SAM]), 409) == (
        "second-person",
        "The second badge is not that of the second person.",
        "Scan the badge of who is named.",
    )
    assert refused(witness("nobody", X_Second_PIN=PINS[TOM]), 401)[0] == "wrong-secret"
    assert house.records() == before
    assert witness(TOM, X_Second_PIN=PINS[TOM], X_Second_Badge=house.badges[TOM]).status_code == 200
    ((who, body),) = house.ask("SELECT who, body FROM ledger ORDER BY number DESC LIMIT 1")
    assert who == TINA
    assert "Both, seen by tom" in body
    assert PINS[TOM] not in body


@pytest.mark.usefixtures("witnessed")
def test_at_a_form_the_second_badge_says_who_it_is(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    page = browser.get(f"/do/{Witness.NAME}").text
    token = page.partition('name="form_token" value="')[2].partition('"')[0]
    typed = {"form_token": token, "note": "Both", "second_badge": house.badges[TOM], "second_pin": PINS[TOM]}
    assert "Recorded as number" in browser.post(f"/do/{Witness.NAME}", data=typed).text
    assert "Both, seen by tom" in house.ask("SELECT body FROM ledger ORDER BY number DESC LIMIT 1")[0][0]


def test_a_database_that_others_hold_is_said_and_nothing_is_recorded(
    house: House, opened: OpenBrowser, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser = opened()
    scan(browser, house, TINA)
    before = house.records()
    impatient = desks.Desk

    class Impatient(impatient):  # type: ignore[misc, valid-type]
        def __init__(self, *arguments: Any) -> None:
            super().__init__(*arguments)
            self.connection.execute("PRAGMA busy_timeout = 1")

    monkeypatch.setattr(desks, "Desk", Impatient)
    other = sqlite3.connect(house.data / FILE_NAME)
    other.execute("BEGIN IMMEDIATE")
    answer = note(browser)
    other.rollback()
    other.close()
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    assert answer.json()["text"] == "Others were writing for too long. Nothing was recorded. Try again."
    assert house.records() == before
    assert note(browser).status_code == 200


def test_a_full_disk_is_said_and_nothing_is_half_written(
    house: House, opened: OpenBrowser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looking goes on; when there is room again so does recording."""
    browser = opened()
    scan(browser, house, TINA)
    before = house.records()
    roomy = desks.Desk

    class Full(roomy):  # type: ignore[misc, valid-type]
        def __init__(self, *arguments: Any) -> None:
            super().__init__(*arguments)
            (pages,) = self.connection.execute("PRAGMA page_count").fetchone()
            self.connection.execute(f"PRAGMA max_page_count = {pages}")

    monkeypatch.setattr(desks, "Desk", Full)
    for _ in range(50):  # what is left in half-filled pages goes first
        answer = note(browser, "x" * 1_000)
        if answer.status_code != 200:
            break
        before += 1
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    assert answer.json()["text"] == (
        "The record cannot be written at present (database or disk is full). Nothing was recorded. "
        "Look at the free space and the owner of the data folder, then try again; meanwhile write it on paper."
    )
    assert house.records() == before
    assert browser.get("/api/ledger/head").json()["records"] == before
    monkeypatch.setattr(desks, "Desk", roomy)
    assert note(browser).json()["number"] == before + 1


def played(deed: str, who: str, at_ms: int, **fields: Any) -> dict[str, Any]:
    return {"deed": deed, "who": who, "at_ms": at_ms, "fields": fields}


def test_a_rehearsal_plays_an_invented_past_at_its_own_times(tmp_path: Path) -> None:
    """From an empty record on; what is refused does not stop the rest, and played again nothing is done twice."""
    pagekit.Player(tmp_path).close()
    began_ms = pagekit.NOW_MS - 30 * 86_400_000
    past = [
        {**played("first-administrator", ADA, began_ms, id=ADA, name="Ada"), "once": "1"},
        {
            **played("record-person", ADA, began_ms + 1, id=TINA, name="Tina", roles=["technician"]),
            "second_factor": True,
        },
        played("record-person", ADA, began_ms + 2, id=TOM, name="Tom", roles=["technician"]),
        played("hand-over", TINA, began_ms + 3, note="The first day"),
        played("hand-over", TINA, began_ms + 4, nte="x"),
        played("teleport", TINA, began_ms + 5),
    ]
    app = pagekit.build_app(tmp_path, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url=f"http://{HOST}") as browser:
        outcomes = browser.post("/api/rehearsal/deeds", json=past).json()
        assert [each.get("number") for each in outcomes] == [1, 2, None, 3, None, None]
        assert (outcomes[0]["kind"], outcomes[0]["id"]) == ("person", ADA)
        assert [each["refused"]["rule"] for each in outcomes if "refused" in each] == ["second-factor"] + [
            "malformed"
        ] * 2
        assert outcomes[4]["refused"]["text"] == "hand-over: Object contains unknown field `nte`."
        known = [{"person": TINA, "pin": PINS[TINA], "badge": "PERSONTINA"}]
        assert browser.post("/api/rehearsal/people", json=known).json() == {"people": 1}
        signed = browser.post("/api/sign-in", json={"badge": "PERSONTINA", "pin": PINS[TINA]}).json()
        assert (signed["person"]["id"], signed["second_factor"]) == (TINA, True)
        records = browser.get("/api/ledger").json()["records"]
        assert [each["at_ms"] for each in records if each["kind"] != "credential-set"] == [
            *(began_ms, began_ms + 1, began_ms + 3)
        ]


def test_in_earnest_there_is_no_invented_past(house: House) -> None:
    """And wherever there is one, every page says that it is a rehearsal."""
    with TestClient(house.app(rehearsal=None), base_url=f"http://{HOST}") as browser:
        for name in ("deeds", "people"):
            assert browser.post(f"/api/rehearsal/{name}", json=[]).status_code == 404
        assert not [path for path in browser.get("/schema/openapi.json").json()["paths"] if "rehearsal" in path]
        assert 'id="rehearsal"' not in browser.get("/sign-in").text
    with TestClient(house.app(), base_url=f"http://{HOST}") as browser:
        assert browser.post("/api/rehearsal/deeds", json=[]).json() == []
        for page in ("/", "/sign-in", "/about", "/do", "/nothing"):
            assert '<p class="banner" id="rehearsal">' in browser.get(page).text, page
