"""Things, ledger and pictures for programs."""

from __future__ import annotations

import hashlib
from typing import Any

import msgspec
import pagekit
import pytest
from doorkit import ADA, OLGA, SAM, TINA, Browser, House, OpenBrowser, refused, scan

from collector.ledger import BEFORE_THE_FIRST, Record, hashed
from collector.pictures import MOST_BYTES
from collector.record.things import KINDS, Fill

JPEG, PNG, PDF = b"\xff\xd8\xff\xe0 rest", b"\x89PNG\r\n\x1a\n rest", b"%PDF-1.7 rest"


def good(browser: Browser, address: str) -> Any:
    answer = browser.get(address)
    assert answer.status_code == 200, answer.text
    return answer.json()


def fill(number: int, basin: str, *, gone: bool = False) -> Fill:
    poured_ms = pagekit.NOW_MS - number * 86_400_000
    discarded = {"by": TINA, "at_ms": poured_ms, "reason": "old", "volume_ml": 1} if gone else None
    content = {
        "id": f"F{number}",
        "basin": basin,
        "profile": "opa",
        "poured": [],
        "poured_ms": poured_ms,
        "poured_by": TINA,
        "use_by_ms": poured_ms,
        "use_by_why": "reuse life",
        "tested_after_ms": poured_ms,
    }
    return msgspec.convert({**content, **({"discarded": discarded} if discarded else {})}, Fill)


def test_things_are_found_by_group_time_and_what_is_open(house: House, opened: OpenBrowser) -> None:
    house.put(*(fill(number, f"n1/b{number % 2}", gone=number > 3) for number in range(1, 13)))
    browser = opened()

    def ids(**asked: object) -> list[str]:
        text = "&".join(f"{name}={content}" for name, content in asked.items())
        return [each["id"] for each in good(browser, f"/api/things/fill?{text}")["things"]]

    assert ids(order="newest", limit=3) == ["F1", "F2", "F3"]
    assert ids(limit=2, offset=1) == ["F11", "F10"]
    assert ids(group="n1/b1", open="yes") == ["F3", "F1"]
    assert ids(since=pagekit.NOW_MS - 3 * 86_400_000, until=pagekit.NOW_MS - 86_400_000) == ["F3", "F2"]
    page = good(browser, "/api/things/fill?open=yes&limit=1")
    assert {name: page[name] for name in ("kind", "total", "limit", "offset")} == {
        "kind": "fill",
        "total": 3,
        "limit": 1,
        "offset": 0,
    }
    assert page["things"][0] == good(browser, "/api/things/fill/F3")
    assert page["things"][0]["thing"]["basin"] == "n1/b1"
    assert page["things"][0]["open"] is True
    assert page["things"][0]["number"] == house.ask("SELECT number FROM thing WHERE id = 'F3'")[0][0]


def test_every_kind_can_be_asked_for(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, OLGA)
    for kind in KINDS:
        assert good(browser, f"/api/things/{kind}")["kind"] == kind


@pytest.mark.parametrize(
    ("address", "status", "text"),
    [
        ("/api/things/sword", 404, "There is no kind of thing 'sword'. Known: alarm, bottle, "),
        ("/api/things/credential", 404, "There is no kind of thing 'credential'."),
        ("/api/things/fill/F99", 404, "There is no fill 'F99'. See /api/things/fill."),
        ("/api/things/mec-test/x/history", 404, "There is no mec test 'x'."),
        ("/api/things/fill?open=1", 400, "open='1' cannot be used. Write one of: no, yes."),
        ("/api/things/fill?order=up", 400, "order='up' cannot be used. Write one of: oldest, newest."),
        ("/api/things/fill?limit=1001", 400, "limit='1001' cannot be used. Write a whole number from 1 to 1000."),
        ("/api/things/fill?since=soon", 400, "since='soon' is no time between 1970 and 2100."),
        ("/api/things/fill?grp=x", 400, "There is no parameter 'grp' here. Did you mean 'group'?"),
        ("/api/ledger?first=0", 400, "first='0' cannot be used."),
        ("/api/pictures/abc", 404, "There is no picture 'abc'."),
        ("/api/pictures/" + "0" * 64, 404, "There is no picture '000"),
        ("/api/pictures/..%2Fsoakledger.sqlite", 404, "There is no"),
    ],
)
def test_bad_questions_are_answered_with_what_would_be_right(
    auditors: Browser, address: str, status: int, text: str
) -> None:
    answer = auditors.get(address)
    assert answer.status_code == status, answer.text
    assert text in answer.json()["text"]


