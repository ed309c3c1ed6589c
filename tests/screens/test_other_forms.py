"""Every form that any page of the catalogue holds, also of pages that nobody knew when this was written."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from litestar import Litestar
from litestar.routes import HTTPRoute
from litestar.testing import TestClient

from collector.record.all import DEEDS
from collector.record.things import Role
from tests.screens.catalogue import addresses
from tests.screens.forms import TYPED, Form, foreign_code, forms_in
from tests.screens.furnished import EVERYBODY, OLGA, SAM, Browser, House, furnish
from tests.screens.test_every_form import CONTROL, HOST, HOSTILE, LONG, deed_form, enter, send, words

PAGES_THAT_END_SESSIONS = ("/sign-out",)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> House:
    """The furnished clinic, for questions."""
    found, _ = furnish(tmp_path_factory.mktemp("kept") / "data")
    return found


@pytest.fixture(scope="module")
def asking(kept: House) -> Iterator[Browser]:
    """Somebody of every role, signed in."""
    with TestClient(kept.app(), base_url=HOST, raise_server_exceptions=False) as browser:
        enter(browser, kept, EVERYBODY)
        yield browser


@pytest.fixture
def house(tmp_path: Path) -> House:
    """The furnished clinic, for one test that records."""
    found, _ = furnish(tmp_path / "data")
    return found


def others(forms: list[Form]) -> list[Form]:
    """Forms into which people type, and that are not made from a deed."""
    typed = [form for form in forms if any(each.kind in TYPED for each in form.fields)]
    return [form for form in typed if not form.action.startswith("/do/")]


def sent(browser: Browser, form: Form, address: str, text: str) -> Any:
    """The form with this text in each field into which people type."""
    given = {each.name: text if each.kind in TYPED else each.value for each in form.fields}
    action = form.action or address.partition("?")[0]
    if form.method == "get":
        return browser.get(action, params=given)
    return browser.post(action, data=given)


@pytest.mark.parametrize("address", addresses())
def test_bad_input_is_answered_in_words(asking: Browser, kept: House, address: str) -> None:
    for form in others(forms_in(asking.get(address).text)):
        for text in ("", LONG, HOSTILE, CONTROL):
            before = kept.records()
            answer = sent(asking, form, address, text)
            assert answer.status_code < 500, (form, answer.text)
            assert foreign_code(answer.text) == [], form
            assert "<script>alert" not in answer.text, form
            if form.method == "post":
                told = words(answer) or 'class="mistake"' in answer.text
                assert told or answer.status_code in (200, 303), (form, answer.status_code)
            assert text != CONTROL or kept.records() == before


def post_routes(app: Litestar) -> list[str]:
    """Every address outside the API to which something may be posted, with names from the furnished clinic."""
    routes = (route for route in app.routes if isinstance(route, HTTPRoute) and not route.path.startswith("/api"))
    found = [route.path for route in routes if "POST" in route.methods]
    filled = {"{person:str}": "tom", "{name:str}": "hand-over", "{node:str}": "n1"}
    for part, word in filled.items():
        found = [path.replace(part, word) for path in found]
    return [path for path in found if path not in PAGES_THAT_END_SESSIONS]


def test_a_body_of_another_kind_is_refused_in_words(asking: Browser, kept: House) -> None:
    before = kept.records()
    for path in post_routes(kept.app()):
        for body, kind in (
            (b"", ""),
            (b"{}", "application/json"),
            (b"\xff\xfe\x00", "application/x-www-form-urlencoded"),
            (b"&&&===;;;%%%zz", "application/x-www-form-urlencoded"),
            (b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n', "multipart/form-data; boundary=x"),
            (b"x", "multipart/form-data"),
            (b"x" * 300_000, "text/plain"),
        ):
            answer = asking.post(path, content=body, headers={"content-type": kind})
            assert answer.status_code < 500, (path, kind, answer.text)
            assert "<h1" in answer.text, (path, kind)
    assert kept.records() == before


def test_nobody_posts_without_being_signed_in(kept: House) -> None:
    before = kept.records()
    with TestClient(kept.app(), base_url=HOST, raise_server_exceptions=False) as browser:
        for path in post_routes(kept.app()):
            answer = browser.post(path, data={"note": "all well"}, follow_redirects=False)
            assert answer.status_code in (303, 400, 401, 403, 409, 422), path
    assert kept.records() == before


# Somebody else was first, and the way back


FIRST = {
    "discard-bottle": {"bottle": "B2", "reason": "Past its date."},
    "empty-bottle": {"bottle": "B1"},
    "abandon-mec-test": {"test": "M2", "reason": "The strip fell into the sink."},
    "lift-quarantine": {"device": "GS-03", "reason": "It was reprocessed."},
    "see-alarm": {"alarm": "W1", "done": "On it."},
    "retire-profile": {"profile": "drafted", "reason": "Never used."},
    "store-device": {"device": "GS-01", "cabinet": "cabinet 7"},
    "sign-review": {"day": "2026-03-02"},
}
"""Deeds that can be done once, by either of two people who both have the form open."""


@pytest.fixture(scope="module")
def raced(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[House, Browser, Browser]]:
    """A clinic and two browsers at which two people are signed in."""
    house, _ = furnish(tmp_path_factory.mktemp("raced") / "data")
    with (
        TestClient(house.app(), base_url=HOST) as first,
        TestClient(house.app(), base_url=HOST) as second,
    ):
        enter(first, house, EVERYBODY)
        enter(second, house, SAM)
        yield house, first, second


@pytest.mark.parametrize("name", FIRST)
def test_what_somebody_else_has_done_meanwhile_is_said(raced: tuple[House, Browser, Browser], name: str) -> None:
    house, first, second = raced
    typed = FIRST[name]
    mine = deed_form(second.get(f"/do/{name}"), name).hidden
    answer = send(first, name, typed)
    assert answer.status_code == 200, words(answer)
    done = house.records()
    late = send(second, name, typed, mine)
    if late.status_code == 200:  # what may be said twice is two records, each in its own name
        assert house.records() > done
        return
    assert late.status_code == 409
    assert len(words(late)) > len("Not recorded") + 20
    form = deed_form(late, name)
    assert [form.held(field) for field in typed] == [[text] for text in typed.values()]
    assert house.records() == done


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        ("hand-over", {"note": "All is well."}),
        ("receive-bottle", {"lot": "LOT-7", "expires": "2027-01-31", "volume_ml": "4000", "profile": "typed"}),
        ("record-device", {"id": "GS-77", "type": "gastroscope", "serial": "S-77"}),
        ("read-thermometer", {"basin": "n1/b1", "read_mc": "21.2"}),
        ("quarantine-device", {"device": "GS-51", "next_action": "Reprocess.", "reason": "Found dry."}),
        ("record-person", {"id": "new", "name": "New Person", "roles": "technician"}),
    ],
)
def test_back_and_once_more_records_nothing_twice(
    raced: tuple[House, Browser, Browser], name: str, typed: dict[str, str]
) -> None:
    house, browser, _ = raced
    hidden = deed_form(browser.get(f"/do/{name}"), name).hidden
    answer = send(browser, name, typed, hidden)
    assert answer.status_code == 200, words(answer)
    number = house.records()
    again = send(browser, name, typed, hidden)
    assert again.status_code == 200
    assert f"Recorded as number {number}" in re.sub(r"<[^>]+>", "", again.text)
    assert "nothing was recorded now" in again.text
    changed = {**typed, next(iter(typed)): "another"}
    assert send(browser, name, changed, hidden).status_code in (409, 422)
    assert house.records() == number


def test_what_was_recorded_stands_as_words_on_every_page(house: House) -> None:
    """A note that is a script is shown, and is none."""
    with TestClient(house.app(), base_url=HOST) as browser:
        enter(browser, house, EVERYBODY)
        for name, typed in (
            ("hand-over", {"note": HOSTILE}),
            ("note-turn", {"turn": "T41", "note": HOSTILE}),
            ("see-alarm", {"alarm": "W1", "done": HOSTILE}),
            ("record-person", {"id": "bad", "name": HOSTILE[:60], "roles": "technician"}),
            ("quarantine-device", {"device": "GS-51", "next_action": HOSTILE, "reason": HOSTILE}),
        ):
            answer = send(browser, name, typed)
            assert answer.status_code == 200, (name, words(answer))
        shown = 0
        for address in addresses():
            html = browser.get(address).text
            assert foreign_code(html) == [], address
            shown += "&lt;script&gt;alert(1)" in html
        assert shown >= 4


@pytest.fixture(scope="module")
def auditor(kept: House) -> Iterator[Browser]:
    """Somebody who reads and records nothing."""
    with TestClient(kept.app(), base_url=HOST) as browser:
        enter(browser, kept, OLGA)
        yield browser


@pytest.mark.parametrize("name", sorted(name for name, kind in DEEDS.items() if Role.AUDITOR not in kind.ROLES))
def test_who_may_not_is_told_who_may(kept: House, auditor: Browser, name: str) -> None:
    """An auditor records nothing but the issue of papers, whatever they send."""
    before = kept.records()
    page = auditor.get(f"/do/{name}")
    assert "may not record this" in page.text
    answer = send(auditor, name, {"note": "x", "reason": "y"}, deed_form(page, name).hidden)
    assert answer.status_code in (403, 409, 422)
    assert kept.records() == before
