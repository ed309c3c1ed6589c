"""Every page goes through the catalogue: with a translation that marks each text, none stands there without marks."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import alarmkit
import pagekit
import pseudo
import pytest
from doorkit import ADA, HOST, PINS, SAM, House, furnish, scan
from litestar import Litestar
from litestar.testing import TestClient

from collector.record.all import DEEDS
from collector.record.solutions.printed import CHEMISTRIES
from dashboard import texts

Client = TestClient[Litestar]
Clinic = tuple[Path, object]

PAGES = ("/alarms", "/alarms/W1", "/alarms/W2", "/alarms/W9", "/alarms/load", "/sign-in", "/me", "/about", "/do")
HELP = ("/help", "/help/technician", "/help/supervisor", "/help/auditor", "/help/keeper", "/help/alarms", "/help/words")
CHECK = "sensor=28-000000000001&reference=R-9&settled=yes&" + "&".join(
    f"{name}_reference={mc}&{name}_indicated={mc}" for name, mc in (("ice", 0), ("working", 21)) * 3
)
"""A guided check, filled in, with a reference that nobody has recorded."""
RECORDS = (
    *("/audit", "/audit?device=GS-0", "/unassigned", "/closures", "/closures/5", "/loads", "/loads/L1", "/people"),
    *("/evidence", "/report", "/fills", "/fills/F1", "/solutions", "/spill", "/record/21", "/site"),
    *("/sensors", "/sensors/28-000000000001", "/references", "/sensors/check", f"/sensors/check?{CHECK}&step=ice"),
    *(f"/sensors/check?{CHECK}&step={step}" for step in ("working", "left")),
    *("/look-backs", "/look-backs/K1", "/look-backs/new", "/look-backs/new?cause=leak&look=yes"),
)
PROBLEMS = {"/nothing-here": 404, "/alarms/load?operators=none": 400, "/do/nothing": 404}
"""More pages: one line each, once their texts go through the catalogue."""

DATA = re.compile(
    "|".join(
        (
            r"Harbour Lane Clinic|Basin \d|(Tina|Tom|Sam|Ada|Olga) Test",  # names of the site
            r"(scope|store) room|ultrasound",  # and of its places
            r"\b(Soakledger|English|EEMUA|ANSI|ISA)\b",  # names of their own
            r"\b\d[\d.,]*( |\u00a0)(ms|s|min|h|mL|°C|°F)\b|°C|\b(mL|kg)\b",  # quantities: symbols are international
            r"\b\d+:\d\d(:\d\d)?\b|\b[A-Z]{1,3}-?\d+\b|\b[a-z]+/[a-z]\d\b|\bn\d/b\d\b",  # times, ids, basins by address
            r"\b(tina|tom|sam|ada|olga)\b",  # ids of people
            *(
                re.escape(each) for each in sorted(CHEMISTRIES.values(), key=len, reverse=True)
            ),  # rows of a published table
            r"peracetic acid|gastroscope|\btyped\b|\b(STRIP|LOT|GS)-\d+",  # names of things that tests recorded
            r"\bcabinet \d\b",
            r"https?://\S+|/[a-z]+/\S*",  # addresses
            r"\btestclient\b|\b[0-9a-f]{8}\b",  # where somebody signed in
        )
    )
)
RECORDED = re.compile(
    r"Simulated basins, invented data\.|Rehearsal: .*"  # lanes.py says it: converted with the page of today
    r"|There is no collector\.status in its data folder\."  # the collector's own words
    r"|(not-utf-8|wrong-shape).*|US|Peracetic acid"  # codes, and what a label says
    r"|Bath heater on .*|from a newer version|on record past their rules"  # typed by people, or unknown to this version
    r"|operators=.*|.* is none\. .*"  # query.py: converted with the pages that ask
)


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The site speaks the language of marks."""
    path = tmp_path_factory.mktemp("pseudo") / "pseudo.po"
    pseudo.pseudo(pseudo.extracted(), path)
    texts.speak(path)
    yield
    texts.speak_english()


@pytest.fixture(scope="module")
def sam(clinic: Clinic, tmp_path_factory: pytest.TempPathFactory, marked: None) -> Iterator[Client]:
    """The supervisor's browser, with alarms in every state."""
    house = alarmkit.furnish(pagekit.copied(clinic[0], tmp_path_factory.mktemp("marked") / "data"))
    with TestClient(house.app(), base_url=f"http://{HOST}") as browser:
        scan(browser, house, SAM, pin=True)
        browser.get("/")
        yield browser


def left(html: str) -> list[str]:
    return [
        text
        for text in pseudo.untranslated(html, DATA)
        if not RECORDED.fullmatch(DATA.sub("", text).strip(" ,;:·")) and not RECORDED.fullmatch(text)
    ]


@pytest.mark.usefixtures("own_deeds")
@pytest.mark.parametrize("address", [*PAGES, *HELP, *RECORDS])
def test_nothing_is_left_in_english(sam: Client, address: str) -> None:
    answer = sam.get(address)
    assert answer.status_code == 200
    assert answer.text.count("⟦") > 25, "the marks are missing altogether"
    assert left(answer.text) == []


@pytest.mark.parametrize("address", PROBLEMS)
def test_nor_where_something_is_wrong(sam: Client, address: str) -> None:
    answer = sam.get(address, headers={"accept": "text/html"})
    assert answer.status_code == PROBLEMS[address]
    assert left(answer.text) == []


def test_nor_on_any_form(sam: Client) -> None:
    """Labels and hints come from the deeds' own docstrings: they are collected all the same."""
    found = {name: left(sam.get(f"/do/{name}").text) for name in DEEDS}
    assert {name: texts for name, texts in found.items() if texts} == {}


def test_nor_where_a_form_is_refused(sam: Client) -> None:
    answer = sam.post("/do/read-thermometer", data={"read_mc": "68 °F"})
    assert "⟦" in answer.text
    assert left(answer.text) == []


def test_the_administrator_s_pages(marked: None, tmp_path: Path) -> None:
    house = House(tmp_path, furnish(tmp_path))
    with TestClient(house.app(), base_url=f"http://{HOST}") as browser:
        scan(browser, house, ADA, pin=True)
        browser.post("/api/sign-in", json={"badge": "PERSONX"})
        for address in ("/me", "/people/tina/credentials", "/people/sign-ins"):
            assert left(browser.get(address).text) == []
        form = browser.get("/me").text
        token = re.search(r'name="form_token" value="([^"]+)"', form)
        assert token
        given = {"form_token": token[1], "kind": "pin", "current": PINS[ADA], "secret": "1", "again": "2"}
        assert left(browser.post("/me", data=given).text) == []


def test_a_text_that_no_catalogue_reaches_is_found() -> None:
    """The test itself: marks reach over elements, spoken names count, other languages do not."""
    html = (
        '<p>⟦Seen by <a href="/me">nobody</a> yet⟧</p><p>Plain</p><img alt="A picture"><p lang="en">As recorded</p>'
        "<p>Basin 1 12 min</p>"
    )
    assert left(html) == ["Plain", "A picture"]
