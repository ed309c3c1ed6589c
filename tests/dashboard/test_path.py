"""The start page by plain forms, as a browser without scripts sends them: every scan, and what is recorded of it."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pathkit
import pytest
from doorkit import ADA, HOST, PINS, SAM, TINA, TOM, Browser
from httpx import Cookies
from litestar.testing import TestClient
from pathkit import BLADE, HELD, ONE, TWO, PathHouse, basin, device

from collector.record import shelf
from collector.record.things import Attested, Device, DeviceType, Load, Stage, Step, Turn
from collector.schema import FILE_NAME, connect

FORM = {"content-type": "application/x-www-form-urlencoded"}
_STATE = re.compile(r'<input type="hidden" name="(device|basin|load|form_token)" value="([^"]*)"')


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any, Any]:
    data = tmp_path_factory.mktemp("path")
    return data, *pathkit.built(data)


@pytest.fixture
def clinic(model: tuple[Path, Any, Any], tmp_path: Path) -> PathHouse:
    return pathkit.copied(*model, tmp_path / "data")


class Tablet:
    """A browser at the start page: cookies of its own, at an application that several share."""

    def __init__(self, house: PathHouse, client: Browser, address: str) -> None:
        self.house, self._client, self._cookies = house, client, Cookies()
        self.go(address)

    @property
    def client(self) -> Browser:
        """The shared one, with this browser's cookies."""
        self._client.cookies = self._cookies
        self._cookies = self._client.cookies  # what is set from now on stays here
        return self._client

    def go(self, address: str) -> Tablet:
        self.answer = self.client.get(address)
        return self

    def scan(self, text: str, status: int = 200, **more: str) -> Tablet:
        """Send the page's form with a scan; follow where it leads."""
        page = self.answer.text
        state = [(name, html.unescape(each)) for name, each in _STATE.findall(page[page.index('id="scan-form"') :])]
        body = urlencode([*state, ("scan", text), *more.items()])
        self.answer = self.client.post("/start/scan", content=body, headers=FORM)
        assert self.answer.status_code == status, self.answer.text
        return self

    def press(self, action: str, status: int = 200) -> Tablet:
        return self.scan("", status, action=action)

    def badge(self, person: str) -> Tablet:
        return self.scan(self.house.badges[person])

    @property
    def address(self) -> str:
        return self.answer.url.raw_path.decode()

    @property
    def sentence(self) -> str:
        return self.part(r"<h1>(.*?)</h1>")

    @property
    def said(self) -> str:
        return self.part(r'<div id="said">(.*?)</div>')

    @property
    def lines(self) -> str:
        return self.part(r'<ol class="lines">(.*?)</ol>')

    def part(self, pattern: str) -> str:
        found = re.search(pattern, self.answer.text, re.DOTALL)
        return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", found[1]).split())) if found else ""

    def part_of_main(self) -> str:
        return self.answer.text[self.answer.text.index("<main") :]


Open = Any


@pytest.fixture
def opened(clinic: PathHouse) -> Iterator[Open]:
    with TestClient(clinic.app(), base_url=f"http://{HOST}") as client:
        yield lambda address="/start": Tablet(clinic, client, address)


def things(house: PathHouse, kind: type[Any]) -> list[Any]:
    db = connect(house.data / FILE_NAME, read_only=True)
    try:
        return shelf.find_all(db.conn, kind)
    finally:
        db.close()


def kinds(house: PathHouse, since: int) -> list[tuple[str, str]]:
    """Who recorded what since a record."""
    return house.ask(f"SELECT who, kind FROM ledger WHERE number > {since} AND who <> 'collector' ORDER BY number")