def test_the_ledger_can_be_checked_from_outside(house: House, opened: OpenBrowser) -> None:
    """What the API hands out is enough to work out every hash again, page by page, up to the head."""
    browser = opened()
    scan(browser, house, TINA)
    for number in range(5):
        browser.post("/api/deeds/hand-over", json={"note": f"Nöte {number} “quoted”", "reason": "because\n"})
    head = good(browser, "/api/ledger/head")
    previous, seen = BEFORE_THE_FIRST, 0
    while seen < head["records"]:
        page = good(browser, f"/api/ledger?first={seen + 1}&limit=3")
        assert (page["total"], page["head"], page["site"]) == (head["records"], head["hash"], head["site"])
        for each in page["records"]:
            assert each["previous"] == previous
            names = ("number", "kind", "at_ms", "who", "software", "body", "reason", "hash", "format")
            record = Record(**{name: each[name] for name in names})
            canonical = msgspec.json.encode(each["body"], order="deterministic").decode()
            previous = hashed(page["site"], record._replace(body=canonical), previous)
            assert previous == each["hash"]
            assert each["at"].endswith("+01:00")
            seen += 1
    assert previous == head["hash"]
    notes = good(browser, "/api/ledger?kind=hand-over&limit=2")["records"]
    assert [each["body"]["said"]["note"] for each in notes] == ["Nöte 0 “quoted”", "Nöte 1 “quoted”"]


def test_a_thing_has_its_history(house: House, opened: OpenBrowser) -> None:
    """Every record that changed it or is about it, oldest first; no other."""
    browser = opened()
    scan(browser, house, ADA, pin=True)
    person = {"id": "nora", "name": "Nora", "roles": ["technician"]}
    browser.post("/api/deeds/record-person", json=person)
    browser.post("/api/deeds/record-person", json={**person, "id": "nora-2"})
    browser.post("/api/deeds/change-person", json={"id": "nora", "name": "Nora New", "reason": "married"})
    browser.post("/api/people/nora/badge", json={"secret": "950264"})
    history = good(browser, "/api/things/person/nora/history")
    assert [(each["kind"], each["reason"]) for each in history["records"]] == [
        ("record-person", ""),
        ("change-person", "married"),
        ("credential-set", ""),
    ]
    assert history["records"][1]["body"]["changes"] == {"person": {"nora": {"name": "Nora New"}}}


def keep(browser: Browser, content: bytes) -> Any:
    return browser.post("/api/pictures", content=content, headers={"Content-Type": "image/jpeg"})


def test_a_picture_is_kept_under_its_digest(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    for content, ending, media_type in (
        (JPEG, "jpg", "image/jpeg"),
        (PNG, "png", "image/png"),
        (PDF, "pdf", "application/pdf"),
    ):
        digest = hashlib.sha256(content).hexdigest()
        expected = {"sha256": digest, "media_type": media_type, "bytes": len(content)}
        assert keep(browser, content).json() == expected
        assert keep(browser, content).json() == expected  # once more is the same
        assert (house.data / "pictures" / f"{digest}.{ending}").read_bytes() == content
        answer = browser.get(f"/api/pictures/{digest}")
        assert (answer.content, answer.headers["content-type"]) == (content, media_type)
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert len(list((house.data / "pictures").iterdir())) == 3


def test_what_is_no_picture_or_too_large_is_refused(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    assert refused(keep(browser, JPEG), 401)[0] == "not-signed-in"
    scan(browser, house, TINA)
    for content in (b"", b"<svg onload=x>", b"GIF89a", b"\xff\xd8", b"MZ"):
        assert refused(keep(browser, content), 409) == (
            "picture-kind",
            "That is neither a JPEG, a PNG nor a PDF file.",
            "Take the picture again, or scan the paper as PDF.",
        )
    assert refused(keep(browser, JPEG + bytes(MOST_BYTES)), 409) == (
        "picture-size",
        "The picture is larger than 8 MB.",
        "Take it with fewer pixels; the print must stay legible.",
    )
    assert keep(browser, JPEG + bytes(MOST_BYTES + 2048)).status_code == 413
    assert not (house.data / "pictures").exists()


def test_a_picture_that_was_changed_is_not_shown(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    digest = keep(browser, PDF).json()["sha256"]
    path = house.data / "pictures" / f"{digest}.pdf"
    path.write_bytes(PDF + b"!")
    answer = browser.get(f"/api/pictures/{digest}")
    assert answer.status_code == 503
    assert answer.json()["text"] == (
        f"{path} is damaged: its content is another than it was. Restore it from a backup."
    )


def test_a_picture_that_is_not_kept_cannot_be_named(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, SAM)
    said = {"from_ms": pagekit.NOW_MS - 7_200_000, "until_ms": pagekit.NOW_MS - 3_600_000, "lines": ["E12, basin 1"]}
    named = {**said, "picture_sha256": hashlib.sha256(PDF).hexdigest()}
    assert refused(browser.post("/api/deeds/transcribe-downtime", json=named), 409) == (
        "unknown-picture",
        f"No picture with the digest {named['picture_sha256'][:12]}… is kept here.",
        "Send the picture first, then name it by the digest that is answered.",
    )
    keep(browser, PDF)
    assert browser.post("/api/deeds/transcribe-downtime", json=named).status_code == 200
