"""From the opened lid to the release: each next step, one device or a batch, nothing twice, nothing past a clause."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pathkit
import pytest
from doorkit import HOST, OLGA, PINS, SAM, TINA, TOM, Browser
from litestar.testing import TestClient
from pathkit import ONE, PathHouse

from collector.record.all import DEEDS
from collector.record.desk import Desk


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any, Any]:
    data = tmp_path_factory.mktemp("path")
    return data, *pathkit.built(data)


@pytest.fixture
def clinic(model: tuple[Path, Any, Any], tmp_path: Path) -> PathHouse:
    """Two devices lie in Basin 1; its lid was opened after their soak had met."""
    house = pathkit.copied(*model, tmp_path / "data")
    for each in ("GS-01", "GS-02"):
        do(house, "begin-turn", device=each)
        do(house, "attest-steps", device=each, steps=pathkit.STEPS)
    do(house, "start-load", basin=ONE, devices=["GS-01", "GS-02"])
    house.on(9, "closed")
    house.on(2, "open")
    return house


@pytest.fixture
def client(clinic: PathHouse) -> Iterator[Browser]:
    with TestClient(clinic.app(), base_url=f"http://{HOST}") as client:
        badge(client, clinic, TINA)
        yield client


def do(house: PathHouse, kind: str, who: str = TINA, **said: Any) -> None:
    """A deed that somebody else records."""
    with Desk(house.data, lambda: house.still.now_ms) as desk:
        desk.do(msgspec.convert(said, DEEDS[kind]), who, second_factor=True)


def badge(client: Browser, house: PathHouse, person: str) -> str:
    return client.post("/scan", data={"scan": house.badges[person], "at": "/release"}).text


def page(client: Browser, address: str = "/release") -> str:
    return client.get(address).text


def words(text: str, pattern: str = r"<main.*?</main>") -> str:
    found = re.search(pattern, text, re.DOTALL)
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", found[0]).split())) if found else ""


def said(text: str) -> str:
    return words(text, r'<section class="said.*?</section>')


def titles(text: str) -> list[str]:
    return [html.unescape(each) for each in re.findall(r'<h2 id="g\d+">(.*?)</h2>', text)]


def hidden(text: str, form: str) -> dict[str, Any]:
    """What a form of the page sends by itself."""
    part = text[text.index(form) :]
    part = part[: part.index("</form>")]
    pairs = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', part)
    devices = [content for name, content in pairs if name == "device"]
    return {**dict(pairs), "device": devices}


def press(client: Browser, text: str | None = None) -> str:
    """Press the page's first button of a step."""
    text = page(client) if text is None else text
    return client.post("/release/step", data=hidden(text, 'class="step"')).text


def through(client: Browser, house: PathHouse) -> str:
    """Everything between the opened lid and the release."""
    press(client)
    for _ in range(2):
        press(client)
        house.on(2)
        press(client)
    return press(client)


def sign(client: Browser, text: str, *devices: str, pin: str = PINS[TINA]) -> Any:
    data = {**hidden(text, 'class="release"'), "device": list(devices), "pin": pin}
    return client.post("/release", data=data)


def kinds(house: PathHouse, kind: str) -> int:
    return int(house.ask(f"SELECT count(*) FROM ledger WHERE kind = '{kind}'")[0][0])


