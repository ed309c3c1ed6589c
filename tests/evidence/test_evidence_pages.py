"""The pages of papers: issuing, the list, the same file again, many at once; nobody issues in another's name."""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterator
from typing import Any

import pytest
from pdfkit import assert_archival
from recordkit import MET, OLGA, Browser, Office, browsing, office, scan

from collector.ledger import Ledger

Place = tuple[Office, Browser]
DAY = {"since": "2026-03-03", "until": "2026-03-03"}


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


def token(browser: Browser) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/evidence").text)
    assert found
    return found[1]


def unpacked(content: bytes) -> tuple[zipfile.ZipFile, Any]:
    archive = zipfile.ZipFile(io.BytesIO(content))
    assert archive.testzip() is None
    assert archive.namelist()[-1] == "manifest.json"
    return archive, json.loads(archive.read("manifest.json"))


def test_a_paper_is_issued_from_its_soak_and_comes_again(browser: Browser) -> None:
    soak = browser.get("/closures/5").text
    assert "None was issued yet." in soak
    (address,) = re.findall(r'href="(/do/issue-disinfection-record\?closure=[^"]+)"', soak)
    form = browser.get(address)
    given = {
        "closure": MET,
        "reason": "audit of March",
        "form_token": re.search(r'name="form_token" value="([^"]+)"', form.text)[1],
    }
    done = browser.post("/do/issue-disinfection-record", data=given)
    assert done.status_code == 200, done.text
    (paper,) = re.findall(r'href="(/evidence/E\d+)"', done.text)
    shown = browser.get(paper).text
    assert "audit of March" in shown
    first = browser.get(f"{paper}/paper.pdf")
    assert first.headers["content-type"] == "application/pdf"
    sent_as = first.headers["content-disposition"]
    assert re.fullmatch(r'attachment; filename="2026-03-03T124049_n1-b1_E\d+\.pdf"', sent_as)
    title = "Disinfection record: Basin 1, scope room (n1/b1), 2026-03-03 12:40:49 +01:00"
    assert_archival(first.content, title)
    assert browser.get(f"{paper}/paper.pdf").content == first.content
    assert paper in browser.get("/closures/5").text
    assert paper in browser.get("/evidence").text


def test_many_are_issued_at_once(browser: Browser) -> None:
    answer = browser.post("/evidence/many.zip", data={**DAY, "form_token": token(browser), "reason": "inspection"})
    assert answer.status_code == 200, answer.text[:2000]
    archive, manifest = unpacked(answer.content)
    assert {each["verdict"] for each in manifest["papers"]} == {"met", "not met"}
    assert manifest["closures_without_load"] == 20
    assert manifest["not_in_it"] == []
    for each in manifest["papers"]:
        content = archive.read(each["file"])
        assert (hashlib.sha256(content).hexdigest(), len(content)) == (each["sha256"], each["size"])
        assert browser.get(f"/evidence/{each['issue']}/paper.pdf").content == content


def test_what_cannot_be_issued_is_named_with_the_reason(browser: Browser, place: Place) -> None:
    everything = {**DAY, "every": "yes", "basin": "n2/b2", "form_token": token(browser)}
    made, _ = place
    kept = made.desk.connection.execute(
        "SELECT stream_id, first FROM page WHERE stream_id = 4 ORDER BY first LIMIT 1"
    ).fetchone()
    made.damage("UPDATE page SET body = CAST('x' AS BLOB) WHERE stream_id = ? AND first = ?", *kept)
    _, manifest = unpacked(browser.post("/evidence/many.zip", data=everything).content)
    assert len(manifest["papers"]) + len(manifest["not_in_it"]) == 5
    assert manifest["not_in_it"]
    assert {each["rule"] for each in manifest["not_in_it"]} == {"page-damaged"}
    assert all("is damaged" in each["reason"] for each in manifest["not_in_it"])


def test_papers_come_again_as_they_were(browser: Browser) -> None:
    answer = browser.get("/evidence/papers.zip", params=DAY)
    assert answer.status_code == 200
    archive, manifest = unpacked(answer.content)
    assert len(manifest["papers"]) >= 3
    for each in manifest["papers"]:
        assert browser.get(f"/evidence/{each['issue']}/paper.pdf").content == archive.read(each["file"])
        assert each["bytes_as_issued"] is True


@pytest.mark.parametrize(
    ("changed", "status", "text"),
    [
        ({"since": "2026-03-04"}, 422, "The last day is before the first. Exchange them."),
        ({"since": ""}, 422, "Say from which day to which day."),
        ({"since": "2026-02-01", "until": "2026-02-01"}, 409, "Nothing was soaked then."),
        ({"device": "GS-77"}, 409, "There is no device"),
        ({"basin": "n9/b9"}, 409, "There is no basin"),
        ({"form_token": "another"}, 409, "This form was opened before"),
    ],
)
def test_a_range_that_makes_no_sense_is_refused(
    browser: Browser, changed: dict[str, str], status: int, text: str
) -> None:
    answer = browser.post("/evidence/many.zip", data={**DAY, "form_token": token(browser), **changed})
    assert (answer.status_code, text in answer.text) == (status, True), answer.text


def test_nobody_issues_without_a_name(place: Place) -> None:
    made, _ = place
    records = made.desk.connection.execute("SELECT count(*) FROM ledger").fetchone()
    with browsing(made) as (stranger, _house):
        assert stranger.post("/evidence/many.zip", data=DAY).url.path == "/sign-in"
        assert stranger.get("/evidence").url.path == "/sign-in"
    assert made.desk.connection.execute("SELECT count(*) FROM ledger").fetchone() == records


def test_what_was_never_issued_is_said(browser: Browser) -> None:
    assert browser.get("/evidence/E999").status_code == 404
    assert browser.get("/evidence/E999/paper.pdf").status_code == 404
    assert browser.get("/evidence/papers.zip", params={"since": "2020-01-01", "until": "2020-01-02"}).status_code == 404


def test_what_would_meet_every_soak_is_said_of_every_soak(browser: Browser, place: Place) -> None:
    """The clock falls behind the record while the ZIP is made: nothing after that is left out in silence."""
    made, _ = place
    with made.desk.transaction():
        record = Ledger(made.desk.connection, lambda: made.now_ms + 3_600_000)
        record.append("given-by-a-test", {"changes": {}, "about": "x"}, who="kit")
    answer = browser.post("/evidence/many.zip", data={**DAY, "form_token": token(browser)})
    _, manifest = unpacked(answer.content)
    assert manifest["papers"] == []
    assert [each["rule"] for each in manifest["not_in_it"]] == ["clock-behind", "clock-behind"]
