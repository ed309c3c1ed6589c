"""Who gets in where: every route of the application by every role, and every deed; told once, in the tables here."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
import walk
from doorkit import ADA, OLGA, PEOPLE, SAM, TINA, House
from walk import EVERYBODY, NEVER_ENDS, Visitors, let_in

from collector.record.all import DEEDS
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Device, DeviceType, Turn, Used

ALWAYS = """
GET /about | GET /health | GET /help | GET /help/{name:str} | GET /robots.txt | GET /static/{name:str}
GET /sign-in | POST /sign-in | POST /api/sign-in | POST /scan | POST /start/scan
"""
"""Anybody, even where looking takes somebody who is signed in: a scan may be the badge that signs in."""

LOOKING = """
GET / | GET /today/lane | GET /live | GET /site | GET /spill | GET /statistics | GET /unassigned
GET /closures | GET /closures/{closure_id:str}
GET /basins/{node:str}/{name:str} | GET /basins/{node:str}/{name:str}/now | GET /basins/{node:str}/{name:str}/trend
GET /basins/{node:str}/{name:str}/trend/tables
GET /alarms | GET /alarms/load | GET /alarms/load.csv | GET /alarms/{alarm_id:str}
GET /solutions | GET /fills | GET /fills/{fill_id:str} | GET /profiles/{profile_id:str}
GET /devices | GET /devices/{device_id:str} | GET /loads | GET /loads/{load_id:str}
GET /sensors | GET /sensors/{sensor:str} | GET /sensor-checks/{check:str} | GET /references | GET /sensors/check
GET /start | GET /release | GET /do
GET /api/site | GET /api/basins | GET /api/basins/{node:str}/{name:str} | GET /api/basins/{node:str}/{name:str}/trend
GET /api/basins/{node:str}/{name:str}/readings.csv | GET /api/closures | GET /api/closures/{closure_id:str}
GET /api/readiness | GET /api/readiness/{node:str}/{name:str} | GET /api/due
GET /api/alarms | GET /api/alarms/load | GET /api/alarms/{alarm_id:str}
GET /api/things/{kind:str} | GET /api/things/{kind:str}/{thing_id:str} | GET /api/ledger/head
GET /api/review/{day:str}
GET /api/deeds | GET /api/devices.csv | GET /api/labels/{kind:str} | GET /api/downtime-form | GET /api/spill
GET /api/statistics | GET /api/statistics/{name:str} | GET /api/me
GET /schema | GET /schema/openapi.json | GET /schema/{path:str}
POST /api/scan | POST /api/sign-out | POST /sign-out
POST /sensors/check
POST /api/rehearsal/deeds | POST /api/rehearsal/people
"""
"""Anybody where looking is open, otherwise whoever is signed in. Of the POSTs none records anything in somebody's name:
a scan is told apart, whoever is out is signed out, a form comes back; the last two are there in rehearsals only.
"""

SIGNED = """
GET /people | GET /me | POST /me | POST /me/sign-out-everywhere | GET /record | GET /record/{number:str} | GET /review
GET /audit | POST /audit | GET /audit/table.csv
GET /look-backs | GET /look-backs/new | GET /look-backs/{look_back:str} | GET /api/look-back-lists/{name:str}
GET /evidence | GET /evidence/{issued_id:str} | GET /evidence/{issued_id:str}/paper.pdf | GET /evidence/papers.zip
POST /evidence/many.zip
GET /report | POST /report/issue | GET /report/tables.zip | GET /report/{issued_id:str}
GET /report/{issued_id:str}/paper.pdf | GET /report/{issued_id:str}/tables.zip
GET /do/{name:str} | POST /do/{name:str} | POST /release | POST /release/step
GET /metrics | GET /api/ledger | GET /api/pictures/{sha256:str} | GET /api/things/{kind:str}/{thing_id:str}/history
POST /api/second-factor | POST /api/me/{kind:str}
POST /api/people/{person:str}/badge | POST /api/people/{person:str}/{kind:str} | POST /api/devices/import
"""
"""Whoever is signed in, wherever they look. What they may do there is for the deeds' own roles; that only
administrators set what others sign in with is asked once their own secret fits: see test_signin.py. Metrics are told to
some addresses besides: see test_metrics.py.
"""

ONLY = {
    "POST /api/pictures": {TINA, SAM, ADA},
    "GET /people/sign-ins": {ADA, OLGA},
    "GET /people/sign-ins.csv": {ADA, OLGA},
    "GET /people/{person:str}/credentials": {ADA},
    "POST /people/{person:str}/credentials": {ADA},
}
"""Some roles only."""

DONE_BY = {
    "technician supervisor": """abandon-mec-test activate-bottle add-device announce-opening answer-closures assign-late
        attest-dried attest-steps begin-mec-test begin-rinse begin-turn discard-fill empty-bottle end-rinse hand-over
        note-closure note-turn open-bottle open-strip-bottle pour-fill quarantine-device read-mec-test read-thermometer
        record-controls record-rinses record-use release see-alarm silence-alarm start-load store-device take-out
        top-up-fill transcribe-downtime""",
    "supervisor": """close-look-back free-from-look-back issue-look-back-list lift-quarantine look-again open-look-back
        resolve-devices sign-review tell-infection-prevention""",
    "supervisor administrator": """assign-product-code certify-reference change-device change-device-type change-person
        confirm-profile correct-bottle correct-profile correct-strip-bottle draft-profile record-device
        record-device-type record-reference reinstate-device retire-device retire-profile retire-reference set-policy
        take-product-code-away""",
    "technician supervisor administrator": """check-sensor confirm-drill discard-bottle discard-strip-bottle
        receive-bottle receive-strip-bottle record-mapping record-sensor-check""",
    "administrator": "clock-was-wrong first-administrator record-person",
    "technician supervisor administrator auditor": "issue-disinfection-record issue-period-report",
}
SECOND_FACTOR = {
    *("assign-late", "assign-product-code", "change-person", "clock-was-wrong", "close-look-back", "confirm-profile"),
    *("correct-bottle", "correct-profile", "correct-strip-bottle", "free-from-look-back", "lift-quarantine"),
    *("record-person", "release", "resolve-devices", "set-policy", "sign-review", "take-product-code-away"),
}
SECOND_PERSON = {"assign-late"}
DEED = "POST /api/deeds/"
ROUTES = {each.strip(): table for table in (ALWAYS, LOOKING, SIGNED) for each in table.replace("\n", "|").split("|")}


@pytest.fixture
def visitors(house: House, own_deeds: None) -> Iterator[Visitors]:
    with ExitStack() as stack:
        yield Visitors(house, stack)


def expected(route: str, who: str, *, closed: bool) -> bool:
    """Whether somebody is let in, by the tables above."""
    if route in ONLY:
        return who in ONLY[route]
    table = ROUTES[route]
    return table is ALWAYS or who in EVERYBODY or (table is LOOKING and not closed)


def worst(route: str) -> int:
    """What must not be answered: /health says 503 where no collector runs, as here."""
    return 504 if route == "GET /health" else 500


def test_every_route_by_every_role(visitors: Visitors) -> None:
    """A new route without a line in the tables fails, and so does a line without a route."""
    routes = [each for each in map(" ".join, walk.routes(visitors.app)) if not each.startswith(DEED)]
    assert {*routes} == {*ROUTES, *ONLY} - {""}
    wrong = []
    for route in routes:
        method, _, path = route.partition(" ")
        more: dict[str, Any] = {"data": {"step": "rinse"}} if path == "/release/step" else {}
        seats = [("", False), ("", True), ("gone", False), ("idle", False), *((each, False) for each in EVERYBODY)]
        for who, closed in seats:
            if path == NEVER_ENDS and expected(route, who, closed=closed):
                continue  # see test_live.py, test_hardened.py
            answer = visitors.ask(method, path, who, closed=closed, **more)
            if let_in(answer) is not expected(route, who, closed=closed) or answer.status_code >= worst(route):
                wrong.append((route, who or "nobody", "closed" if closed else "open", answer.status_code))
    assert wrong == []


def test_every_deed_takes_somebody_who_is_signed_in(visitors: Visitors) -> None:
    assert {each for each in map(" ".join, walk.routes(visitors.app)) if each.startswith(DEED)} == {
        f"{DEED}{name}" for name in DEEDS
    }
    for name in DEEDS:
        for closed in (False, True):
            assert visitors.ask("POST", f"/api/deeds/{name}", closed=closed).status_code == 401, name
    assert visitors.ask("POST", "/api/deeds/hand-over", "gone").status_code == 401
    assert visitors.ask("POST", "/api/deeds/hand-over", "idle").status_code == 401


def test_every_deed_by_every_role(house: House, own_deeds: None) -> None:
    """Where every deed goes through, from API, form, scan and button alike."""
    declared = {name: set(roles.split()) for roles, names in DONE_BY.items() for name in names.split()}
    assert declared == {name: {*map(str, kind.ROLES)} for name, kind in DEEDS.items()}
    assert {name for name, kind in DEEDS.items() if kind.SECOND_FACTOR} == SECOND_FACTOR
    assert {name for name, kind in DEEDS.items() if kind.SECOND_PERSON} == SECOND_PERSON
    with Desk(house.data, lambda: house.now_ms) as desk:
        for name, kind in DEEDS.items():
            for who in (*EVERYBODY, "nobody"):
                for second_factor in (False, True):
                    roles = {*map(str, PEOPLE[who].roles)} if who in PEOPLE else set()
                    may = bool(roles & declared[name]) and (second_factor or name not in SECOND_FACTOR)
                    assert _allows(desk, kind, who, second_factor=second_factor) is may, (name, who, second_factor)


def _allows(desk: Desk, kind: Any, who: str, *, second_factor: bool) -> bool:
    """What the desk asks before anything of a deed is looked at: its name, roles and factors are its kind's."""
    try:
        desk._allowed(kind, who, second_factor)
    except RefusedError:
        return False
    return True


def test_where_looking_is_open_encounters_are_for_whoever_is_signed_in(visitors: Visitors, house: House) -> None:
    """On the pages of devices and soaks, and for programs."""
    reference = "E-77881"
    house.put(
        DeviceType(id="scope", name="Gastroscope", kind="", profiles=(), steps=()),
        Device(id="GS-1", type="scope", turn="T1"),
        Turn(id="T1", device="GS-1", began_ms=1, by=TINA, came_from=reference, used=Used(TINA, 2, reference)),
    )
    for path in ("/devices/GS-1", "/api/things/turn", "/api/things/turn/T1"):
        assert reference not in visitors.ask("GET", path).text
        shown = visitors.ask("GET", path, TINA)
        assert shown.status_code == 200, path
        assert shown.text.count(reference) == 2, path
