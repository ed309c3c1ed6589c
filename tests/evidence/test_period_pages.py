"""The pages of the period report: look first, issue, the same files again; nobody issues in another's name."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator

import pytest
from pdfkit import assert_archival
from recordkit import OLGA, Browser, Office, browsing, office, scan

Place = tuple[Office, Browser]
DAYS = {"since": "2026-03-01", "until": "2026-03-03"}
XSS = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    made = office(tmp_path_factory.mktemp("pages") / "data")
    with browsing(made) as (browser, house):
        scan(browser, house, OLGA)
        yield made, browser
    made.close()


@pytest.fixture(scope="module")
def browser(place: Place) -> Browser:
    return place[1]


def records(made: Office) -> int:
    return int(made.desk.connection.execute("SELECT count(*) FROM ledger").fetchone()[0])


def token(browser: Browser) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/report", params=DAYS).text)
    assert found
    return found[1]


def words(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_one_looks_first_and_nothing_is_issued_by_that(place: Place) -> None:
    made, browser = place
    before = records(made)
    plain = browser.get("/report")
    assert 'value="2026-02-01"' in plain.text, "the last month that is over is offered"
    assert 'value="2026-02-28"' in plain.text
    assert "What it would say" not in plain.text
    shown = words(browser.get("/report", params=DAYS).text)
    assert "2 soaks: 1 met, 1 not met, 0 unproven. Failed: 1 of 2 (50 %)." in shown
    assert "The last day was not over when this was issued" in shown
    tables = browser.get("/report/tables.zip", params=DAYS)
    assert tables.headers["content-disposition"] == 'attachment; filename="tables_2026-03-01_2026-03-03.zip"'
    assert "closures.csv" in zipfile.ZipFile(io.BytesIO(tables.content)).namelist()
    assert records(made) == before


def test_it_is_issued_and_comes_again(browser: Browser) -> None:
    given = {**DAYS, "form_token": token(browser), "reason": f"Committee {XSS}"}
    done = browser.post("/report/issue", data=given)
    assert done.status_code == 200, done.text
    address = done.url.path
    assert re.fullmatch(r"/report/PR\d+", address)
    assert XSS not in done.text
    paper = browser.get(f"{address}/paper.pdf")
    assert paper.headers["content-type"] == "application/pdf"
    assert_archival(paper.content, "Period report: Harbour Lane Clinic, 2026-03-01 to 2026-03-03")
    assert browser.get(f"{address}/paper.pdf").content == paper.content
    tables = browser.get(f"{address}/tables.zip")
    assert zipfile.ZipFile(io.BytesIO(tables.content)).testzip() is None
    listed = browser.get("/report").text
    assert f'href="{address}"' in listed
    assert XSS not in listed


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({"since": "2026-03-04"}, "The first day, 2026-03-04, is after the last, 2026-03-03."),
        ({"until": "2026-04-01"}, "The last day, 2026-04-01, has not come yet"),
        ({"since": "1626-03-03"}, "a report holds at most 400"),
        ({"since": XSS}, "is no date of the calendar"),
        ({"basin": XSS}, "There is no basin"),
        ({"place": "roof"}, "No basin stands at"),
        ({"until": ""}, "is no date of the calendar"),
    ],
)
def test_what_cannot_be_asked_is_said(browser: Browser, changed: dict[str, str], text: str) -> None:
    page = browser.get("/report", params={**DAYS, **changed})
    assert (page.status_code, text in words(page.text)) == (400, True), words(page.text)
    assert XSS not in page.text
    assert browser.get("/report/tables.zip", params={**DAYS, **changed}).status_code == 409
    answer = browser.post("/report/issue", data={**DAYS, "form_token": token(browser), **changed})
    assert (answer.status_code, text in words(answer.text)) == (409, True)


def test_nobody_issues_without_a_name_or_with_an_old_form(place: Place) -> None:
    made, browser = place
    before = records(made)
    assert browser.post("/report/issue", data={**DAYS, "form_token": "another"}).status_code == 409
    with browsing(made) as (stranger, _house):
        assert stranger.post("/report/issue", data=DAYS).url.path == "/sign-in"
        assert stranger.get("/report", params=DAYS).url.path == "/sign-in"
    assert records(made) == before


def test_what_was_never_issued_is_said(browser: Browser) -> None:
    for address in ("/report/PR999", "/report/PR999/paper.pdf", "/report/PR999/tables.zip"):
        assert browser.get(address).status_code == 404
