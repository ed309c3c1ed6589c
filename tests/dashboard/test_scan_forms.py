"""A label scanned at a form fills its fields, in words that a person can compare; nothing is recorded by it."""

from __future__ import annotations

import html
import re
from typing import Any

import pagekit
import pytest
from doorkit import SAM, TINA, Browser, House, OpenBrowser
from doorkit import scan as sign_in
from test_forms import form_of

from collector.record.all import DEEDS
from collector.record.things import Bottle, Device, DeviceType, Fill, Profile, Step
from collector.schema import FILE_NAME, connect
from dashboard.forms import fields
from dashboard.scanning import scannable

GTIN = "06291041500213"
OTHER_GTIN = "00012345678905"


@pytest.fixture
def browser(house: House, opened: OpenBrowser) -> Browser:
    bottle = {"profile": "paa", "expires": "2026-12-31", "volume_ml": 4_000, "left_ml": 900, "use_by_ms": 0}
    house.put(
        Profile(id="paa", name="peracetic acid", product_codes=(GTIN,)),
        DeviceType(id="scope", name="Scope", kind="x", profiles=("paa",), steps=(Step.CLEAN,)),
        Device(id="A1", type="scope", serial="7", udi=f"(01){OTHER_GTIN}(21)7"),
        Device(id="A2", type="scope"),
        Bottle(id="B1", lot="TWO", received_ms=pagekit.NOW_MS, **bottle),
        Bottle(id="B2", lot="TWO", received_ms=pagekit.NOW_MS, **bottle),
        Fill(
            id="F1",
            basin="n1/b1",
            profile="paa",
            poured=(),
            poured_ms=0,
            poured_by=SAM,
            use_by_ms=0,
            use_by_why="",
            tested_after_ms=0,
        ),
    )
    db = connect(house.data / FILE_NAME)
    with db.conn:
        db.conn.execute("INSERT INTO basin VALUES (1, 'n1', 'b1', 'Basin 1', '')")
    db.close()
    browser = opened()
    sign_in(browser, house, SAM)
    return browser


def at(browser: Browser, name: str, /, status: int = 200, **typed: Any) -> str:
    """The page of a form after sending it."""
    answer = browser.post(f"/do/{name}", data={**form_of(browser, name), **typed})
    assert answer.status_code == status, answer.text
    return answer.text


def held(page: str) -> dict[str, str]:
    """What the form holds that is not empty."""
    inputs = re.findall(r'<input id="f-\w+" name="([\w.]+)" type="\w+" value="([^"]+)"', page)
    areas = re.findall(r'<textarea id="f-\w+" name="(\w+)"[^>]*>([^<]+)</textarea>', page)
    chosen = re.findall(r'<select id="f-\w+" name="(\w+)".*?<option value="([^"]+)" selected', page, re.DOTALL)
    return {name: html.unescape(value) for name, value in (*inputs, *areas, *chosen)}


def said(page: str) -> str:
    """The words of the scan's outcome."""
    found = re.search(r'<div id="scan-result">(.*?)</div>\s*</div>', page, re.DOTALL)
    assert found, page
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", found[1]).split()))


def choices(page: str) -> dict[str, str]:
    """The buttons to choose from: their words, and what each sends."""
    found = re.findall(r'<button type="submit" name="reading" value="([^"]+)">([^<]+)</button>', page)
    return {html.unescape(words): html.unescape(sent) for sent, words in found}


def test_a_makers_label_fills_a_form_and_records_nothing(house: House, browser: Browser) -> None:
    before = house.records()
    page = at(browser, "receive-bottle", scan=f"01{GTIN}1726123110LOT7", volume_ml="4000", count="1")
    assert held(page) == {
        "lot": "LOT7",
        "expires": "2026-12-31",
        "gtin": GTIN,
        "volume_ml": "4000",
        "count": "1",
    }
    assert said(page) == (
        f"Peracetic acid, found by product code. Product code (01) {GTIN} "
        "Expires (17) 261231, the day 2026-12-31 Lot (10) LOT7 "
        "Filled in: Lot, Expires, Product code (GTIN). Nothing is recorded yet. "
        "Compare it with the label and fill in the rest."
    )
    assert house.records() == before
    page = at(browser, "receive-bottle", **held(page))
    assert f"Recorded as number {before + 1}" in page


def test_a_form_is_never_recorded_with_a_label_just_scanned(house: House, browser: Browser) -> None:
    before = house.records()
    whole = {"gtin": GTIN, "lot": "L", "expires": "2026-12-31", "volume_ml": "4000"}
    page = at(browser, "receive-bottle", scan="(10)LOT8", **whole)
    assert held(page)["lot"] == "LOT8"
    page = at(browser, "receive-bottle", status=409, fill_in="yes", **whole)
    assert said(page) == (
        "Not read Nothing was scanned. Hold the scanner to the code, or type the asset number. "
        "Rule: empty. What was typed below is as it was."
    )
    assert held(page) == whole
    assert house.records() == before


def test_a_label_in_two_codes_and_never_two_labels_in_one_form(browser: Browser) -> None:
    page = at(browser, "receive-bottle", scan=GTIN[1:])
    assert held(page)["gtin"] == GTIN
    page = at(browser, "receive-bottle", scan="(17)261231(10)LOT7", **held(page))
    assert (held(page)["gtin"], held(page)["lot"], held(page)["expires"]) == (GTIN, "LOT7", "2026-12-31")
    page = at(browser, "receive-bottle", scan=f"(01){OTHER_GTIN}", volume_ml="5", **held(page))
    assert (held(page)["gtin"], held(page)["volume_ml"]) == (OTHER_GTIN, "5")
    assert not {"lot", "expires"} & set(held(page))


