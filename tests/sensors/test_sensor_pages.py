"""The guided check as people do it: step by step, with every kind of bad input, and what the pages then show."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import msgspec
import pytest
from litestar.testing import TestClient

from collector.record.things import Reference
from dashboard.sensors.gather import sheet
from soak.budget import limits, repeats
from tests.screens.forms import Form, foreign_code, forms_in
from tests.screens.furnished import EVERYBODY, PINS, Browser, House, furnish

HOST = "http://127.0.0.1:8080"
SENSOR = "28-000000000002"
OTHER = "28-000000000001"
Pairs = list[tuple[str, str]]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """The furnished clinic: R-4 on record, sensor 2 checked and found off."""
    found, _ = furnish(tmp_path_factory.mktemp("sensors") / "data")
    return found


@pytest.fixture(scope="module")
def browser(house: House) -> Iterator[Browser]:
    """Somebody of every role, signed in."""
    with TestClient(house.app(), base_url=HOST) as asking:
        enter(asking, house, EVERYBODY)
        yield asking


def enter(browser: Browser, house: House, person: str) -> None:
    answer = browser.post("/api/sign-in", json={"badge": house.badges[person], "pin": PINS[person]})
    assert answer.status_code == 200, answer.text


def filled(**more: Any) -> Pairs:
    """A check of sensor 1, which reads 0.1 °C high, as it stands in the address."""
    pairs = {"sensor": [OTHER], "basin": ["n1/b1"], "reference": ["R-4"], "settled": ["yes"]}
    pairs |= {"ice_reference": ["0.01"] * 3, "ice_indicated": ["0.125", "0.062", "0.125"]}
    pairs |= {"working_reference": ["21.40"] * 3, "working_indicated": ["21.5", "21.5", "21.562"], **more}
    return [(name, text) for name, texts in pairs.items() for text in texts]


def asked(browser: Browser, step: str, pairs: Pairs) -> Any:
    return browser.get(f"/sensors/check?{urlencode([*pairs, ('step', step)])}", follow_redirects=False)


def form_of(answer: Any) -> Form:
    return next(form for form in forms_in(answer.text) if form.action == "/sensors/check")


def held(answer: Any) -> set[tuple[str, str]]:
    """What the form that came back holds, hidden or not."""
    form = form_of(answer)
    names = {name for name, _ in filled()}
    return {(name, text) for name in names for text in form.held(name) if text}


def words(answer: Any) -> str:
    found = re.findall(r'role="alert">(.*?)</section>', answer.text, re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", " ".join(found))).split())


def send(browser: Browser, pairs: Pairs, hidden: dict[str, str]) -> Any:
    return pressed(browser, pairs, record="yes", **hidden)


def pressed(browser: Browser, pairs: Pairs, **more: str) -> Any:
    content = urlencode([*pairs, *more.items()])
    headers = {"content-type": "application/x-www-form-urlencoded"}
    return browser.post("/sensors/check", content=content, headers=headers, follow_redirects=False)


def secrets_of(answer: Any) -> dict[str, str]:
    form = form_of(answer)
    return {name: form.held(name)[0] for name in ("once", "form_token")}


STEPS = ("what", "ice", "working", "left", "look")


@pytest.mark.parametrize("step", STEPS)
def test_every_step_keeps_what_was_typed(browser: Browser, step: str) -> None:
    """In its fields or hidden, so that Next, Back and a reload lose nothing."""
    answer = asked(browser, step, filled())
    assert answer.status_code == 200
    missing = set(filled()) - held(answer) - {("settled", "yes"), ("sensor", OTHER), ("reference", "R-4")}
    assert missing - {("basin", "n1/b1")} == set()
    assert asked(browser, step, filled()).text.count("<form") == answer.text.count("<form")


def test_the_sensor_chosen_brings_its_basin(browser: Browser) -> None:
    answer = asked(browser, "ice", [("sensor", OTHER), ("reference", "R-4")])
    assert form_of(answer).held("basin") == ["n1/b1"]
    answer = asked(browser, "what", [("basin", "n1/b2")])
    assert re.search(rf'<option value="{SENSOR}" selected>', answer.text)


def test_a_step_that_is_not_whole_comes_first(browser: Browser) -> None:
    answer = asked(browser, "look", [])
    assert answer.status_code == 422
    assert words(answer) == "Not yet Choose the sensor. Choose the reference thermometer."
    answer = asked(browser, "look", filled(ice_indicated=["0.125", "", "0.125"]))
    assert answer.status_code == 422
    assert words(answer) == "Not yet Pair 2, “Sensor indicates”: This must be filled in."


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        ("70.5 °F", "“70.5 °F” is in degrees Fahrenheit, about 21.38 °C."),
        ("294 K", "“294 K” is no temperature."),
        ("21.40001", "finer than a thousandth of a degree"),
        ("<script>alert(1)</script>", "is no temperature."),
        ("x" * 5_000, "is no temperature."),
    ],
)
def test_what_is_no_temperature_is_told_beside_its_pair(browser: Browser, shown: str, said: str) -> None:
    answer = asked(browser, "left", filled(working_reference=["21.4", shown, "21.4"]))
    assert answer.status_code == 422
    assert words(answer).startswith("Not yet Pair 2, “Reference shows”:")
    assert said in words(answer)
    assert shown[:40] in form_of(answer).held("working_reference")
    assert foreign_code(answer.text) == []


def test_too_few_pairs_and_nobody_said_settled(browser: Browser) -> None:
    few = filled(working_reference=["21.4"] * 2, working_indicated=["21.5"] * 2, settled=[])
    assert words(asked(browser, "left", few)) == (
        "Not yet There are 2 pairs; it takes 3. Say that both had settled before each pair."
    )


def test_what_the_rule_refuses_is_said_before_anything_is_recorded(browser: Browser, house: House) -> None:
    before = house.records()
    swapped = filled(
        ice_reference=["21.4"] * 3,
        ice_indicated=["21.5"] * 3,
        working_reference=["0"] * 3,
        working_indicated=["0.1"] * 3,
    )
    answer = asked(browser, "look", swapped)
    assert answer.status_code == 409
    assert "The two points are the wrong way round" in words(answer)
    assert house.records() == before


def test_next_and_back_go_to_an_address_that_holds_it_all(browser: Browser) -> None:
    answer = pressed(browser, filled(), at="ice", step="working")
    assert answer.status_code == 303
    assert set(parse_qsl(urlsplit(answer.headers["location"]).query)) == {*filled(), ("step", "working")}


@pytest.mark.parametrize("before", ["", "21.4"])
def test_a_badge_scanned_into_a_field_lands_in_no_address(browser: Browser, house: House, before: str) -> None:
    badge = house.badges["tina"]
    answer = pressed(browser, filled(ice_reference=[before + badge, "0.01", "0.01"]), at="ice", step="working")
    assert answer.status_code == 303
    assert badge not in answer.headers["location"]
    typed = parse_qsl(urlsplit(answer.headers["location"]).query, keep_blank_values=True)
    assert [text for name, text in typed if name == "ice_reference"] == ["", "0.01", "0.01"]


def test_now_takes_what_the_sensor_indicates(browser: Browser) -> None:
    """Of basin 2, whose lid is closed over 19.x °C, so that a reading comes each second."""
    pairs = [("sensor", SENSOR), ("reference", "R-4"), ("ice_reference", "0.01")]
    answer = pressed(browser, pairs, at="ice", take="0")
    assert answer.status_code == 303
    typed = parse_qsl(urlsplit(answer.headers["location"]).query)
    (taken,) = [text for name, text in typed if name == "ice_indicated"]
    assert 15 < float(taken) < 30
    assert ("ice_reference", "0.01") in typed
    assert ("step", "ice") in typed


def test_now_says_when_the_sensor_is_silent(browser: Browser) -> None:
    """Basin 4's sensor gives no temperature."""
    pairs = [("sensor", "28-000000000005"), ("reference", "R-4"), ("ice_reference", "0.01")]
    answer = pressed(browser, pairs, at="ice", take="0")
    assert answer.status_code == 409
    assert "Sensor 28-000000000005 gives no temperature now." in words(answer)
    assert form_of(answer).held("ice_reference")[0] == "0.01"


