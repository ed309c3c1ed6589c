"""Nobody acts in another's name: every route that does something, asked for by other sites' pages and without a token;
and the headers that every answer carries.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
import walk
from doorkit import ADA, HOST, TINA, House
from walk import NEVER_ENDS, SAFE, Visitors

from dashboard.guard import CONTENT_SECURITY_POLICY, HEADERS

FOREIGN = (
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site", "Origin": f"http://{HOST}"},
)

WITHOUT_TOKEN = {
    "/sign-in": "whoever sends it signs in with what they type",
    "/sign-out": "another site's page cannot send it, and it records nothing",
    "/scan": "a scan is told apart; what it records is asked for with a token",
    "/start/scan": "a scan is told apart; a basin's scan records with a token only: see test_path.py",
    "/audit": "it looks something up",
    "/sensors/check": "it becomes an address; what it records is asked for with a token: see tests/sensors",
}
"""Forms without a token, and why."""


@pytest.fixture
def visitors(house: House, own_deeds: None) -> Iterator[Visitors]:
    with ExitStack() as stack:
        yield Visitors(house, stack)


def test_no_page_of_another_site_does_anything(visitors: Visitors, house: House) -> None:
    """Whoever is signed in and whatever route it sends to."""
    unsafe = [each for each in walk.routes(visitors.app) if each[0] not in SAFE]
    assert len(unsafe) > 90
    before = house.records()
    for method, path in unsafe:
        # Of the deeds, which are made by one function, the first ones: all have one door.
        for headers in FOREIGN if not path.startswith("/api/deeds/") or "/a" in path[11:13] else FOREIGN[:1]:
            answer = visitors.ask(method, path, ADA, headers=headers)
            assert answer.status_code == 403, (path, headers)
            assert "another site" in answer.text, (path, headers)
    assert house.records() == before


def test_every_form_carries_a_token_of_its_session(visitors: Visitors, house: House) -> None:
    """Without it, and with one of an earlier session, nothing is recorded and nothing is set."""
    forms = {path for method, path in walk.routes(visitors.app) if method not in SAFE and not path.startswith("/api/")}
    assert forms > WITHOUT_TOKEN.keys()
    before = house.records(), house.ask("SELECT * FROM credential ORDER BY 1, 2")
    for path in sorted(forms - WITHOUT_TOKEN.keys()):
        for data in ({"step": "rinse"}, {"form_token": "0" * 64, "step": "rinse"}):
            answer = visitors.ask("POST", path, ADA, data=data)
            assert answer.status_code == 409, path
            assert "This form was opened before Ada Test signed in. Nothing was recorded." in answer.text, path
    assert (house.records(), house.ask("SELECT * FROM credential ORDER BY 1, 2")) == before


def test_what_programs_send_is_json_which_no_foreign_form_can_send(visitors: Visitors) -> None:
    """Browsers ask before they let another site's page send that; pictures have their own kinds."""
    for method, path in walk.routes(visitors.app):
        if method in SAFE or not path.startswith("/api/") or path == "/api/pictures":
            continue
        kind = {"Content-Type": "text/plain"}
        assert visitors.ask(method, path, ADA, content=b"{}", headers=kind).status_code == 415, path


def test_every_answer_carries_the_same_protection(visitors: Visitors, house: House) -> None:
    """Errors, files, the schema, redirects and refusals too; nothing says what serves it."""
    assert "unsafe" not in CONTENT_SECURITY_POLICY
    asked = [path for method, path in walk.routes(visitors.app) if method == "GET" and path != NEVER_ENDS]
    answers = {
        path: visitors.ask("GET", path, ADA) for path in [*asked, "/nothing", "/api/nothing", "/static/look.css"]
    }
    answers["a foreign name"] = visitors.ask("GET", "/", headers={"Host": "evil.example"})
    answers["a foreign page"] = visitors.ask("POST", "/sign-out", headers=FOREIGN[0])
    answers["nobody"] = visitors.ask("GET", "/people")
    answers["a method that is not"] = visitors.ask("DELETE", "/people", TINA)
    answers["too much"] = visitors.ask("POST", "/sign-in", content=b"a" * 100_000)
    answers["the stream, refused"] = visitors.ask("GET", NEVER_ENDS, closed=True)
    for what, answer in answers.items():
        for name, content in HEADERS.items():
            assert answer.headers[name] == content, (what, name)
        assert "server" not in answer.headers, what
        kept = answer.headers["cache-control"]
        assert kept == "no-store" or what.startswith(("/static/", "/robots", "/api/pictures")), (what, kept)


def test_no_page_has_a_script_or_a_style_of_its_own(visitors: Visitors) -> None:
    """Which the policy would not let run: a page that needs one would break, not open the policy."""
    for method, path in walk.routes(visitors.app):
        if method == "GET" and not path.startswith(("/api/", "/static/", "/schema")) and path != NEVER_ENDS:
            text = visitors.ask("GET", path, ADA).text
            assert not re.search(r"<style|\sstyle=|\son\w+=\"|javascript:", text), path
            assert not re.search(r"<script(?![^>]*\b(src=|type=\"application/json\"))", text), path