def test_badge_device_basin_and_the_load_is_on_record(clinic: PathHouse, opened: Open) -> None:
    before = clinic.records()
    tablet = opened()
    assert tablet.sentence == "Scan your badge"
    assert tablet.badge(TINA).sentence == "Scan a device"
    tablet.scan(device("GS-01"))
    assert tablet.sentence == "Scan the basin, then close the lid"
    assert (
        "Scanning the basin declares that Tina Test did this before now GS-01 point-of-use clean, leak test, clean, "
        "rinse" in tablet.part(r'<section class="declared".*?>(.*?)</section>')
    )
    tablet.scan(device("GS-02"))
    assert tablet.address == "/start?device=GS-01&device=GS-02"
    assert kinds(clinic, before) == []  # nothing before the basin says where they are
    tablet.scan(basin(ONE))
    assert (tablet.sentence, tablet.address) == ("Close the lid", "/start?load=L1")
    assert [kind for _, kind in kinds(clinic, before)] == [
        *("begin-turn", "attest-steps") * 2,
        "start-load",
    ]
    assert {who for who, _ in kinds(clinic, before)} == {TINA}
    turn = things(clinic, Turn)[0]
    assert set(turn.steps) == set(pathkit.STEPS)
    assert {each.note for each in turn.steps.values()} == {
        "Declared on the start page, all at once, as done before this moment."
    }


def test_the_lid_is_followed_until_the_soak_is_met(clinic: PathHouse, opened: Open) -> None:
    opened().badge(TINA).scan(device("GS-01")).scan(basin(ONE))
    clinic.on(3, "closed")
    tablet = opened("/start?load=L1")
    assert tablet.sentence == "Keep closed. Ready 13:19."
    assert "Lid closed 13:18" in tablet.lines
    clinic.on(8, "closed")
    assert opened("/start?load=L1").sentence == "Soak met. Rinse next."
    clinic.on(2, "open")
    tablet = opened("/start?load=L1")
    assert tablet.sentence == "Soak met. Rinse next."
    assert "Lid opened 13:18" in tablet.lines


def test_a_soak_opened_early_says_reprocess(clinic: PathHouse, opened: Open) -> None:
    opened().badge(TINA).scan(device("GS-01")).scan(basin(ONE))
    clinic.on(3, "closed")
    clinic.on(2, "open")
    tablet = opened("/start?load=L1")
    assert tablet.sentence == "Reprocess"
    assert "Taken out: not releasable, begin again from cleaning on." in tablet.part(r'<p class="more">(.*?)</p>')
    assert 'data-mood="stop"' in tablet.answer.text


def test_a_lid_that_was_on_before_the_load_is_opened_first(clinic: PathHouse, opened: Open) -> None:
    clinic.on(5, "closed")
    tablet = opened().badge(TINA).scan(device("GS-01")).scan(basin(ONE))
    assert tablet.sentence == "Open the lid"
    clinic.on(10, "closed")
    assert opened("/start?load=L1").sentence == "Open the lid"  # that closure counts for nothing
    clinic.on(2, "open")
    assert opened("/start?load=L1").sentence == "Close the lid"
    clinic.on(3, "closed")
    assert opened("/start?load=L1").sentence.startswith("Keep closed")


def test_steps_that_are_done_in_the_basin_are_not_declared_under_its_lid(clinic: PathHouse, opened: Open) -> None:
    steps = (Step.CLEAN, Step.NO_BUBBLES)
    clinic.put(DeviceType(id="gastroscope", name="gastroscope", kind="x", profiles=("paa",), steps=steps))
    clinic.on(5, "closed")
    before = clinic.records()
    tablet = opened().badge(TINA).scan(device("GS-01")).scan(basin(ONE), 409)
    assert "The lid of Basin 1 is on: GS-01 cannot lie in it yet, and “no bubbles” is done in the basin." in tablet.said
    assert kinds(clinic, before) == []
    clinic.on(2, "open")
    opened().badge(TINA).scan(device("GS-01")).scan(basin(ONE))
    assert things(clinic, Load)[0].basin == ONE


def test_steps_already_on_record_are_nobody_elses(clinic: PathHouse, opened: Open) -> None:
    """Who cleaned says so and leaves; who puts it in declares only what is left."""
    tablet = opened().badge(TOM).scan(device("GS-01")).press("steps")
    assert "Tom Test has declared the steps of GS-01; they are on record." in tablet.said
    assert "declares" not in tablet.part(r'<div id="standing".*?>(.*?)</form>')
    assert "on record already" in tablet.press("steps").said
    tablet.badge(TINA).scan(basin(ONE))
    turn = things(clinic, Turn)[0]
    assert ({each.by for each in turn.steps.values()}, turn.in_by) == ({TOM}, TINA)


