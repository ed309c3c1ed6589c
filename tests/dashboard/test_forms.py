"""Forms made from deeds: what is asked, how it is read, and what people see when it cannot be recorded."""

from __future__ import annotations

import re
from datetime import timedelta, timezone
from typing import Annotated, Any, ClassVar, Literal

import msgspec
import pagekit
import pytest
from doorkit import ADA, OLGA, PASSWORD, PINS, TINA, TOM, Browser, House, OpenBrowser, scan
from msgspec import UNSET, UnsetType

from collector.record.all import DEEDS
from collector.record.deed import Deed
from collector.record.things import BasinKey, Date, Id, Millilitres, Millis, Note, Step, Text
from dashboard.form_reading import MistakesError, read
from dashboard.forms import explanation, fields, title

BERLIN = timezone(timedelta(hours=1))


class Part(msgspec.Struct, frozen=True):
    """A part.

    Attributes:
        count: How many.
        each_ms: The least time of each, milliseconds.
    """

    count: Annotated[int, msgspec.Meta(ge=0, le=20)]
    each_ms: Millis


class From(msgspec.Struct, frozen=True):
    bottle: Id
    volume_ml: Millilitres | None = None


class Everything(Deed, frozen=True, kw_only=True):
    """Say everything. It is all in here.

    And more of it.

    Attributes:
        basin: Where.
        min_mc: Lowest temperature, millidegrees Celsius,
            as printed.
        result: What came of it.
    """

    NAME: ClassVar[str] = "everything"

    basin: BasinKey
    min_mc: Annotated[int, msgspec.Meta(ge=-10_000, le=90_000)]
    result: Literal["pass", "fail"]
    contact_ms: Millis | None = None
    at_ms: int | None = None
    sure: bool = False
    fresh: bool | None = None
    expires: Date | None = None
    note: Note = ""
    count: Annotated[int, msgspec.Meta(ge=1, le=9)] = 1
    steps: tuple[Step, ...] = ()
    lines: Annotated[tuple[Text, ...], msgspec.Meta(max_length=2)] = ()
    bottles: tuple[From, ...] = ()
    part: Part | None = None
    picture_sha256: str = ""
    name: Text | UnsetType = UNSET
    until: Date | UnsetType | None = UNSET


LEAST = {"basin": ["n1/b1"], "min_mc": ["20"], "result": ["pass"]}


def said(**more: list[str]) -> dict[str, Any]:
    deed = read(
        Everything,
        fields(Everything),
        {**LEAST, **{name.replace("__", "."): each for name, each in more.items()}},
        BERLIN,
    )
    found: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(deed))
    return {name: content for name, content in found.items() if name not in LEAST or name in more}


def mistakes(**more: list[str]) -> list[tuple[str, str]]:
    with pytest.raises(MistakesError) as caught:
        said(**more)
    return [tuple(each) for each in caught.value.mistakes]


def test_a_field_is_asked_for_as_people_know_it() -> None:
    asked = {each.name: each for each in fields(Everything)}
    assert list(asked)[-1] == "reason"
    assert {name: each.control.value for name, each in asked.items()} == {
        "basin": "text",
        "min_mc": "degrees",
        "result": "choice",
        "contact_ms": "duration",
        "at_ms": "moment",
        "sure": "tick",
        "fresh": "choice",
        "expires": "date",
        "note": "long",
        "count": "number",
        "steps": "ticks",
        "lines": "lines",
        "bottles": "lines",
        "part.count": "number",
        "part.each_ms": "duration",
        "picture_sha256": "picture",
        "name": "text",
        "until": "date",
        "reason": "long",
    }
    assert [name for name, each in asked.items() if each.required] == ["basin", "min_mc", "result"]
    assert [name for name, each in asked.items() if each.can_be_taken_away] == ["until"]
    assert (asked["min_mc"].label, asked["min_mc"].unit) == ("Minimum temperature", "°C")
    assert asked["min_mc"].hint == "Lowest temperature, as printed."
    assert asked["part.each_ms"].hint == "The least time of each. For instance 30 s, 12 min or 2 h."
    assert asked["bottles"].hint == "One a line: bottle; volume in mL (may be left out)."
    assert asked["part.count"].inside == "Part"
    assert (asked["basin"].of, asked["name"].of) == ("basin", "")
    assert (title(Everything), explanation(Everything)) == ("Say everything", "It is all in here. And more of it.")


