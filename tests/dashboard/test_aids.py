"""Aids over a morning of real deeds: codes made out without telling badges, spills, what runs out, papers to print."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pagekit
import pytest
import recorded
from doorkit import PEOPLE, SAM, TOM, Browser, House, OpenBrowser, refused, scan
from litestar import Litestar
from litestar.testing import TestClient

from collector.record.things import Bottle, Device, DeviceType, Fill, Profile, Step
from dashboard.app import build_app

Client = TestClient[Litestar]


@pytest.fixture(scope="module")
def morning(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = pagekit.copied(clinic[0], tmp_path_factory.mktemp("aids") / "data")
    recorded.record(data)
    return data


@pytest.fixture(scope="module")
def client(morning: Path) -> Iterator[Client]:
    app = build_app(morning, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1") as asking:
        yield asking


def good(answer: Any) -> Any:
    assert answer.status_code == 200, answer.text
    return answer.json()


def scanned(client: Browser, text: str, **more: str) -> Any:
    return client.post("/api/scan", json={"text": text, **more})


def test_a_scan_says_what_it_is_of(client: Client) -> None:
    found = good(scanned(client, "GS-01\r"))
    assert (found["text"], found["ask"], [(each["kind"], each["id"]) for each in found["found"]]) == (
        "Gastroscope GS-01, found by asset number.",
        False,
        [("device", "GS-01")],
    )
    found = good(scanned(client, "SL:basin:n1/b1"))
    assert [(each["kind"], each["id"]) for each in found["found"]] == [("basin", "n1/b1")]


def test_a_gs1_code_is_shown_taken_apart_and_asked_about(client: Client) -> None:
    found = good(scanned(client, "0106291041500213172612311021LOT1"))["scan"]
    assert [(each["ai"], each["text"]) for each in found["elements"]] == [
        ("01", "06291041500213"),
        ("17", "261231"),
        ("10", "21LOT1"),
    ]
    assert (found["gtin"], found["expires"], found["lot"]) == ("06291041500213", "2026-12-31", "21LOT1")
    found = good(scanned(client, "010629104150021310LOT121SER1"))
    assert (found["ask"], found["next_step"]) == (True, "Compare with the label and choose how it reads.")
    assert "(01)06291041500213(10)LOT1(21)SER1" in [each["text"] for each in found["scan"]["readings"]]
    found = good(scanned(client, "(01)06291041500213", second="(17)261231(10)LOT1"))["scan"]
    assert (found["gtin"], found["expires"], found["lot"]) == ("06291041500213", "2026-12-31", "LOT1")


def test_what_cannot_be_read_names_the_rule_and_the_next_step(client: Client) -> None:
    assert refused(scanned(client, "0106291041500214"), 409)[0] == "check-digit"
    assert refused(scanned(client, " \r\n"), 409) == (
        "empty",
        "Nothing was scanned.",
        "Hold the scanner to the code, or type the asset number.",
    )
    assert refused(client.post("/api/scan", json={"text": "x" * 1_001}), 422)[0] == "malformed"


def test_no_answer_tells_a_badge(house: House, opened: OpenBrowser) -> None:
    browser, badge = opened(), house.badges[SAM]
    found = scanned(browser, badge.lower())
    assert good(found)["text"] == "This is a badge."
    mixed = [f"{badge} GS-01", f"GS-01 {badge}", f"{badge}-{badge}", f"{badge}\r\nGS-01", f"{badge}\r\n{badge}"]
    answers = [found, *(scanned(browser, each) for each in mixed), scanned(browser, badge, second="(10)LOT1")]
    for answer in answers:
        assert badge.lower() not in answer.text.lower()
    assert refused(answers[1], 409) == (
        "two-codes",
        "The field holds a badge and something else.",
        "Empty it and scan one code.",
    )


def test_looking_takes_somebody_where_the_site_says_so(house: House) -> None:
    with TestClient(house.app(require_sign_in=True), base_url="http://127.0.0.1:8080") as browser:
        assert refused(scanned(browser, "GS-01"), 401)[0] == "not-signed-in"
        assert refused(browser.get("/api/spill?profile=typed&volume_ml=1"), 401)[0] == "not-signed-in"
        scan(browser, house, SAM)
        assert scanned(browser, "GS-01").status_code == 200


def test_a_spill_by_solution_and_volume(client: Client) -> None:
    found = good(client.get("/api/spill?profile=typed&volume_ml=500"))
    assert (found["volume_ml"], found["neutraliser_g"]) == (500, None)
    assert (
        "No neutraliser is known here for peracetic acid: take it up as its safety data sheet says." in found["steps"]
    )
    assert found["decides"].startswith("Local codes, the label and the safety data sheet decide.")
    for address, status in (
        ("/api/spill", 400),
        ("/api/spill?profile=typed", 400),
        ("/api/spill?profile=typed&volume_ml=0", 400),
        ("/api/spill?profile=typed&volume_ml=much", 400),
        ("/api/spill?profile=none&volume_ml=1", 404),
        ("/spill?profile=none&volume_ml=1", 404),
    ):
        assert client.get(address).status_code == status, address


def test_the_spill_page_warns_before_anything_is_chosen(house: House, opened: OpenBrowser) -> None:
    house.put(Profile(id="opa", name="OPA 0.55 %", chemistry="ortho-phthalaldehyde-0.55", neutraliser="glycine"))
    browser = opened()
    page = browser.get("/spill").text
    assert "Eyes: rinse at once with plenty of water" in page
    assert "Local codes, the label and the safety data sheet decide." in page
    page = browser.get("/spill?profile=opa&volume_ml=3785").text
    assert "25 g of glycine" in page  # 25 g for 1 US gallon, 3785.4 mL: common practice
    assert "Let it stand for at least 5 minutes (from memory)." in page
    assert "There is no OSHA limit for it in the air" in page


def test_what_runs_out_before_the_next_working_day_says_what_to_order(house: House, opened: OpenBrowser) -> None:
    use_by_ms = pagekit.NOW_MS + 7_200_000
    house.put(
        Profile(id="paa", name="peracetic acid"),
        Fill(
            id="F1",
            basin="n1/b1",
            profile="paa",
            poured=(),
            poured_ms=pagekit.NOW_MS,
            poured_by=SAM,
            use_by_ms=use_by_ms,
            use_by_why="reuse life of 14 days",
            tested_after_ms=pagekit.NOW_MS,
        ),
        Bottle(
            id="B1",
            profile="paa",
            lot="L1",
            expires="2026-03-03",
            volume_ml=4_000,
            left_ml=900,
            received_ms=pagekit.NOW_MS,
            use_by_ms=use_by_ms,
        ),
    )
    browser = opened()
    due = good(browser.get("/api/due"))["due"]
    said = {each["id"]: (each["text"], each["next_step"]) for each in due}
    assert said["B1"] == (
        "Bottle B1 of peracetic acid (lot L1, 900 ml left) runs out at 2026-03-03 15:18.",
        "Order peracetic acid: nothing else is left.",
    )
    assert said["F1"][1] == ("Order peracetic acid: no bottle is in date after that. Discard F1 and pour a new fill.")
    page = browser.get("/solutions").text
    for text, next_step in said.values():
        assert text in page
        assert next_step in page


def test_what_runs_out_before_the_next_working_day(client: Client) -> None:
    found = good(client.get("/api/due"))
    assert found["next_working_day"] == "2026-03-04"
    assert [each["kind"] for each in found["due"]] == []
    page = client.get("/solutions").text
    assert "Nothing that is recorded runs out before then." in page
    for address in ("/spill", "/api/labels/basins", "/api/labels/bottles"):
        assert f'href="{address}"' in page


@pytest.mark.parametrize("kind", ["basins", "fills", "bottles", "strips", "devices"])
def test_labels_are_a_file_to_print(client: Client, kind: str) -> None:
    answer = client.get(f"/api/labels/{kind}?paper=letter")
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == f'attachment; filename="labels-{kind}.html"'
    assert "<svg" in answer.text
    assert "size: letter" in answer.text


def test_labels_of_some_and_of_none(client: Client) -> None:
    page = client.get("/api/labels/devices?ids=GS-01, GS-03").text
    assert [each in page for each in ("GS-01", "GS-02", "GS-03")] == [True, False, True]
    assert refused(client.get("/api/labels/devices?ids=GS-99"), 409)[0] == "unknown-device"
    for kind in ("people", "badges"):
        assert client.get(f"/api/labels/{kind}").status_code == 404


def test_the_downtime_form_is_a_file_to_print(client: Client) -> None:
    answer = client.get("/api/downtime-form?soaks=3")
    assert answer.headers["content-disposition"] == 'attachment; filename="downtime-form.html"'
    assert answer.text.partition('class="soaks"')[2].count("<tr>") == 4  # the head, and three soaks
    assert client.get("/api/downtime-form?soaks=0").status_code == 400
    assert client.get("/api/downtime-form?paper=a9").status_code == 400


def test_the_review_leads_to_the_downtime_form(auditors: Client) -> None:
    assert 'href="/api/downtime-form"' in auditors.get("/review").text


def test_they_are_described_and_record_nothing(house: House, opened: OpenBrowser) -> None:
    browser, before = opened(), house.records()
    paths = browser.get("/schema/openapi.json").json()["paths"]
    for path, method in (
        ("/api/scan", "post"),
        ("/api/due", "get"),
        ("/api/spill", "get"),
        ("/api/labels/{kind}", "get"),
        ("/api/downtime-form", "get"),
    ):
        assert paths[path][method]["summary"]
    scanned(browser, "GS-01")
    browser.get("/api/labels/basins")
    assert house.records() == before


def test_the_review_leads_to_a_form_with_a_line_for_each_open_thing(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, SAM, pin=True)
    form = browser.get("/do/sign-review?day=2026-03-03&answers=turn:T1;+%0Adevice:GS-01;+")
    assert "turn:T1; \ndevice:GS-01; </textarea>" in form.text


def test_the_form_for_signing_begins_with_what_is_open_and_no_answers(morning: Path) -> None:
    app = build_app(morning, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(pagekit.seen_by(app, PEOPLE[SAM]), base_url="http://127.0.0.1") as supervisor:
        page = supervisor.get("/review?day=2026-03-03").text
    address = page.partition('href="/do/sign-review?')[2].partition('"')[0]
    assert address.startswith("day=2026-03-03&amp;answers=")
    assert "%3B+%0A" in address
    assert "not+known" not in address


def test_a_closure_shows_what_is_declared_of_it_and_leads_to_the_forms(client: Client) -> None:
    closures = good(client.get("/api/closures?basin=n1/b1"))["closures"]
    pages = [client.get(f"/closures/{each['id']}").text for each in closures]
    loaded = next(page for page in pages if "Load L1" in page)
    assert 'href="/devices/GS-01#T1">GS-01</a>' in loaded
    assert 'href="/devices/GS-02#T2">GS-02</a>' in loaded
    assert "/do/answer-closures" not in loaded
    empty = [client.get(f"/closures/{each['id']}").text for each in good(client.get("/api/closures"))["closures"]]
    unsaid = next(page for page in empty if "Nobody has said." in page)
    assert 'href="/do/answer-closures?closures=' in unsaid
    assert 'href="/do/assign-late?closure=' in unsaid


def test_what_was_answered_and_noted_of_a_closure_stands_on_its_page(
    clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path
) -> None:
    data = pagekit.copied(clinic[0], tmp_path / "data")
    morning = recorded.Morning(data)
    morning.put(*PEOPLE.values())
    row, stream, first = morning.desk.connection.execute(
        "SELECT c.id, s.stream, c.first FROM closure c JOIN stream s ON s.id = c.stream_id ORDER BY c.id LIMIT 1"
    ).fetchone()
    key = f"{stream}:{first}"
    morning.do("answer-closures", at_ms=pagekit.NOW_MS - 2_000, closures=[key], answer="not known")
    morning.do("note-closure", TOM, at_ms=pagekit.NOW_MS - 1_000, closure=key, note="The courier took two scopes.")
    morning.desk.close()
    with TestClient(build_app(data, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)) as asking:
        page = asking.get(f"/closures/{row}", headers={"Host": "127.0.0.1"}).text
    assert "<p>Nobody knows what was in it, as was said.</p>" in page
    assert "<li>not known. <small>Tina Test, " in page
    assert "<li>The courier took two scopes. <small>Tom Test, " in page


def test_the_form_for_a_profile_offers_the_published_table(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, SAM, pin=True)
    page = browser.get("/do/draft-profile").text
    assert '<option value="ortho-phthalaldehyde-0.55">ortho-phthalaldehyde 0.55 %</option>' in page


def test_the_page_of_a_device_that_was_soaked_says_how_it_is_rinsed(client: Client) -> None:
    asked = "<dt>Rinses asked for</dt><dd>3, at least 1 min each, fresh water each</dd>"
    assert asked in client.get("/devices/GS-03").text  # taken out, nothing rinsed yet
    assert asked not in client.get("/devices/GS-01").text  # released


def test_devices_go_out_and_in_as_csv(house: House, opened: OpenBrowser) -> None:
    house.put(DeviceType(id="scope", name="Scope", kind="x", profiles=("paa",), steps=(Step.CLEAN,)))
    house.put(Device(id="A1", type="scope", serial="-7"))
    browser = opened()
    answer = browser.get("/api/devices.csv")
    assert answer.headers["content-disposition"] == 'attachment; filename="devices.csv"'
    assert answer.text.removeprefix("\ufeff").splitlines() == [
        "asset_number,type,serial,udi,retired",
        "A1,scope,'-7,,no",
    ]
    said = {"csv": answer.text + "A2,scope,8,,no\r\n", "reason": "New in March."}
    assert refused(browser.post("/api/devices/import", json=said), 401)[0] == "not-signed-in"
    scan(browser, house, SAM)
    before = house.records()
    looked = good(browser.post("/api/devices/import", json=said))
    assert looked == {"written": False, "lines": ["A2: new, scope"], "unchanged": 1}
    assert refused(browser.post("/api/devices/import", json={**said, "write": True}), 403)[0] == "second-factor"
    assert house.records() == before
    scan(browser, house, SAM, pin=True)
    wrong = {**said, "csv": said["csv"] + "A3,nothing,,,no\r\n", "write": True}
    rule, text, step = refused(browser.post("/api/devices/import", json=wrong), 409)
    assert (rule, step) == ("csv", "Mend these lines and send the file again; nothing is recorded.")
    assert text.startswith("line 4, column type: ")
    assert house.records() == before
    assert good(browser.post("/api/devices/import", json={**said, "write": True}))["written"]
    assert house.records() == before + 1


def test_a_technician_imports_no_devices(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TOM, pin=True)
    said = {"csv": "asset_number,type\r\nA2,scope\r\n", "reason": "New.", "write": True}
    assert refused(browser.post("/api/devices/import", json=said), 403)[0] == "role"
