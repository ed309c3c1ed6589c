"""Bottles: received by their product code, opened, activated, used up; which one comes next."""

from __future__ import annotations

from typing import Any

import pytest
from record_kit import ADMINISTRATOR, DAY_MS, SUPERVISOR, TECHNICIAN, Recording, at
from solutions_kit import CONFIRMED, GTIN, OTHER_GTIN, bottle, fill, opened, profile

from collector.record.errors import RefusedError
from collector.record.solutions.bottles import (
    ActivateBottle,
    DiscardBottle,
    EmptyBottle,
    OpenBottle,
    ReceiveBottle,
    bottle_of_scan,
    bottles_to_pour,
)
from collector.record.solutions.profiles import CorrectProfile, RetireProfile
from collector.record.things import Bottle

ACTIVATED: dict[str, Any] = {"activation": True, "activated_days": 28}


def received(**more: Any) -> ReceiveBottle:
    return ReceiveBottle(**{"gtin": GTIN, "lot": "L1", "expires": "2027-01-31", "volume_ml": 3_785, **more})


def test_what_is_in_a_bottle_follows_from_its_product_code(recording: Recording) -> None:
    profile(recording)
    got = recording.get(Bottle, recording.do(received(gtin="6291041500213", lot=" L1 ", serial="77")).id)
    assert (got.profile, got.lot, got.expires, got.gtin, got.serial) == ("opa", "L1", "2027-01-31", GTIN, "77")
    assert (got.volume_ml, got.left_ml, got.opened_ms) == (3_785, 3_785, None)
    assert got.received_ms == at("2026-03-02 09:00")
    assert got.use_by_ms == at("2027-02-01 00:00") - 1


def test_a_carton_is_received_at_once(recording: Recording) -> None:
    profile(recording)
    assert recording.do(received(count=4)).id == "B1"
    assert [each.id for each in recording.all(Bottle)] == ["B1", "B2", "B3", "B4"]
    assert recording.do(received()).id == "B5"


def test_an_administrator_may_say_what_a_bottle_without_a_code_holds(recording: Recording) -> None:
    profile(recording)
    assert recording.get(Bottle, recording.do(received(gtin="", profile="opa"), ADMINISTRATOR).id).profile == "opa"


@pytest.mark.parametrize(
    ("said", "refusal"),
    [
        (
            {"gtin": OTHER_GTIN},
            (
                "unknown-product-code",
                "Product code 07300011000017 belongs to no solution profile: what is in that bottle is not known here.",
                "Ask a supervisor or administrator to assign the code to the profile of its label.",
            ),
        ),
        (
            {"gtin": "6291041500212"},
            (
                "product-code",
                "Product code 6291041500212 does not hold together: its last digit would be 3.",
                "Scan it again, or compare each digit with the container.",
            ),
        ),
        (
            {"profile": "opa"},
            (
                "bottle-profile",
                "What is in a bottle follows from its product code, and it was also said.",
                "Scan the product code alone; if the label has none, a supervisor says which solution it is.",
            ),
        ),
        (
            {"gtin": ""},
            (
                "bottle-profile",
                "What is in a bottle follows from its product code, and none was scanned.",
                "Scan the product code alone; if the label has none, a supervisor says which solution it is.",
            ),
        ),
        (
            {"gtin": "", "profile": "opa"},
            (
                "bottle-profile",
                "Tina Test cannot say what is in a bottle without a product code.",
                "Scan its code; if the label has none, ask a supervisor or administrator to receive it.",
            ),
        ),
        (
            {"expires": "2026-03-01"},
            (
                "bottle-out-of-date",
                "Lot L1 of ortho-phthalaldehyde 0.55 % expired on 2026-03-01.",
                "Do not use it: set it aside, send it back or throw it away under your disposal rule.",
            ),
        ),
        (
            {"expires": "2026-02-30"},
            (
                "date",
                "'2026-02-30' is no date of the calendar.",
                "Type it as year-month-day, for instance 2027-03-31.",
            ),
        ),
        (
            {"expires": "2127-01-31"},
            (
                "date",
                "2127-01-31 is more than 30 years from today.",
                "Type the date again as it is printed.",
            ),
        ),
        (
            {"serial": "77", "count": 2},
            ("serial", "Serial number 77 cannot be on 2 bottles.", "Receive each by itself."),
        ),
    ],
)
def test_a_bottle_that_is_not_received(
    recording: Recording, said: dict[str, Any], refusal: tuple[str, str, str]
) -> None:
    profile(recording)
    assert recording.refused(received(**said)) == refusal


