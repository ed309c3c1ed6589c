"""Bad input at every form: nothing is recorded, nothing typed is lost, and the page says what to do."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from litestar.testing import TestClient

from collector.record.all import DEEDS
from dashboard.forms import Control, Field, fields
from tests.screens.forms import Form, foreign_code, forms_in
from tests.screens.furnished import EVERYBODY, PINS, SAM, Browser, House, furnish

HOST = "http://127.0.0.1:8080"
LONG = "x" * 10_000
HOSTILE = "\"'></textarea><script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}"
CONTROL = "a\x00b\x1b[31mc\u202ed\x7f"
WRONG_UNIT = {
    Control.DEGREES: "293 K",
    Control.DURATION: "12 furlongs",
    Control.NUMBER: "3 pints",
    Control.DATE: "31.1.2027",
    Control.MOMENT: "about noon",
}
FREE = (*WRONG_UNIT, Control.TEXT, Control.LONG, Control.LINES)
"""Controls into which people type what they like, but for basins, which are chosen."""
names = pytest.mark.parametrize("name", sorted(DEEDS))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """The furnished clinic; nothing that is sent here may change it unless a test means to."""
    found, _ = furnish(tmp_path_factory.mktemp("forms") / "data")
    return found


@pytest.fixture(scope="module")
def browser(house: House) -> Iterator[Browser]:
    """Somebody of every role, signed in with badge and PIN."""
    with TestClient(house.app(), base_url=HOST) as asking:
        enter(asking, house, EVERYBODY)
        yield asking


@pytest.fixture(scope="module")
def other(house: House) -> Iterator[Browser]:
    """Another browser, at which tests sign in and out."""
    with TestClient(house.app(), base_url=HOST) as asking:
        yield asking


def enter(browser: Browser, house: House, person: str) -> None:
    """Sign in."""
    answer = browser.post("/api/sign-in", json={"badge": house.badges[person], "pin": PINS[person]})
    assert answer.status_code == 200, answer.text


def asked(name: str) -> list[Field]:
    """The fields of a deed that take free text."""
    return [each for each in fields(DEEDS[name]) if each.control in FREE and each.of != "basin"]


def deed_form(answer: Any, name: str) -> Form:
    """The deed's form in an answer."""
    return next(form for form in forms_in(answer.text) if form.action == f"/do/{name}")


def send(browser: Browser, name: str, typed: dict[str, str], hidden: dict[str, str] | None = None) -> Any:
    """Send a deed's form as a browser does, in parts."""
    hidden = deed_form(browser.get(f"/do/{name}"), name).hidden if hidden is None else hidden
    parts = [(key, (None, text)) for key, text in {**hidden, **typed}.items()]
    return browser.post(f"/do/{name}", files=parts, follow_redirects=False)


def same(text: str) -> str:
    """A text as the form keeps it: browsers send line breaks in a way of their own."""
    return text.replace("\r\n", "\n").strip()


def lost(answer: Any, name: str, typed: dict[str, str]) -> list[str]:
    """Names of the fields whose content is not in the form that came back."""
    form = deed_form(answer, name)
    return [each for each, text in typed.items() if same(text) not in map(same, form.held(each))]


def words(answer: Any) -> str:
    """What stands against it."""
    found = re.findall(r'role="alert">(.*?)</section>', answer.text, re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", " ".join(found))).split())


def mistaken(answer: Any) -> set[str]:
    """Ids of the fields beside which something is said to be wrong."""
    return set(re.findall(r'id="f-([\w-]+)-wrong"', answer.text))


def ids(known: list[Field]) -> set[str]:
    """Of the fields in the page."""
    return {each.name.replace(".", "-") for each in known}


@names
def test_an_empty_form_says_what_is_missing(browser: Browser, house: House, name: str) -> None:
    needed = [each for each in fields(DEEDS[name]) if each.required and each.control is not Control.TICKS]
    before = house.records()
    answer = send(browser, name, {})
    if needed:
        assert answer.status_code == 422
        assert mistaken(answer) >= ids(needed)
        assert house.records() == before
    assert answer.status_code < 500


@names
def test_too_long_a_text_is_refused_and_kept(browser: Browser, house: House, name: str) -> None:
    typed = {each.name: LONG for each in asked(name)}
    before = house.records()
    answer = send(browser, name, typed)
    assert answer.status_code in (403, 409, 422), answer.status_code
    assert words(answer)
    assert lost(answer, name, typed) == []
    assert house.records() == before


@names
def test_a_wrong_unit_is_told_beside_its_field(browser: Browser, house: House, name: str) -> None:
    known = [each for each in asked(name) if each.control in WRONG_UNIT]
    typed = {each.name: WRONG_UNIT[each.control] for each in known}
    before = house.records()
    answer = send(browser, name, typed)
    if known:
        assert answer.status_code == 422
        assert mistaken(answer) >= ids([each for each in known if each.control is not Control.DATE])
        assert lost(answer, name, typed) == []
        assert house.records() == before


@names
@pytest.mark.parametrize("text", [HOSTILE, CONTROL], ids=["script", "control characters"])
def test_what_would_run_or_cannot_be_read_comes_to_nothing(
    browser: Browser, house: House, name: str, text: str
) -> None:
    typed = {each.name: text for each in asked(name)}
    answer = send(browser, name, typed)
    assert answer.status_code in ((200, 403, 409, 422) if text == HOSTILE else (403, 409, 422))
    assert foreign_code(answer.text) == []
    if answer.status_code != 200:
        assert words(answer)
        if text == HOSTILE:
            assert lost(answer, name, typed) == []


@names
def test_a_form_of_another_session_is_refused_and_kept(
    browser: Browser, other: Browser, house: House, name: str
) -> None:
    """Somebody opened it, then another signed in at the same tablet."""
    hidden = deed_form(browser.get(f"/do/{name}"), name).hidden
    if not other.cookies:
        enter(other, house, SAM)
    typed = {each.name: f"typed-{place}" for place, each in enumerate(asked(name))}
    before = house.records()
    answer = send(other, name, typed, hidden)
    assert answer.status_code == 409
    assert "This form was opened before Sam Test signed in. Nothing was recorded." in words(answer)
    assert "send it once more" in words(answer)
    assert lost(answer, name, typed) == []
    assert house.records() == before


@names
def test_a_session_lost_in_the_middle_loses_nothing_typed(browser: Browser, house: House, name: str) -> None:
    """What was typed comes back with a field for the badge; with it the same form goes on."""
    hidden = deed_form(browser.get(f"/do/{name}"), name).hidden
    typed = {each.name: f"typed-{place}" for place, each in enumerate(asked(name))}
    cookies = dict(browser.cookies)
    browser.cookies.clear()
    try:
        answer = send(browser, name, typed, hidden)
        assert answer.status_code == 401
        assert "Nobody is signed in" in words(answer)
        assert lost(answer, name, typed) == []
        form = deed_form(answer, name)
        assert form.held("badge") == [""]
        again = {**typed, "badge": house.badges[EVERYBODY], "pin": PINS[EVERYBODY]}
        answer = send(browser, name, again, form.hidden)
        assert "Ada Test" in answer.text
        assert "Nobody is signed in" not in words(answer)
        assert house.badges[EVERYBODY] not in answer.text
        if answer.status_code != 200:
            assert lost(answer, name, typed) == []
    finally:
        browser.cookies.clear()
        browser.cookies.update(cookies)