def test_what_was_typed_becomes_what_a_program_would_send() -> None:
    assert said() == {}
    assert said(min_mc=["20,5 °C"]) == {"min_mc": 20_500}
    assert said(contact_ms=["1 h 12 min 30 s"]) == {"contact_ms": 4_350_000}
    assert said(contact_ms=["1.5h"]) == {"contact_ms": 5_400_000}
    assert said(at_ms=["2026-03-03T13:18"]) == {"at_ms": pagekit.NOW_MS}
    assert said(at_ms=["2026-03-03T12:18Z"]) == {"at_ms": pagekit.NOW_MS}
    assert said(sure=["yes"], fresh=["no"]) == {"sure": True, "fresh": False}
    assert said(steps=["clean", "rinse"]) == {"steps": ["clean", "rinse"]}
    assert said(lines=["one\r\n\r\n two "]) == {"lines": ["one", "two"]}
    assert said(bottles=["B1; 500\nB2"]) == {
        "bottles": [{"bottle": "B1", "volume_ml": 500}, {"bottle": "B2", "volume_ml": None}]
    }
    assert said(part__count=["3"], part__each_ms=["1 min"]) == {"part": {"count": 3, "each_ms": 60_000}}
    assert said(name=["Ada"], until=["2027-01-31"], reason=["so"]) == {
        "name": "Ada",
        "until": "2027-01-31",
        "reason": "so",
    }
    assert said(**{"until.none": ["yes"]}) == {"until": None}
    assert said(basin=[" n1/b2 "]) == {"basin": "n1/b2"}


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ({"basin": [""]}, [("basin", "This must be filled in.")]),
        ({"result": []}, [("result", "Choose one.")]),
        ({"min_mc": ["warm"]}, [("min_mc", "“warm” is no temperature. Write degrees Celsius, for instance 20.5.")]),
        (
            {"min_mc": ["20.0001"]},
            [("min_mc", "“20.0001” is finer than a thousandth of a degree, or out of all reason.")],
        ),
        *(
            (
                {"min_mc": [text]},
                [
                    (
                        "min_mc",
                        f"“{text}” is in degrees Fahrenheit, about {same}. This field takes degrees Celsius: write "
                        "them as the label prints them.",
                    )
                ],
            )
            for text, same in (("68 °F", "20 °C"), ("68.5F", "20.27 °C"), ("-4 fahrenheit", "-20 °C"))
        ),
        ({"min_mc": ["F"]}, [("min_mc", "“F” is no temperature. Write degrees Celsius, for instance 20.5.")]),
        ({"min_mc": ["nan"]}, [("min_mc", "“nan” is no temperature. Write degrees Celsius, for instance 20.5.")]),
        ({"min_mc": ["91"]}, [("min_mc", "It must be 90 °C or less.")]),
        (
            {"contact_ms": ["12"]},
            [("contact_ms", "“12” is no length of time. Write it with its unit: 30 s, 12 min, 2 h, 14 d.")],
        ),
        (
            {"contact_ms": ["12 m x"]},
            [("contact_ms", "“12 m x” is no length of time. Write it with its unit: 30 s, 12 min, 2 h, 14 d.")],
        ),
        ({"contact_ms": ["500 d"]}, [("contact_ms", "It must be 9600 h or less.")]),
        (
            {"at_ms": ["2026-02-30T10:00"]},
            [("at_ms", "“2026-02-30T10:00” is no date and time. Write 2026-03-03 13:18.")],
        ),
        ({"count": ["two"]}, [("count", "“two” is no whole number.")]),
        ({"count": ["٢"]}, [("count", "“٢” is no whole number.")]),
        ({"count": ["0"]}, [("count", "It must be 1 or more.")]),
        ({"steps": ["polish"]}, [("steps", "“polish” cannot be chosen.")]),
        ({"lines": ["1\n2\n3"]}, [("lines", "It takes at most 2.")]),
        ({"lines": ["x" * 201]}, [("lines", "It may have at most 200 characters.")]),
        (
            {"bottles": ["B1; 2; 3"]},
            [("bottles", "“B1; 2; 3” has 3 parts; there are 2. One a line: bottle; volume in mL (may be left out).")],
        ),
        (
            {"bottles": ["; 2"]},
            [("bottles", "“; 2” is not whole. One a line: bottle; volume in mL (may be left out).")],
        ),
        (
            {"bottles": ["<b>"]},
            [("bottles", "Only letters, digits, dots, hyphens and underscores, at most 64 of them.")],
        ),
        ({"part__count": ["3"]}, [("part.count", "“Least time of each” is missing.")]),
        ({"expires": ["31.1.2027"]}, [("expires", "It is not written as it should be.")]),
    ],
)
def test_what_cannot_be_used_is_told_beside_its_field(
    typed: dict[str, list[str]], expected: list[tuple[str, str]]
) -> None:
    assert mistakes(**typed) == expected