def test_a_bottle_that_expires_today_is_received(recording: Recording) -> None:
    profile(recording)
    recording.do(received(expires="2026-03-02"))


def test_nothing_of_a_retired_profile_is_received(recording: Recording) -> None:
    profile(recording)
    recording.do(RetireProfile(profile="opa", reason="no longer bought"), SUPERVISOR)
    assert recording.refused(received()) == (
        "profile-retired",
        "Profile opa (ortho-phthalaldehyde 0.55 %) is retired: nothing new is taken in.",
        "Compare the bottle with what is in use, and set it aside.",
    )


def test_a_serial_number_is_received_once(recording: Recording) -> None:
    profile(recording)
    recording.do(received(serial="77"))
    assert recording.refused(received(serial="77")) == (
        "duplicate-scan",
        "The bottle with serial number 77 of lot L1 was received at 2026-03-02 09:00 as B1.",
        "Use B1.",
    )
    recording.do(received(serial="77", lot="L2"))


def test_opening_begins_the_opened_container_use_life(recording: Recording) -> None:
    profile(recording)
    got = recording.get(Bottle, opened(recording))
    assert (got.opened_ms, got.use_by_ms) == (at("2026-03-02 09:00"), at("2026-05-16 09:00"))
    assert recording.refused(OpenBottle(bottle=got.id)) == (
        "bottle-open",
        "Bottle B1 was opened at 2026-03-02 09:00.",
        "It may be poured until 2026-05-16 09:00; nothing more is needed.",
    )