def test_recorded_it_shows_every_contribution(browser: Browser, house: House) -> None:
    look = asked(browser, "look", filled())
    assert "nothing is recorded yet" in look.text
    before = house.records()
    hidden = secrets_of(look)
    answer = send(browser, filled(), hidden)
    assert answer.status_code == 303
    assert house.records() == before + 1
    again = send(browser, filled(), hidden)
    assert (again.headers["location"], house.records()) == (answer.headers["location"], before + 1)
    page = browser.get(answer.headers["location"])
    assert page.status_code == 200
    for each in ("reference, by its certificate", "sensor, drift until the next check", "pairs, repeatability"):
        assert each in page.text
    assert "R-4, certificate C-2026-118" in page.text
    assert "2.28 %" in page.text
    table = browser.get("/sensors").text
    assert answer.headers["location"] in table
    assert browser.get(f"/sensors/{OTHER}").status_code == 200


def test_a_form_of_another_session_is_refused_and_kept(browser: Browser, house: House) -> None:
    before = house.records()
    answer = send(browser, filled(), {"once": "abc", "form_token": "of another"})
    assert answer.status_code == 409
    assert "This form was opened before" in words(answer)
    assert set(filled()) - held(answer) == set()
    assert house.records() == before


def test_a_lost_session_loses_nothing(house: House) -> None:
    """The form comes back with a field for the badge; with it, it is recorded."""
    with TestClient(house.app(), base_url=HOST) as nobody:
        before = house.records()
        answer = send(nobody, filled(), {"once": "lost", "form_token": ""})
        assert answer.status_code == 401
        assert set(filled()) - held(answer) == set()
        assert form_of(answer).held("badge") == [""]
        assert house.records() == before
        badge = {"badge": house.badges["tina"], "pin": "", "once": "lost", "form_token": ""}
        answer = send(nobody, filled(), badge)
        assert answer.status_code == 303
        assert house.badges["tina"] not in answer.text
        assert house.records() == before + 1