def test_a_label_that_reads_in_several_ways_is_asked_about(browser: Browser) -> None:
    page = at(browser, "receive-bottle", scan=f"01{GTIN}10LOT121SER1", volume_ml="4000")
    assert held(page).get("lot") is None
    assert said(page).startswith("The scanner sent no separator, so that lot, serial number or dates may have run")
    ways = choices(page)
    assert ways[f"Product code {GTIN}, lot LOT121SER1. It fits peracetic acid"] == f"(01){GTIN}(10)LOT121SER1"
    chosen = ways[f"Product code {GTIN}, lot LOT1, serial number SER1. It fits peracetic acid"]
    page = at(browser, "receive-bottle", reading=chosen, volume_ml="4000")
    assert (held(page)["lot"], held(page)["serial"], held(page)["volume_ml"]) == ("LOT1", "SER1", "4000")
    assert choices(page) == {}


def test_a_device_is_recorded_from_its_labels(browser: Browser) -> None:
    page = at(browser, "record-device", scan=f"(01){OTHER_GTIN}(21)8")
    page = at(browser, "record-device", scan="GS-07", **held(page))
    assert held(page) == {"id": "GS-07", "serial": "8", "udi": f"(01){OTHER_GTIN}(21)8"}


@pytest.mark.parametrize(
    ("deed", "scanned", "expected"),
    [
        ("begin-turn", "SL:device:A1", {"device": "A1"}),
        ("begin-turn", "A2\r", {"device": "A2"}),
        ("record-use", f"01{OTHER_GTIN}217", {"device": "A1"}),
        ("open-bottle", "SL:bottle:B2", {"bottle": "B2"}),
        ("start-load", "SL:device:A1", {"devices": "A1"}),
        ("read-thermometer", "SL:basin:n1/b1", {"basin": "n1/b1"}),
        ("pour-fill", "SL:bottle:B2", {"bottles": "B2; "}),
        ("discard-fill", "SL:fill:F1", {"fill": "F1"}),
    ],
)
def test_our_own_labels_fill_the_field_of_their_kind(
    browser: Browser, deed: str, scanned: str, expected: dict[str, str]
) -> None:
    page = at(browser, deed, scan=scanned)
    assert {name: value for name, value in held(page).items() if name in expected} == expected


def test_devices_are_scanned_one_after_the_other(browser: Browser) -> None:
    page = at(browser, "start-load", scan="SL:device:A1", devices="")
    page = at(browser, "start-load", scan="SL:device:A2", **held(page))
    page = at(browser, "start-load", scan="SL:device:A1", **held(page))
    assert held(page)["devices"] == "A1\nA2"


def test_several_bottles_of_a_lot_are_asked_about(browser: Browser) -> None:
    page = at(browser, "open-bottle", scan=f"(01){GTIN}(10)TWO")
    assert held(page) == {}
    assert choices(page) == {
        "Bottle B1 of peracetic acid, lot TWO": "SL:bottle:B1",
        "Bottle B2 of peracetic acid, lot TWO": "SL:bottle:B2",
    }


@pytest.mark.parametrize(
    ("scanned", "rule", "text"),
    [
        (
            "SL:basin:n1/b1",
            "nothing-fits",
            "Basin 1: nothing on this form is filled in from such a label. "
            "Scan the label of what the form asks for, or type it into its field.",
        ),
        (
            "SL:device:GONE",
            "nothing-fits",
            "The label names the device 'GONE', which is not recorded here. "
            "It may be another site's label, or older than the data. Print the label anew.",
        ),
        (
            f"01{GTIN[:-1]}4",
            "check-digit",
            f"The product code {GTIN[:-1]}4 cannot be right: its last digit must be 3, not 4. "
            "Scan again; if it was typed, compare every digit with the label.",
        ),
    ],
)
def test_what_fills_nothing_says_rule_and_next_step(browser: Browser, scanned: str, rule: str, text: str) -> None:
    page = at(browser, "begin-turn", status=409, scan=scanned, device="A1")
    words = said(page).lower()
    assert text.lower() in words
    assert words.endswith(f"rule: {rule}. what was typed below is as it was.")
    assert held(page)["device"] == "A1"


def test_a_badge_is_taken_by_no_form_and_never_shown(house: House, browser: Browser) -> None:
    badge = house.badges[TINA]
    for typed in (badge, badge.lower(), f"{badge} A1"):
        page = at(browser, "begin-turn", status=409, scan=typed)
        assert badge.lower() not in page.lower()
    for part in (badge[3:], badge[1:].lower()):  # what was lost of it leaves enough to be a secret
        for form in ("begin-turn", "record-device"):
            page = at(browser, form, status=409, scan=part)
            assert part.lower() not in page.lower(), form
            assert f"Nothing here has the {len(part)} letters that were read." in page
    page = at(browser, "begin-turn", status=409, scan=badge)
    assert said(page) == (
        "Not read This is a person's badge, and no label of what this form is about. "
        "Scan the label; badges are for signing in and for the fields that ask for them. "
        "Rule: badge. What was typed below is as it was."
    )


def test_nobody_is_scanned_for_who_is_not_signed_in(house: House, browser: Browser, opened: OpenBrowser) -> None:
    answer = opened().post("/do/begin-turn", data={"once": "1", "scan": "A1"})
    assert answer.status_code == 401
    assert "found by" not in answer.text


def test_forms_without_a_label_ask_for_none(browser: Browser) -> None:
    assert 'name="scan"' not in browser.get("/do/hand-over").text
    assert 'name="scan"' in browser.get("/do/receive-strip-bottle").text
    names = {field.name for kind in DEEDS.values() for field in fields(kind)}
    assert not {"scan", "reading", "fill_in"} & names
    assert scannable(fields(DEEDS["correct-bottle"]))