def test_an_opening_can_be_recorded_late(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    yesterday = at("2026-03-01 10:00")
    assert recording.refused(OpenBottle(bottle="B1", opened_ms=yesterday)) == (
        "reason",
        "Opening bottle B1 recorded late needs a reason.",
        "Say in a few words why.",
    )
    assert recording.refused(OpenBottle(bottle="B1", opened_ms=at("2026-03-02 09:01"), reason="late")) == (
        "time",
        "Opening bottle B1 at 2026-03-02 09:01 lies ahead.",
        "Type the time again.",
    )
    recording.do(OpenBottle(bottle="B1", opened_ms=yesterday, reason="written on it"))
    assert recording.get(Bottle, "B1").use_by_ms == at("2026-05-15 10:00")


def test_an_expired_bottle_is_not_opened(recording: Recording) -> None:
    profile(recording)
    bottle(recording, "2026-03-02")
    recording.clock.now_ms = at("2026-03-03 00:00") - 1
    assert recording.book().at_ms == recording.get(Bottle, "B1").use_by_ms  # equality is in date
    recording.later(1)
    assert recording.refused(OpenBottle(bottle="B1")) == (
        "bottle-out-of-date",
        "Bottle B1 (lot L1) was to be used by 2026-03-02 23:59 (expiry 2026-03-02 of bottle B1, that day counts).",
        "Do not pour it. Set it aside, throw it away under your disposal rule, and take the first-expiring one.",
    )


def test_activating_begins_the_activated_life_and_opens(recording: Recording) -> None:
    profile(recording, chemistry="hydrogen-peroxide-7.5", **ACTIVATED)
    bottle(recording)
    recording.do(ActivateBottle(bottle="B1"))
    got = recording.get(Bottle, "B1")
    assert (got.activated_ms, got.opened_ms) == (at("2026-03-02 09:00"), at("2026-03-02 09:00"))
    assert got.use_by_ms == at("2026-03-30 09:00")
    assert recording.refused(ActivateBottle(bottle="B1")) == (
        "bottle-activated",
        "Bottle B1 was activated at 2026-03-02 09:00.",
        "It may be poured until 2026-03-30 09:00; nothing more is needed.",
    )


def test_what_is_not_activated_is_not(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    assert recording.refused(ActivateBottle(bottle="B1")) == (
        "no-activation",
        "ortho-phthalaldehyde 0.55 % is not activated: its profile says so.",
        "Compare with the label; if it prints an activation, have the profile corrected.",
    )


def test_bottles_are_used_up_and_thrown_away(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    bottle(recording)
    recording.do(EmptyBottle(bottle="B1"))
    assert (recording.get(Bottle, "B1").left_ml, recording.get(Bottle, "B1").gone) == (0, True)
    assert recording.refused(EmptyBottle(bottle="B1")) == (
        "bottle-gone",
        "Bottle B1 (lot L1) is recorded as empty or thrown away.",
        "Scan the bottle that you have in hand.",
    )
    assert recording.refused(DiscardBottle(bottle="B2")) == (
        "reason",
        "Throwing bottle B2 away needs a reason.",
        "Say in a few words why.",
    )
    recording.do(DiscardBottle(bottle="B2", reason="leaked"), SUPERVISOR)
    assert (recording.get(Bottle, "B2").left_ml, recording.get(Bottle, "B2").gone) == (3_785, True)
    assert recording.refused(OpenBottle(bottle="B9")) == (
        "unknown-bottle",
        "There is no bottle 'B9'.",
        "Scan or type it again; if it is new, receive the bottle first.",
    )


def test_the_first_expiring_bottle_is_offered_first(recording: Recording) -> None:
    """An open bottle comes first where its opened-container use life ends first."""
    profile(recording)
    profile(recording, "peroxide", OTHER_GTIN, "hydrogen-peroxide-7.5")
    bottle(recording, "2027-01-31")  # B1
    bottle(recording, "2026-12-31")  # B2
    bottle(recording, "2026-03-02")  # B3: the last day
    bottle(recording, gtin=OTHER_GTIN)  # B4: another solution
    bottle(recording, "2027-06-30")  # B5: opened, so until 2026-05-16
    bottle(recording, "2026-11-30")  # B6: gone
    recording.do(OpenBottle(bottle="B5"))
    recording.do(EmptyBottle(bottle="B6"))

    def offered() -> list[str]:
        return [each.id for each in bottles_to_pour(recording.book(), "opa")]

    assert offered() == ["B3", "B5", "B2", "B1"]
    recording.later(DAY_MS)
    assert offered() == ["B5", "B2", "B1"]


def scan_refused(recording: Recording, *scan: str) -> tuple[str, str, str]:
    with pytest.raises(RefusedError) as refusal:
        bottle_of_scan(recording.book(), *scan)
    return refusal.value.rule, refusal.value.text, refusal.value.next_step


def test_a_scan_finds_its_bottle(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    bottle(recording, serial="77")
    bottle(recording, lot="L2")
    assert bottle_of_scan(recording.book(), "6291041500213", "L1").id == "B1"
    assert bottle_of_scan(recording.book(), GTIN, "L1", "77").id == "B2"
    assert bottle_of_scan(recording.book(), GTIN, "L2").id == "B3"
    recording.do(EmptyBottle(bottle="B1"))
    assert bottle_of_scan(recording.book(), GTIN, "L1").id == "B2"
    recording.do(EmptyBottle(bottle="B2"))
    assert scan_refused(recording, GTIN, "L1", "77") == (
        "bottle-gone",
        "Every bottle of ortho-phthalaldehyde 0.55 %, lot L1 with serial number 77, is recorded as empty or thrown "
        "away.",
        "If this one is new, receive it first.",
    )
    assert scan_refused(recording, GTIN, "L3") == (
        "unknown-lot",
        "No bottle of ortho-phthalaldehyde 0.55 %, lot L3, was received.",
        "Receive the bottle first.",
    )
    assert scan_refused(recording, OTHER_GTIN, "L1")[0] == "unknown-product-code"


def test_a_corrected_opened_container_use_life_reaches_open_bottles(recording: Recording) -> None:
    profile(recording)
    opened(recording)
    fill(recording, bottle(recording))
    recording.do(CorrectProfile(profile="opa", **CONFIRMED, opened_days=30, reason="misread the label"), SUPERVISOR)
    assert recording.get(Bottle, "B1").use_by_ms == at("2026-04-01 09:00")


def test_two_people_empty_one_bottle(recording: Recording) -> None:
    profile(recording)
    bottle(recording)
    other = recording.another_desk()
    recording.do(EmptyBottle(bottle="B1"), TECHNICIAN)
    assert recording.refused(EmptyBottle(bottle="B1"), "tom", desk=other)[0] == "bottle-gone"