def test_steps_one_by_one_begin_the_round_first(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device("GS-01")).press("singly:GS-01")
    assert tablet.address == "/do/attest-steps?device=GS-01"
    assert 'value="GS-01"' in tablet.answer.text
    assert [(each.device, each.steps) for each in things(clinic, Turn)] == [("GS-01", {})]
    tablet.go("/start?device=GS-01").press("singly:GS-01")
    assert len(things(clinic, Turn)) == 1
    assert "GS-09 is in quarantine" in tablet.go("/start").press(f"singly:{HELD}", 409).said


NO_USE = (
    ("", 409, "Nothing was scanned."),
    ("x" * 5_000, 409, "5000 characters are more than any code"),
    ("<script>alert(1)</script>", 409, "'<script>alert(1)</script>' is neither a GS1 code"),
    ("GS-\x0701", 409, "The code holds the control character number 7"),
    ("NOPE-1", 409, "Nothing recorded has the number 'NOPE-1'."),
    ("SL:device:NOPE-1", 409, "The label names the device 'NOPE-1', which is not recorded here."),
    ("SL:basin:n9/b9", 409, "The label names the basin 'n9/b9', which is not recorded here."),
    ("SL:bottle:B1", 409, "Bottle B1 of peracetic acid, lot LOT-1: that is the label of something else."),
    ("SL:fill:F1", 409, "that is the label of something else."),
    (f"SL:device:{HELD}", 409, "GS-09 is in quarantine since"),
    ("GS-01\tGS-02", 409, "The field holds 2 codes."),
    ("PERSONABCDEFGHJKLMNPQRSTUVWXYZ", 401, "That badge opens nothing here."),
    ("ERSONABCDEFGHJKLMNPQRSTUVWXYZ", 409, "Nothing here has the 29 letters that were read. Was it a badge?"),
    ("cancel", 409, "Nothing has been scanned that could be taken back."),
)


def test_a_scan_that_is_of_no_use_says_so_and_records_nothing(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA)
    before = clinic.records()
    for scanned, status, words in NO_USE:
        tablet.scan(scanned, status)
        assert words in tablet.said, scanned
        assert tablet.said.startswith("Not taken"), scanned
        assert (tablet.sentence, clinic.records()) == ("Scan a device", before), scanned
        assert "<script>alert" not in tablet.answer.text
        assert "ERSONABC" not in tablet.answer.text
    assert tablet.scan(device("GS-01")).sentence == "Scan the basin, then close the lid"


def test_the_same_scan_twice_takes_nothing_twice(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device("GS-01")).scan("gs-01")
    assert "GS-01 is on the list already and counts once." in tablet.said
    before_basin = tablet.answer
    tablet.scan(basin(ONE))
    before = clinic.records()
    assert "Load L1 is in it and on record. Nothing was recorded now." in tablet.scan(basin(ONE)).said
    tablet.answer = before_basin  # the back button, or a second tablet with the same page
    assert tablet.scan(basin(ONE)).sentence == "Close the lid"
    assert clinic.records() == before
    assert len(things(clinic, Load)) == 1


def test_cancel_and_undo_take_the_last_one_off(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device("GS-01")).scan(device("GS-02")).scan("CANCEL")
    assert tablet.address == "/start?device=GS-01"
    assert tablet.press("undo").address == "/start"
    tablet.scan(device("GS-01")).scan(basin(ONE))
    assert "Load L1 is on record, and what is on record stays." in tablet.press("undo", 409).said


def test_a_second_device_before_the_lid_is_closed_joins_the_load(clinic: PathHouse, opened: Open) -> None:
    tablet = opened(f"/start?basin={ONE}").badge(TINA).scan(device("GS-01")).scan(basin(ONE)).scan(device("GS-02"))
    assert (tablet.sentence, "load L1 is being put in" in tablet.lines) == ("Scan Basin 1, then close the lid", True)
    tablet.scan(basin(ONE))
    assert (tablet.sentence, tablet.address) == ("Close the lid", f"/start?basin={ONE}&load=L1")
    assert [len(load.turns) for load in things(clinic, Load)] == [2]