def test_an_auditor_may_not(house: House) -> None:
    with TestClient(house.app(), base_url=HOST) as reading:
        enter(reading, house, "olga")
        look = asked(reading, "look", filled())
        assert "may not record this" in look.text
        answer = send(reading, filled(), secrets_of(look))
        assert answer.status_code == 403
        assert set(filled()) - held(answer) == set()


def test_few_degrees_of_freedom_are_shown_and_many_are_not() -> None:
    few, many = repeats("s", 100_000, 4), limits("other", 300_000)
    assert sheet((few,)).few_dof == 4
    assert sheet((few, many)).few_dof is None  # 4 · (0.1² + 0.173²)² / 0.1⁴ = 64
    assert [line.share for line in sheet((few, many)).lines] == ["75.0", "25.0"]


def test_what_was_off_leads_to_the_look_back(browser: Browser) -> None:
    page = browser.get("/sensor-checks/C2").text
    assert "It was off by 0.362 °C, more than the U of 0.2 °C that soaks rested on." in page
    assert f"/look-backs/new?cause=sensor-off&amp;asked.sensor={SENSOR}&amp;asked.off_mc=0.362&amp;look=yes" in page


def test_an_overdue_reference_is_said_at_every_step(house: House, browser: Browser) -> None:
    ((good,),) = house.ask("SELECT body FROM thing WHERE kind = 'reference' AND id = 'R-4'")
    late = good.replace("R-4", "R-5").replace("2026-08-31", "2026-03-01")
    house.put(msgspec.json.decode(late, type=Reference))
    assert "certificate overdue since 2026-03-01" in asked(browser, "what", []).text
    look = asked(browser, "look", filled(reference=["R-5"]))
    assert "It will be recorded and not count." in look.text
    assert "Its certificate was due on 2026-03-01" in browser.get("/references").text


def test_a_soak_says_when_no_check_bears_its_u_out(browser: Browser, house: House) -> None:
    """The closures of basin 1 were closed before anything was checked."""
    ((closure,),) = house.ask("SELECT min(id) FROM closure")
    assert "no check on record" in browser.get(f"/closures/{closure}").text


@pytest.mark.parametrize("address", ["/sensors/nothing", "/sensor-checks/C99", "/sensors/check?colour=red"])
def test_what_is_not_there_is_said(browser: Browser, address: str) -> None:
    answer = browser.get(address, headers={"accept": "text/html"})
    assert answer.status_code in (400, 404)
    assert "sensor" in answer.text