def test_every_step_is_the_next_button_and_two_are_released_with_one_pin(client: Browser, clinic: PathHouse) -> None:
    place = "Basin 1, load L1"
    text = page(client)
    assert titles(text) == [f"{place}: the lid was opened"]
    text = press(client, text)
    assert (titles(text), said(text)) == ([f"{place}: rinse 1 of 2"], "Taken out. Rinse next. GS-01, GS-02")
    assert "Rinse 1 begins now, in fresh sterile water" in words(text)
    text = press(client, text)
    assert titles(text) == [f"{place}: rinse 1 of 2 runs"]
    assert "At least until 13:18:12; ended sooner it does not count." in words(text)
    clinic.on(2)
    assert titles(press(client)) == [f"{place}: rinse 2 of 2"]
    press(client)
    clinic.on(2)
    assert titles(press(client)) == [f"{place}: dry"]
    text = press(client)
    assert titles(text) == ["Ready to release"]
    answer = sign(client, text, "GS-01", "GS-02")
    assert (answer.status_code, said(answer.text)) == (200, "Released GS-01, GS-02")
    assert "Nothing waits for release" in words(answer.text)
    assert kinds(clinic, "release") == 2  # a record for each
    assert clinic.ask("SELECT DISTINCT who FROM ledger WHERE kind = 'release'") == [(TINA,)]
    rinsed = clinic.ask("SELECT json_extract(body, '$.rinses[0].water') FROM thing WHERE kind = 'turn'")
    assert rinsed == [("sterile",), ("sterile",)]


def test_a_rinse_that_was_too_short_is_rinsed_once_more(client: Browser, clinic: PathHouse) -> None:
    press(client)
    press(client)
    assert titles(press(client)) == ["Basin 1, load L1: rinse 1 of 2"]


def test_sending_again_releases_nothing_twice(client: Browser, clinic: PathHouse) -> None:
    text = through(client, clinic)
    assert sign(client, text, "GS-01").status_code == 200
    answer = sign(client, text, "GS-01")
    assert (answer.status_code, said(answer.text)) == (200, "Released GS-01")
    assert kinds(clinic, "release") == 1


def test_somebody_else_was_quicker_and_the_rest_is_released(client: Browser, clinic: PathHouse) -> None:
    text = through(client, clinic)
    do(clinic, "release", SAM, devices=["GS-01"])
    answer = sign(client, text, "GS-01", "GS-02")
    assert answer.status_code == 200
    assert said(answer.text) == (
        "Released GS-02 Done already, nothing recorded twice GS-01 was released 2026-03-03 13:18 by Sam Test."
    )
    assert kinds(clinic, "release") == 2


def test_what_does_not_hold_any_more_is_named_and_the_rest_is_released(client: Browser, clinic: PathHouse) -> None:
    text = through(client, clinic)
    do(clinic, "quarantine-device", SAM, device="GS-01", reason="Dropped.", next_action="Inspect it.")
    answer = sign(client, text, "GS-01", "GS-02")
    assert answer.status_code == 409
    assert said(answer.text).startswith("Released GS-02 Not recorded Round T1 of GS-01 has ended.")
    assert kinds(clinic, "release") == 1


@pytest.mark.parametrize(
    ("pin", "status", "words_said"),
    [
        ("000000", 401, "That PIN does not fit."),
        ("", 403, "This takes a PIN or password besides the badge. Enter your PIN."),
        ("<script>", 401, "does not fit"),
    ],
)
def test_without_the_pin_nothing_is_released_and_the_ticks_stay(
    client: Browser, clinic: PathHouse, pin: str, status: int, words_said: str
) -> None:
    text = through(client, clinic)
    answer = sign(client, text, "GS-02", pin=pin)
    assert answer.status_code == status
    assert words_said in said(answer.text)
    assert re.findall(r'value="(GS-\d+)"( checked)?>', answer.text) == [("GS-01", ""), ("GS-02", " checked")]
    assert kinds(clinic, "release") == 0
    assert pin == "" or f'value="{pin}"' not in answer.text


def test_nothing_ticked_and_a_form_of_another_session(client: Browser, clinic: PathHouse) -> None:
    text = through(client, clinic)
    assert "No device is ticked." in said(sign(client, text).text)
    badge(client, clinic, TOM)
    answer = sign(client, text, "GS-01", pin=PINS[TOM])
    assert "This form was opened before Tom Test signed in." in said(answer.text)
    assert kinds(clinic, "release") == 0