def test_a_running_soak_is_disturbed_only_by_those_who_say_so(clinic: PathHouse, opened: Open) -> None:
    opened().badge(TINA).scan(device("GS-01")).scan(basin(ONE))
    clinic.on(3, "closed")
    before = clinic.records()
    tablet = opened().badge(TOM).scan(device("GS-02")).scan(basin(ONE), 409)
    assert "Basin 1 holds load L1 since" in tablet.said
    assert "its time starts again" in tablet.said
    assert [kind for _, kind in kinds(clinic, before)] == []
    fixed = opened(f"/start?basin={ONE}").badge(TOM)
    assert fixed.sentence == "Basin 1 is in use"
    tablet.press(f"add:{ONE}")
    assert [kind for _, kind in kinds(clinic, before)] == [
        "begin-turn",
        "attest-steps",
        "announce-opening",
        "add-device",
    ]
    assert tablet.sentence == "Open the lid"
    clinic.on(2, "open")
    assert opened("/start?load=L1").sentence == "Close the lid"


def test_a_basin_that_is_not_ready_says_what_blocks_and_the_way_out(clinic: PathHouse, opened: Open) -> None:
    before = clinic.records()
    tablet = opened().badge(TINA).scan(device("GS-01")).scan(basin(TWO), 409)
    assert "Fill F2 has not been MEC tested since it was poured. Test the solution with a strip." in tablet.said
    assert 'href="/do/begin-mec-test?fill=F2"' in tablet.answer.text
    assert "override" not in tablet.answer.text
    assert kinds(clinic, before) == []
    tablet.press("steps").badge(SAM).scan(basin(TWO), 409)
    link = re.search(r'href="(/do/start-load\?[^"]*)"', tablet.answer.text)
    assert link
    form = tablet.client.get(html.unescape(link[1])).text
    assert 'name="override" value="yes" checked' in form
    assert ">GS-01</textarea>" in form
    assert things(clinic, Load) == []


def test_a_solution_that_the_device_must_not_lie_in(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device(BLADE)).scan(device("GS-01")).scan(basin(ONE), 409)
    assert "LB-07: its maker does not permit peracetic acid for a laryngoscope blade." in tablet.said
    assert things(clinic, Load) == []
    assert tablet.press(f"off:{BLADE}").address == "/start?device=GS-01"
    fixed = opened(f"/start?basin={ONE}").badge(TINA).scan(device(BLADE), 409)
    assert "LB-07: its maker does not permit" in fixed.said


def test_a_page_for_one_basin_takes_no_other(clinic: PathHouse, opened: Open) -> None:
    tablet = opened(f"/start?basin={ONE}").badge(TINA)
    assert "Basin Basin 1 ready" in tablet.lines
    tablet.scan(device("GS-01"))
    assert tablet.sentence == "Scan Basin 1, then close the lid"
    assert "That is Basin 2; this page is for Basin 1. Nothing was recorded." in tablet.scan(basin(TWO), 409).said
    assert tablet.scan("basin 1").address == f"/start?basin={ONE}&load=L1"  # typed by hand
    stop = opened(f"/start?basin={TWO}").badge(TINA)
    assert stop.sentence == "Basin 2 is not ready"
    assert "has not been MEC tested" in stop.part(r'<p class="more">(.*?)</p>')


