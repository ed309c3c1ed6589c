"""How the demo's staff see alarms: seeded, at plausible times, by who is on; one is left to the visitor."""

from __future__ import annotations

import statistics

import msgspec
import pytest

from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_alarms import Duty, Raised, seen_in_the_past
from firmware.simulator.staff_days import working
from firmware.simulator.staff_plan import Item, Ward
from firmware.simulator.staff_stock import LEAD, OTHER_LEAD, SHIFTS
from soak.alarms import Priority

MONDAY_MS = 1_790_000_000_000 // DAY_MS * DAY_MS
HOUR_MS, MINUTE_MS, SECOND_MS = 3_600_000, 60_000, 1_000
NINE_MS = MONDAY_MS + 9 * HOUR_MS


def alarm(number: int, at_ms: int = NINE_MS, code: str = "opened-early", **more: object) -> Raised:
    fields = {"id": f"W{number}", "code": code, "priority": "high", "about": f"s:{number}", "text": "Scopes 1: x."}
    return msgspec.convert({**fields, "raised_ms": at_ms, "basin": "scope-room/b1", **more}, Raised)


def seen(alarms: list[Raised], until_ms: int = MONDAY_MS + 4 * DAY_MS, offset_ms: int = 0) -> list[Item]:
    return seen_in_the_past(Ward(1), alarms, until_ms, offset_ms)


MANY = [alarm(number) for number in range(1_000)]


def test_most_are_seen_within_minutes_a_few_late_a_few_by_the_next_shift() -> None:
    items = seen(MANY)
    assert len(items) == len(MANY)
    after_ms = [item.at_ms - NINE_MS for item in items]
    assert min(after_ms) > 5 * SECOND_MS
    assert SECOND_MS < statistics.median(after_ms) < 3 * MINUTE_MS
    assert 0.04 < sum(each > 10 * MINUTE_MS for each in after_ms) / len(after_ms) < 0.15
    late = [item for item in items if item.at_ms >= MONDAY_MS + 14 * HOUR_MS]
    assert 0.01 < len(late) / len(items) < 0.06
    assert {item.who for item in late} == {OTHER_LEAD}
    assert {item.who for item in items if item not in late} == set(SHIFTS["scope-room"])
    assert len({item.fields["done"] for item in items}) >= 4
    assert all(item.between and not item.may for item in items)


def test_the_same_alarm_is_always_seen_alike() -> None:
    assert seen(MANY) == seen(list(reversed(MANY)))
    assert [item.at_ms for item in seen(MANY)] == sorted(item.at_ms for item in seen(MANY))


