"""The door: who gets in, how long for, and that nobody acts in another's name."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from doorkit import ADA, HOST, OLGA, PASSWORD, PEOPLE, PINS, SAM, TINA, TOM, Browser, House, OpenBrowser, refused, scan
from litestar.testing import TestClient

from collector import browsers, sessions
from collector.guesses import WAITING_RULE
from dashboard import tries

WRONG = f"That PIN does not fit. {WAITING_RULE}"
NOBODY = {"person": None, "second_factor": False, "must_change": []}
AUDITOR_BODY = {"id": OLGA, "name": "Olga Test", "roles": ["auditor"]}


def me(browser: Browser) -> Any:
    return browser.get("/api/me").json()


def who(browser: Browser) -> str | None:
    person = me(browser)["person"]
    return person["id"] if person else None


def test_a_badge_signs_in_and_a_pin_besides_is_a_second_factor(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    assert me(browser) == NOBODY
    assert scan(browser, house, OLGA) == {"person": AUDITOR_BODY, "second_factor": False, "must_change": []}
    assert scan(browser, house, OLGA, pin=True)["second_factor"] is True
    assert me(browser) == {"person": AUDITOR_BODY, "second_factor": True, "must_change": []}


def test_id_and_password_sign_in_where_there_is_no_scanner(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    answer = browser.post("/api/sign-in", json={"person": f" {ADA} ", "password": PASSWORD})
    assert answer.json()["person"]["id"] == ADA
    assert answer.json()["second_factor"] is True


def test_the_cookies_are_for_this_site_alone(house: House, opened: OpenBrowser) -> None:
    """Scripts cannot read them, other sites' pages cannot send them; over TLS they are of this host and never in the
    clear. The session's ends with the browser, the browser's own stays.
    """
    given, stays = {"badge": house.badges[TINA]}, f"; Max-Age={browsers.KEPT_S}"
    plain = opened().post("/api/sign-in", json=given).headers.get_list("set-cookie")
    assert [(each.partition("=")[0], each.partition("; ")[2]) for each in plain] == [
        ("soakledger", "HttpOnly; Path=/; SameSite=strict"),
        ("soakledger-browser", f"HttpOnly{stays}; Path=/; SameSite=strict"),
    ]
    with TestClient(house.app(), base_url=f"https://{HOST}") as browser:
        over_tls = browser.post("/api/sign-in", json=given).headers.get_list("set-cookie")
        assert [(each.partition("=")[0], each.partition("; ")[2]) for each in over_tls] == [
            ("__Host-soakledger", "HttpOnly; Path=/; SameSite=strict; Secure"),
            ("__Host-soakledger-browser", f"HttpOnly{stays}; Path=/; SameSite=strict; Secure"),
        ]
        assert who(browser) == TINA


UNFIT: tuple[tuple[dict[str, str], int, str, str, str], ...] = (
    (
        {"badge": "PERSONBCDE"},
        401,
        "unknown-badge",
        "That badge opens nothing here.",
        "Scan it again; if it was replaced use the newer one, else ask an administrator for one.",
    ),
    (
        {"person": ADA, "password": "copper lantern walks south"},
        401,
        "wrong-secret",
        f"Id and password do not fit. {WAITING_RULE}",
        "Try again, or ask an administrator to set a new password.",
    ),
    (
        {"person": "nobody", "password": PASSWORD},
        401,
        "wrong-secret",
        f"Id and password do not fit. {WAITING_RULE}",
        "Try again, or ask an administrator to set a new password.",
    ),
    (
        {"person": TINA, "password": PINS[TINA]},
        401,
        "wrong-secret",
        f"Id and password do not fit. {WAITING_RULE}",
        "Try again, or ask an administrator to set a new password.",
    ),
    (
        {"person": ADA},
        422,
        "malformed",
        "Nothing to sign in with was given.",
        "Scan a badge, or give id and password.",
    ),
    (
        {"bage": "x"},
        422,
        "malformed",
        "The body cannot be used: Object contains unknown field `bage` – at data.",
        "The fields stand in /schema/openapi.json.",
    ),
)


def test_what_does_not_fit_opens_nothing(opened: OpenBrowser) -> None:
    """A PIN without its badge neither, and nobody learns who works here."""
    browser = opened()
    for given, status, rule, text, next_step in UNFIT:
        answer = browser.post("/api/sign-in", json=given)
        assert refused(answer, status) == (rule, text, next_step)
        assert "set-cookie" not in answer.headers
        assert who(browser) is None


def test_a_wrong_pin_signs_nobody_in_and_leaves_who_is_there(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TOM)
    answer = browser.post("/api/sign-in", json={"badge": house.badges[TINA], "pin": PINS[TOM]})
    assert refused(answer, 401) == ("wrong-secret", WRONG, "Try again.")
    assert who(browser) == TOM


def test_guessing_waits_longer_each_time(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    guess = {"badge": house.badges[TINA], "pin": "529472"}
    for _ in range(4):
        assert refused(browser.post("/api/sign-in", json=guess), 401)[2] == "Try again."
    assert refused(browser.post("/api/sign-in", json=guess), 401)[2] == "Wait 30 s, then try again."
    right = {"badge": house.badges[TINA], "pin": PINS[TINA]}
    assert refused(browser.post("/api/sign-in", json=right), 401)[2] == "Wait 30 s, then try again."
    house.now_ms += 30_000
    assert browser.post("/api/sign-in", json=right).status_code == 200


def test_an_address_that_guesses_has_to_wait_whoever_it_guesses_for(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    for _ in range(tries.MOST_FAILURES):
        assert browser.post("/api/sign-in", json={"badge": "PERSONX"}).status_code == 401
    right = {"badge": house.badges[TINA], "pin": PINS[TINA]}
    assert refused(browser.post("/api/sign-in", json=right), 429) == (
        "too-many-tries",
        "There were 30 failed sign-ins from this address within 5 minutes.",
        "Wait 300 s, then try again.",
    )
    house.now_ms += tries.FAILURES_WITHIN_MS
    assert browser.post("/api/sign-in", json=right).status_code == 200


def test_a_scan_where_somebody_is_signed_in_switches_the_person(house: House, opened: OpenBrowser) -> None:
    """The session before is over, also for whoever kept its cookie."""
    browser = opened()
    scan(browser, house, TINA, pin=True)
    kept = browser.cookies["soakledger"]
    assert scan(browser, house, TOM)["person"]["id"] == TOM
    assert me(browser)["second_factor"] is False
    thief = opened()
    thief.cookies.set("soakledger", kept)
    assert who(thief) is None


def test_signing_out_ends_the_session_itself(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    kept = browser.cookies["soakledger"]
    assert browser.post("/api/sign-out").json() == NOBODY
    assert "soakledger" not in browser.cookies
    thief = opened()
    thief.cookies.set("soakledger", kept)
    assert who(thief) is None
    assert browser.post("/api/sign-out").status_code == 200


@pytest.mark.parametrize(
    ("sign_in", "idle_ms"), [("badge", sessions.BADGE_IDLE_MS), ("password", sessions.PASSWORD_IDLE_MS)]
)
def test_a_session_ends_when_nobody_does_anything(
    house: House, opened: OpenBrowser, sign_in: str, idle_ms: int
) -> None:
    """Ten minutes at a shared tablet, thirty elsewhere. What a page asks for by itself keeps nothing awake."""
    browser = opened()
    given = {"badge": house.badges[ADA]} if sign_in == "badge" else {"person": ADA, "password": PASSWORD}
    browser.post("/api/sign-in", json=given)
    house.now_ms += idle_ms
    assert browser.get("/about", headers={"Accept": "text/html"}).status_code == 200  # somebody looks at a page
    house.now_ms += idle_ms
    browser.get("/about", headers={"Accept": "text/html", "Cookie": f"{held(browser)}; soakledger-by-itself=1"})
    assert who(browser) == ADA  # a page loads itself again, and a program asks
    house.now_ms += 1
    assert who(browser) is None


def held(browser: Browser) -> str:
    """The cookies of a browser, as it sends them."""
    return "; ".join(f"{name}={token}" for name, token in browser.cookies.items())


def test_a_session_ends_after_twelve_hours_whatever_is_done(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    for _ in range(72):
        house.now_ms += 600_000
        assert who(browser) == TINA
        browser.get("/about", headers={"Accept": "text/html"})
    house.now_ms += 1
    assert who(browser) is None


def test_a_second_factor_is_given_again_after_five_minutes(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, SAM, pin=True)
    house.now_ms += sessions.PROVEN_MS + 1
    assert me(browser)["second_factor"] is False
    assert refused(browser.post("/api/second-factor", json={"secret": PINS[TOM]}), 401) == (
        "wrong-secret",
        WRONG,
        "Try again.",
    )
    assert browser.post("/api/second-factor", json={"secret": PINS[SAM]}).json()["second_factor"] is True


def test_whoever_leaves_is_signed_out(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    house.put(msgspec.structs.replace(PEOPLE[TINA], active=False))
    assert who(browser) is None
    assert refused(browser.post("/api/sign-in", json={"badge": house.badges[TINA]}), 401)[0] == "unknown-badge"


def test_a_role_taken_away_counts_at_once(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, ADA, pin=True)
    house.put(msgspec.structs.replace(PEOPLE[ADA], roles=PEOPLE[OLGA].roles))
    answer = browser.post("/api/deeds/record-person", json={"id": "nora", "name": "Nora", "roles": ["technician"]})
    assert refused(answer, 403)[0] == "role"


FOREIGN = (
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
    {"Origin": "http://127.0.0.1:9999"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site", "Origin": f"http://{HOST}"},
)


def test_what_another_sites_page_sends_is_refused(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    scan(browser, house, TINA)
    before = house.records()
    for headers in FOREIGN:
        for address in (
            "/api/sign-in",
            "/api/sign-out",
            "/api/deeds/hand-over",
            "/sign-in",
            "/sign-out",
            "/api/pictures",
        ):
            answer = browser.post(address, json={"note": "x"}, headers=headers)
            assert answer.status_code == 403, (address, headers)
            assert "another site" in answer.text
            assert "sent this. Nothing was done." in answer.text
    assert who(browser) == TINA
    assert house.records() == before


def test_what_our_own_pages_and_programs_send_is_taken(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    for headers in ({}, {"Origin": f"http://{HOST}"}, {"Sec-Fetch-Site": "same-origin", "Origin": f"http://{HOST}"}):
        assert browser.post("/api/sign-in", json={"badge": house.badges[TINA]}, headers=headers).status_code == 200


def test_a_form_cannot_pass_for_json(house: House, opened: OpenBrowser) -> None:
    """A foreign form can send text without being asked; JSON it cannot."""
    browser = opened()
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"):
        answer = browser.post("/api/sign-in", content=b'{"badge": "x"}', headers={"Content-Type": kind})
        assert refused(answer, 415) == (
            "not-json",
            f"The body is {kind.partition(';')[0]}.",
            "Send JSON, with Content-Type: application/json.",
        )
    assert refused(browser.post("/api/sign-in", content=b'{"badge": "x"}'), 415)[1] == "The body is of no kind."


def test_people_change_their_own_secrets_and_other_sessions_end(house: House, opened: OpenBrowser) -> None:
    browser, elsewhere = opened(), opened()
    scan(browser, house, TINA)
    scan(elsewhere, house, TINA)

    def change(new: str, current: str) -> Any:
        return browser.post("/api/me/pin", json={"secret": new, "current": current})

    assert refused(change("407152", PINS[TOM]), 401) == ("wrong-secret", WRONG, "Try again.")
    assert refused(change("123456", PINS[TINA]), 409)[0] == "pin-weak"
    assert refused(change(PINS[TINA], PINS[TINA]), 409) == (
        "same-secret",
        "That is the present PIN.",
        "Choose another one.",
    )
    before = house.records()
    assert change("407152", PINS[TINA]).json()["second_factor"] is True
    assert (who(browser), who(elsewhere)) == (TINA, None)
    assert house.records() == before + 1
    ((kind, by, body),) = house.ask(f"SELECT kind, who, body FROM ledger WHERE number = {before + 1}")
    assert (kind, by) == ("credential-set", TINA)
    assert body == '{"about":"person/tina","said":{"kind":"pin","person":"tina"}}'
    answer = elsewhere.post("/api/sign-in", json={"badge": house.badges[TINA], "pin": "407152"})
    assert answer.json()["second_factor"] is True


def test_what_an_administrator_sets_proves_nothing_until_its_owner_changed_it(
    house: House, opened: OpenBrowser
) -> None:
    """So an administrator cannot sign as somebody else."""
    admin, browser = opened(), opened()
    scan(admin, house, ADA)
    new = {"secret": "407152", "current": PINS[ADA]}
    assert admin.post(f"/api/people/{TINA}/pin", json=new).status_code == 200
    answer = browser.post("/api/sign-in", json={"badge": house.badges[TINA], "pin": "407152"}).json()
    assert (answer["second_factor"], answer["must_change"]) == (False, ["pin"])
    assert refused(browser.post("/api/second-factor", json={"secret": "407152"}), 403) == (
        "temporary",
        "This PIN was set by somebody else, so it proves nothing yet.",
        "Change it first: that takes the present one and a new one.",
    )
    own = browser.post("/api/me/pin", json={"secret": "951637", "current": "407152"}).json()
    assert (own["second_factor"], own["must_change"]) == (True, [])


def test_only_administrators_set_what_others_sign_in_with(house: House, opened: OpenBrowser) -> None:
    browser = opened()
    said = ("role", "Only an administrator gives badges and sets what others sign in with.", "Ask an administrator.")
    for person in (TINA, SAM, OLGA):
        scan(browser, house, person)
        new = {"secret": "407152", "current": PINS[person]}
        assert refused(browser.post(f"/api/people/{TOM}/pin", json=new), 403) == said
        assert refused(browser.post(f"/api/people/{TOM}/badge", json={"secret": PINS[person]}), 403) == said


def test_a_new_badge_is_shown_once_and_ends_the_old_one(house: House, opened: OpenBrowser) -> None:
    admin, browser = opened(), opened()
    scan(admin, house, ADA)
    scan(browser, house, TINA)
    assert refused(admin.post(f"/api/people/{TINA}/badge", json={"secret": PINS[TOM]}), 401)[0] == "wrong-secret"
    answer = admin.post(f"/api/people/{TINA}/badge", json={"secret": PINS[ADA]})
    code = answer.json()["badge"]
    assert who(browser) is None
    assert refused(browser.post("/api/sign-in", json={"badge": house.badges[TINA]}), 401)[0] == "unknown-badge"
    assert browser.post("/api/sign-in", json={"badge": code}).json()["person"]["id"] == TINA
    assert refused(admin.post("/api/people/nobody/badge", json={"secret": PINS[ADA]}), 409)[0] == "unknown-person"


def test_nothing_of_credentials_or_sessions_is_in_any_answer(house: House, opened: OpenBrowser) -> None:
    """Every address that can be read, asked while somebody is signed in."""
    browser = opened()
    scan(browser, house, ADA, pin=True)
    token = browser.cookies["soakledger"]
    secret = {token, *PINS.values(), *house.badges.values(), PASSWORD, "argon2"}
    secret |= {row[0] for row in house.ask("SELECT hash FROM credential")}
    secret |= {row[0] for row in house.ask("SELECT token_sha256 FROM session")}
    paths = browser.get("/schema/openapi.json").json()["paths"]
    asked = [path for path, methods in paths.items() if "get" in methods and "{" not in path]
    asked += ["/", "/closures", "/site", "/about", "/schema/openapi.json", "/nothing"]
    asked += [
        f"/api/things/person/{ADA}",
        f"/api/things/person/{ADA}/history",
        "/api/things/credential",
        "/api/things/session",
    ]
    for path in asked:
        text = browser.get(path).text
        assert not [each for each in secret if each in text], path


def test_pages_of_problems_know_who_is_signed_in(house: House, opened: OpenBrowser) -> None:
    """Also those of an address that is not, which has no route; a session that has ended is nobody's there too."""
    browser = opened()
    for path in ("/nothing", "/closures/99999", "/devices/a/b/c"):
        assert "Sign in" in browser.get(path).text
    scan(browser, house, TINA)
    for path in ("/nothing", "/closures/99999", "/devices/a/b/c"):
        answer = browser.get(path)
        assert answer.status_code == 404
        assert "Tina Test" in answer.text, path
        assert "Sign out" in answer.text, path
    kept = browser.cookies["soakledger"]
    browser.post("/api/sign-out")
    browser.cookies.set("soakledger", kept)
    assert "Tina Test" not in browser.get("/nothing").text