def test_every_mistake_is_told_at_once() -> None:
    assert [name for name, _ in mistakes(basin=[], result=[""], count=["x"])] == ["basin", "result", "count"]


@pytest.mark.parametrize("name", sorted(DEEDS))
def test_every_deed_can_be_asked_for(name: str) -> None:
    """Each field of each deed, those inside others too, has a control, and nothing asked is unknown to the deed."""
    kind = DEEDS[name]
    asked = {each.name.partition(".")[0] for each in fields(kind)}
    assert asked == set(kind.__struct_fields__)
    assert title(kind)
    assert "Attributes" not in explanation(kind)


# At the page


def form_of(browser: Browser, name: str) -> dict[str, str]:
    """The hidden fields of a deed's form."""
    html = browser.get(f"/do/{name}").text
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="(\w*)">', html))


def send(browser: Browser, name: str, /, **typed: str) -> Any:
    return browser.post(f"/do/{name}", data={**form_of(browser, name), **typed})


def alert(answer: Any) -> str:
    """The words of what stands against it."""
    found = re.search(r'role="alert">(.*?)</section>', answer.text, re.DOTALL)
    assert found, answer.text
    return " ".join(re.sub(r"<[^>]+>", " ", found.group(1)).split()).replace("&#39;", "'")


def test_signing_in_at_the_page_goes_on_to_where_one_was(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    answer = browser.get("/do/hand-over?note=x", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=/do/hand-over%3Fnote%3Dx")
    page = browser.get(answer.headers["location"]).text
    assert 'value="/do/hand-over?note=x"' in page
    answer = browser.post(
        "/sign-in", data={"badge": house.badges[TINA], "next": "/do/hand-over?note=x"}, follow_redirects=False
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/do/hand-over?note=x")
    page = browser.get("/do/hand-over?note=From before").text
    assert ">From before</textarea>" in page
    assert "Tina Test" in page


def test_signing_in_never_leads_elsewhere(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    for onward in ("//evil.example", "https://evil.example", "/\\evil.example", "javascript:x", "", "/\n/x"):
        given = {"badge": house.badges[TINA], "next": onward}
        answer = browser.post("/sign-in", data=given, follow_redirects=False)
        assert answer.headers["location"] == "/do", onward


def test_the_sign_in_page_says_what_does_not_fit(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    answer = browser.post("/sign-in", data={"person": ADA, "password": "copper lantern walks south"})
    assert answer.status_code == 401
    assert alert(answer).startswith("Not signed in Id and password do not fit.")
    assert 'value="ada"' in answer.text
    assert "copper lantern" not in answer.text
    answer = browser.post("/sign-in", data={"person": ADA, "password": PASSWORD})
    assert answer.url.path == "/do"
    assert "What Ada Test may record." in answer.text


def test_one_sees_what_one_may_do_first(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, OLGA)
    page = browser.get("/do").text
    assert "An auditor reads, issues papers of what is on record, and records nothing else." in page
    assert re.findall('<a class="button" href="/do/([^"]+)"', page) == [
        "issue-disinfection-record",
        "issue-period-report",
    ]
    scan(browser, house, TINA)
    page = browser.get("/do").text
    assert 'href="/do/hand-over"' in page
    assert 'href="/do/record-person"' not in page


def test_a_form_records_and_gives_the_number(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    answer = send(browser, "hand-over", note="Basin 2 <b>is</b> slow")
    assert answer.status_code == 200
    number = house.records()
    assert f"Recorded as number {number}" in answer.text
    ((who, body),) = house.ask(f"SELECT who, body FROM ledger WHERE number = {number}")
    assert who == TINA
    assert "Basin 2 <b>is</b> slow" in body


def test_a_form_sent_twice_records_once_and_changed_it_is_refused(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    typed = {**form_of(browser, "hand-over"), "note": "All well"}
    browser.post("/do/hand-over", data=typed)
    number = house.records()
    again = browser.post("/do/hand-over", data=typed)
    assert f"Recorded as number {number}" in again.text
    assert "It had been recorded already, under this number; nothing was recorded now." in again.text
    changed = browser.post("/do/hand-over", data={**typed, "note": "Not so well"})
    assert alert(changed) == (
        f"Not recorded Something else was recorded already under this key, as number {number}. "
        "Nothing was recorded now. Begin a new form, or use a new key for each thing that is recorded."
    )
    assert house.records() == number


def test_nothing_typed_is_lost_when_it_is_refused(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    before = house.records()
    answer = send(browser, "open-bottle", bottle="B<7")
    assert answer.status_code == 422
    assert alert(answer) == (
        "Not recorded Bottle : Only letters, digits, dots, hyphens and underscores, at most 64 of them."
    )
    assert 'value="B&lt;7"' in answer.text
    assert 'aria-describedby="f-bottle-hint f-bottle-wrong" aria-invalid="true"' in answer.text
    answer = send(browser, "open-bottle", bottle="B7")
    assert answer.status_code == 409
    assert alert(answer).startswith("Not recorded There is no bottle 'B7'.")
    assert 'value="B7"' in answer.text
    assert house.records() == before


def test_a_form_opened_by_somebody_else_is_not_recorded_in_ones_name(house: House, opened: OpenBrowser) -> None:
    """Tina opens it, Tom scans in another tab, the form is sent."""
    browser = opened()
    scan(browser, house, TINA)
    typed = {**form_of(browser, "hand-over"), "note": "Tina's words"}
    scan(browser, house, TOM)
    before = house.records()
    answer = browser.post("/do/hand-over", data=typed)
    assert alert(answer) == (
        "Not recorded This form was opened before Tom Test signed in. Nothing was recorded. "
        "Look through it; if Tom Test is to record it, send it once more."
    )
    assert house.records() == before
    assert "Tina&#39;s words" in answer.text
    foreign = {name: content for name, content in typed.items() if name != "form_token"}
    assert browser.post("/do/hand-over", data=foreign).status_code == 409


def test_a_session_that_ended_while_typing_loses_nothing(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    typed = {**form_of(browser, "hand-over"), "note": "A long note"}
    house.now_ms += 11 * 60_000
    answer = browser.post("/do/hand-over", data=typed)
    assert answer.status_code == 401
    assert "A long note" in answer.text
    assert "Nobody is signed in any more." in answer.text
    answer = browser.post("/do/hand-over", data={**typed, "badge": house.badges[TOM]})
    assert answer.status_code == 200
    assert house.ask("SELECT who FROM ledger ORDER BY number DESC LIMIT 1") == [(TOM,)]
    assert browser.get("/api/me").json()["person"]["id"] == TOM


def test_what_is_signed_asks_for_the_pin_in_its_form(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, ADA)
    person = {"id": "nora", "name": "Nora New", "roles": "technician"}
    assert "Sign as Ada Test" in browser.get("/do/record-person").text
    before = house.records()
    assert alert(send(browser, "record-person", **person)) == (
        "Not recorded This takes a PIN or password besides the badge. Enter your PIN."
    )
    answer = send(browser, "record-person", **person, pin=PINS[TINA])
    assert alert(answer).startswith("Not recorded That PIN does not fit.")
    assert PINS[TINA] not in answer.text
    assert house.records() == before
    assert f"Recorded as number {before + 1}" in send(browser, "record-person", **person, pin=PINS[ADA]).text
    assert "Sign as Ada Test" not in browser.get("/do/record-person").text


def test_a_picture_is_kept_with_the_form(house: House, opened: OpenBrowser) -> None:
    """It stays chosen when something else is wrong; its digest is what is recorded."""
    browser = opened()
    scan(browser, house, TINA)
    hidden = form_of(browser, "transcribe-downtime")
    picture = b"%PDF-1.7 the paper"
    files = {"picture_sha256.file": ("form.pdf", picture, "application/pdf")}
    answer = browser.post("/do/transcribe-downtime", data=hidden, files=files)
    assert answer.status_code == 422
    digest = re.search(r'name="picture_sha256" value="(\w{64})"', answer.text)
    assert digest
    assert browser.get(f"/api/pictures/{digest.group(1)}").content == picture
    files = {"picture_sha256.file": ("form.txt", b"no picture", "image/png")}
    answer = browser.post("/do/transcribe-downtime", data=hidden, files=files)
    assert "That is neither a JPEG, a PNG nor a PDF file." in answer.text


def test_there_is_no_form_of_that_name(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    answer = browser.get("/do/teleport")
    assert answer.status_code == 404
    assert "There is no form &#39;teleport&#39;. The list is at /do." in answer.text


def test_people_change_their_own_at_the_page(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    token = re.search(r'name="form_token" value="(\w+)"', browser.get("/me").text)
    assert token
    typed = {"form_token": token.group(1), "kind": "pin", "current": PINS[TINA], "secret": "407152", "again": "407153"}
    assert alert(browser.post("/me", data=typed)) == "Not recorded The two new ones differ. Type the new one twice."
    answer = browser.post("/me", data={**typed, "again": "407152"})
    assert "Your PIN is changed." in answer.text
    assert "407152" not in answer.text
    assert browser.post("/api/second-factor", json={"secret": "407152"}).status_code == 200


def test_administrators_give_badges_at_the_page(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    assert browser.get(f"/people/{TOM}/credentials").status_code == 403
    scan(browser, house, ADA)
    assert f'href="/people/{TOM}/credentials"' in browser.get("/me").text
    token = re.search(r'name="form_token" value="(\w+)"', browser.get(f"/people/{TOM}/credentials").text)
    assert token
    typed = {"form_token": token.group(1), "kind": "badge", "current": PINS[ADA]}
    page = browser.post(f"/people/{TOM}/credentials", data=typed).text
    code = re.search(r"<code>(PERSON\w+)</code>", page)
    assert code
    assert "data:image/svg+xml" in page
    assert code.group(1) not in browser.get(f"/people/{TOM}/credentials").text
    assert browser.post("/api/sign-in", json={"badge": code.group(1)}).json()["person"]["id"] == TOM