def test_who_comes_next_after_a_late_shift_is_the_supervisor_on_a_working_morning() -> None:
    """Saturday's evening is followed by Monday's morning."""
    saturday = next(day for day in range(MONDAY_MS // DAY_MS, MONDAY_MS // DAY_MS + 8) if not working(day + 1))
    raised_ms = saturday * DAY_MS + 16 * HOUR_MS
    later = [
        item
        for item in seen([alarm(number, raised_ms) for number in range(1_000)], raised_ms + 9 * DAY_MS)
        if item.at_ms > raised_ms + 6 * HOUR_MS
    ]
    assert later
    for item in later:
        assert item.who == LEAD
        assert saturday * DAY_MS + 2 * DAY_MS + 7 * HOUR_MS < item.at_ms < saturday * DAY_MS + 2 * DAY_MS + 8 * HOUR_MS


def test_shifts_are_those_of_local_time() -> None:
    """At 13:59 in UTC it is 14:59 here: the shift has just begun."""
    raised_ms = MONDAY_MS + 13 * HOUR_MS - MINUTE_MS  # 13:59 local
    alarms = [alarm(number, raised_ms) for number in range(200)]
    beyond = [item for item in seen(alarms, offset_ms=HOUR_MS) if item.at_ms >= MONDAY_MS + 13 * HOUR_MS]
    assert beyond
    assert all(item.at_ms >= MONDAY_MS + 13 * HOUR_MS + 2 * MINUTE_MS and item.who == OTHER_LEAD for item in beyond)


def test_what_is_over_may_go_unseen_what_is_low_does_and_what_was_seen_is_left() -> None:
    medium = [alarm(number, code="guard-band", priority="medium", ended_ms=NINE_MS) for number in range(400)]
    assert 0.6 < len(seen(medium)) / len(medium) < 0.9
    assert seen([alarm(1, code="soak-waits", priority="low")]) == []
    assert seen([alarm(1, seen={"by": "x", "at_ms": 1})]) == []
    assert len(seen([alarm(1, code="over-immersed", priority="medium")])) == 1  # it stands until somebody has


def test_nothing_is_seen_before_its_day_is_played_so_far() -> None:
    assert all(item.at_ms < NINE_MS + MINUTE_MS for item in seen(MANY, NINE_MS + MINUTE_MS))
    assert seen(MANY, NINE_MS) == []


def test_a_device_used_without_release_is_for_the_supervisor() -> None:
    [item] = seen([alarm(1, code="used-unreleased")])
    assert item.who in (LEAD, OTHER_LEAD)


def test_on_duty_the_first_urgent_one_is_left_to_the_visitor() -> None:
    duty = Duty(Ward(1), NINE_MS, HOUR_MS)
    cold = alarm(1, code="below-minimum", priority="medium", basin="treatment/b1")
    lines, items = duty.look([alarm(0, NINE_MS - 1), cold, alarm(2), alarm(3)], NINE_MS)
    assert lines == [
        "10:00:00  alarm W1, medium: Scopes 1: x.",
        "10:00:00  alarm W2, high: Scopes 1: x.",
        "          W2 is left for you: sign in and say that you have seen it.",
        "10:00:00  alarm W3, high: Scopes 1: x.",
    ]
    sees = {item.fields["alarm"]: item for item in items if item.deed == "see-alarm"}
    assert set(sees) == {"W1", "W3"}
    assert 20 * SECOND_MS <= sees["W3"].at_ms - NINE_MS < 60 * SECOND_MS
    assert sees["W1"].who in SHIFTS["treatment"]
    assert sees["W3"].may  # a visitor may be faster
    assert duty.look([cold, alarm(2), alarm(3)], NINE_MS + 9) == ([], [])


def test_on_duty_it_is_told_who_has_seen_what() -> None:
    duty = Duty(Ward(1), NINE_MS, 0)
    duty.look([alarm(1)], NINE_MS)
    by = {"by": "n-lampwick", "at_ms": NINE_MS + 61_000, "done": "New round."}
    told = duty.look([alarm(1, seen=by, ended_ms=NINE_MS + 61_000)], NINE_MS)
    assert told == (["09:01:01  alarm W1 seen by Noor Lampwick: New round."], [])
    at_the_basin = {"by": "basin-button", "at_ms": NINE_MS}
    assert (
        duty.look([alarm(2, seen=at_the_basin)], NINE_MS)[0][-1] == "09:00:00  alarm W2 seen by somebody at the basin."
    )


@pytest.mark.parametrize("priority", list(Priority))
def test_on_duty_sound_is_silenced_now_and_then_and_never_longer_than_it_takes(priority: Priority) -> None:
    duty = Duty(Ward(1), NINE_MS, 0)
    duty.look([alarm(0)], NINE_MS)
    _, items = duty.look([alarm(number, priority=priority.value) for number in range(1, 400)], NINE_MS)
    silenced = {item.fields["alarm"]: item.at_ms for item in items if item.deed == "silence-alarm"}
    sees = {item.fields["alarm"]: item.at_ms for item in items if item.deed == "see-alarm"}
    assert bool(silenced) == (priority is not Priority.LOW)
    assert all(at_ms < sees[number] for number, at_ms in silenced.items())
    assert len(silenced) < len(sees) <= 399