def test_a_basin_scanned_first_is_kept_and_starts_nothing(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(basin(ONE))
    assert (tablet.address, tablet.sentence) == (f"/start?basin={ONE}", "Scan a device")
    assert "Scan the device first, the basin last." in tablet.scan(basin(ONE), 409).said
    assert things(clinic, Load) == []


def test_signed_out_in_the_middle_nothing_is_lost(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device("GS-01"))
    clinic.now_ms += 11 * 60_000
    tablet.scan(basin(ONE), 401)
    assert "Nobody is signed in." in tablet.said
    assert (tablet.sentence, things(clinic, Load)) == ("Scan your badge", [])
    tablet.badge(TOM)
    assert tablet.address == "/start?device=GS-01"
    assert tablet.scan(basin(ONE)).sentence == "Close the lid"
    assert things(clinic, Load)[0].by == TOM


def test_another_badge_changes_who_declares(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device("GS-01")).badge(SAM)
    assert "declares that Sam Test did this" in tablet.answer.text
    tablet.scan(basin(ONE))
    assert things(clinic, Load)[0].by == SAM


def test_a_form_of_another_session_records_nothing(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(TINA).scan(device("GS-01"))
    stale = tablet.answer
    tablet.badge(TOM)
    tablet.answer = stale
    tablet.scan(basin(ONE), 409)
    assert "This form was opened before Tom Test signed in." in tablet.said
    assert things(clinic, Load) == []
    assert tablet.scan(basin(ONE)).sentence == "Close the lid"


def test_whoever_may_not_start_a_load_is_told(clinic: PathHouse, opened: Open) -> None:
    tablet = opened().badge(ADA)
    assert tablet.sentence == "Scan another badge"
    tablet.scan(device("GS-01")).scan(basin(ONE), 403)
    assert "Ada Test is an administrator" in tablet.said
    assert things(clinic, Load) == []


def test_somebody_else_was_quicker_with_the_device(clinic: PathHouse, opened: Open) -> None:
    slow = opened().badge(TINA).scan(device("GS-01"))
    opened().badge(TOM).scan(device("GS-01")).scan(basin(ONE))
    slow.scan(device("GS-02"))
    assert "Taken off the list GS-01 is in Basin 1 since" in slow.said
    assert 'name="device" value="GS-01"' not in slow.answer.text


def test_a_released_device_is_said_to_lose_its_release(clinic: PathHouse, opened: Open) -> None:
    clinic.put(
        Device(id="GS-01", type="gastroscope", turn="T90"),
        Turn(id="T90", device="GS-01", began_ms=1, stage=Stage.RELEASED, released=Attested(SAM, 2)),
    )
    tablet = opened().badge(TINA).scan(device("GS-01"))
    assert "it is released: a new soak ends that release" in tablet.lines


def test_addresses_that_no_page_of_ours_wrote(opened: Open) -> None:
    tablet = opened()
    for address in ("device=%3Cscript%3E", "basin=nowhere", "load=L%0a1", "x=1"):
        assert tablet.go(f"/start?{address}").answer.status_code == 400
        assert "<script>" not in tablet.part_of_main()
    assert tablet.go("/release?device=a%20b").answer.status_code == 400


def test_a_closed_site_shows_nothing_before_the_badge(clinic: PathHouse) -> None:
    with TestClient(clinic.app(require_sign_in=True), base_url=f"http://{HOST}") as client:
        _closed(clinic, client)


def _closed(clinic: PathHouse, client: Browser) -> None:
    answer = client.post("/start/scan", data={"scan": device("GS-01"), "device": "GS-02"})
    assert answer.status_code == 401
    assert "gastroscope" not in answer.text
    answer = client.post("/start/scan", data={"action": f"add:{TWO}", "basin": ONE, "device": "GS-02"})
    assert answer.status_code == 401
    assert "Basin 2" not in answer.text
    answer = client.post("/start/scan", data={"scan": clinic.badges[TINA], "device": "GS-02"})
    assert answer.url.raw_path == b"/start?device=GS-02"
    assert "gastroscope" in answer.text


def test_a_scan_on_any_page_leads_to_its_place(clinic: PathHouse, opened: Open) -> None:
    client = opened().client
    at_basin = client.post("/scan", data={"scan": "GS-01", "at": "/basins/n1/b2?x=1"}, follow_redirects=False)
    assert at_basin.headers["location"] == "/start?device=GS-01&basin=n1/b2"
    for scanned, leads_to in (
        ("SL:device:GS-01", "/start?device=GS-01"),
        ("SL:basin:n1/b1", "/start?basin=n1/b1"),
        ("cancel", "/devices?find=GS"),
        (clinic.badges[TINA], "/devices?find=GS"),
    ):
        data = {"scan": scanned, "at": "/devices?find=GS"}
        answer = client.post("/scan", data=data, follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, leads_to)


def test_a_scan_elsewhere_that_means_nothing_leads_back(opened: Open) -> None:
    answer = opened().client.post("/scan", data={"scan": "NOPE-1", "at": "//elsewhere.example/"})
    assert answer.status_code == 409
    assert "Nothing recorded has the number" in answer.text
    assert "elsewhere" not in answer.text


def test_no_pin_and_no_touch_is_asked_for_before_the_lid(opened: Open) -> None:
    """What the standard path needs is one field, always there: no second field, no choice."""
    tablet = opened().badge(TINA).scan(device("GS-01"))
    fields = re.findall(r'<(?:input|select|textarea)(?![^>]*type="hidden")[^>]*>', tablet.part_of_main())
    assert len(fields) == 1
    assert 'name="scan"' in fields[0]
    assert PINS[TINA] not in tablet.answer.text