def test_signed_out_in_the_middle_the_ticks_stay_and_the_badge_signs(client: Browser, clinic: PathHouse) -> None:
    text = through(client, clinic)
    clinic.now_ms += 11 * 60_000
    answer = sign(client, text, "GS-02")
    assert (answer.status_code, "Nobody is signed in." in said(answer.text)) == (401, True)
    assert 'value="GS-02" checked' in answer.text
    data = {**hidden(answer.text, 'class="release"'), "device": ["GS-02"], "badge": clinic.badges[TOM]}
    answer = client.post("/release", data={**data, "pin": PINS[TOM]})
    assert said(answer.text) == "Released GS-02"
    assert clinic.ask("SELECT who FROM ledger WHERE kind = 'release'") == [(TOM,)]


def test_an_auditor_may_look_and_not_release(client: Browser, clinic: PathHouse) -> None:
    text = through(client, clinic)
    badge(client, clinic, OLGA)
    shown = page(client)
    assert "Olga Test may not release" in words(shown)
    answer = sign(client, shown, "GS-01", pin=PINS[OLGA])
    assert "Olga Test is an auditor" in said(answer.text)
    assert (text != shown, kinds(clinic, "release")) == (True, 0)


def test_a_soak_opened_early_is_not_releasable_and_begins_again(model: tuple[Path, Any, Any], tmp_path: Path) -> None:
    house = pathkit.copied(*model, tmp_path / "data")
    do(house, "begin-turn", device="GS-03")
    do(house, "attest-steps", device="GS-03", steps=pathkit.STEPS)
    do(house, "start-load", basin=ONE, devices=["GS-03"])
    house.on(3, "closed")
    house.on(2, "open")
    with TestClient(house.app(), base_url=f"http://{HOST}") as client:
        badge(client, house, TINA)
        text = press(client)
        assert titles(text) == ["GS-03: not releasable. Reprocess."]
        assert "GS-03: its soak is not met. Do not use it. Begin a new round with it" in words(text)
        assert 'href="/start?device=GS-03"' in text
        data = {
            "device": ["GS-03"],
            "pin": PINS[TINA],
            **hidden(text + '<i class="release"></form>', 'class="release"'),
        }
        token = re.search(r'name="form_token" value="([^"]*)"', client.get("/start").text)
        answer = client.post("/release", data={**data, "device": ["GS-03"], "form_token": token[1] if token else ""})
        assert answer.status_code == 409
        assert "GS-03: its soak is not met." in said(answer.text)
        assert kinds(house, "release") == 0


def test_a_lid_that_is_on_again_asks_when_they_came_out(client: Browser, clinic: PathHouse) -> None:
    clinic.on(3, "closed")
    text = page(client)
    assert titles(text) == ["Basin 1, load L1: the lid was opened and is on again"]
    assert titles(press(client, text)) == ["Basin 1, load L1: rinse 1 of 2"]


def test_presses_that_no_page_of_ours_sends(client: Browser, clinic: PathHouse) -> None:
    before = clinic.records()
    data = hidden(page(client), 'class="step"')
    assert client.post("/release/step", data={**data, "step": "release"}).status_code == 400
    assert client.post("/release/step", data={**data, "device": ["<script>"]}).status_code == 400
    assert client.post("/release/step", data={**data, "form_token": "x"}).status_code == 409
    assert client.post("/release/step", data={**data, "device": []}).status_code == 409
    assert client.post("/release/step", data={**data, "device": ["NOPE"]}).status_code in (404, 409)
    assert clinic.records() == before


def test_a_device_scanned_on_the_page_is_ticked(client: Browser, clinic: PathHouse) -> None:
    through(client, clinic)
    text = client.post("/scan", data={"scan": "SL:device:GS-02", "at": "/release"}).text
    assert re.findall(r'value="(GS-\d+)"( checked)?>', text) == [("GS-01", ""), ("GS-02", " checked")]