def test_a_closed_house_shows_nothing_to_whoever_has_not_signed_in(house: House) -> None:
    """With --require-sign-in pages send to the sign-in page and come back; programs are told."""
    with TestClient(house.app(require_sign_in=True), base_url=f"http://{HOST}") as browser:
        for path in ("/api/basins", "/api/ledger", "/live", "/schema/openapi.json"):
            assert refused(browser.get(path), 401) == (
                "not-signed-in",
                "Nobody is signed in.",
                "Scan a badge, then do it again.",
            )
        answer = browser.get("/closures?verdict=met", follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=/closures%3Fverdict%3Dmet")
        assert browser.get("/health").json()["store"] == "ready"
        assert browser.get("/about").status_code == 200
        scan(browser, house, OLGA)
        assert browser.get("/api/ledger").status_code == 200


def test_without_data_nobody_can_sign_in_and_is_told_why(tmp_path: Any) -> None:
    from dashboard.app import build_app  # noqa: PLC0415

    with TestClient(build_app(tmp_path), base_url=f"http://{HOST}") as browser:
        browser.cookies.set("soakledger", "x" * 43)
        assert browser.get("/api/me").json() == NOBODY
        answer = browser.post("/api/sign-in", json={"badge": "PERSONX"})
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
        assert answer.json()["text"] == f"There are no data in {tmp_path} yet."
