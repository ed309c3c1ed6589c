"""Alarms of the node beside those that the collector orders: what sounds, what is lit, what a press means."""

from __future__ import annotations

import pytest

from firmware.standing import Alarms, sounding
from soak.alarms import Priority
from soak.signals import Sounding
from soak.wire import AlarmOrders

HIGH, MEDIUM, LOW = Priority


def codes(alarms: Alarms, ms: int, *, lid_closed: bool = False) -> list[str]:
    return [one.code for one in alarms.standing(ms, lid_closed=lid_closed)]


def test_the_most_urgent_comes_first_of_these_what_nobody_has_seen_then_the_newest() -> None:
    alarms = Alarms()
    alarms.order([AlarmOrders("readings-missing", MEDIUM), AlarmOrders("chain-broken", HIGH, seen=True)], 10, 10)
    for code, ms in (("no-collector", 40), ("below-minimum", 20), ("opened-early", 30)):
        alarms.set(code, ms, there=True)
    assert codes(alarms, 50) == ["opened-early", "chain-broken", "below-minimum", "readings-missing", "no-collector"]


def test_an_ordered_alarm_lives_for_its_time_and_not_a_millisecond_longer() -> None:
    alarms = Alarms()
    alarms.order([AlarmOrders("soak-waits", LOW, good_for_s=60), AlarmOrders("over-immersed", MEDIUM)], 1_000, 1_000)
    assert codes(alarms, 60_999) == ["over-immersed", "soak-waits"]
    assert codes(alarms, 61_000) == []


def test_renewed_in_time_it_is_the_same_alarm_and_after_its_end_another() -> None:
    alarms = Alarms()
    for received_ms, since_ms in ((1_000, 1_000), (21_000, 1_000), (80_999, 1_000), (141_000, 141_000)):
        alarms.order([AlarmOrders("over-immersed", MEDIUM)], received_ms, received_ms)
        assert [one.since_ms for one in alarms.standing(received_ms, lid_closed=False)] == [since_ms]
    alarms.order([], 142_000, 142_000)
    assert codes(alarms, 142_000) == []


@pytest.mark.parametrize(("silenced", "seen"), [(True, False), (False, True)])
def test_silenced_or_seen_elsewhere_is_light_only(silenced: bool, seen: bool) -> None:
    alarms = Alarms()
    alarms.order([AlarmOrders("over-immersed", MEDIUM, silenced=silenced, seen=seen)], 0, 0)
    standing = alarms.standing(1, lid_closed=False)
    assert [(one.quiet, one.lit) for one in standing] == [(True, True)]
    assert sounding(standing) == []
    assert not alarms.press(2, lid_closed=False)  # nothing sounded: the press has its ordinary meaning


def test_a_kind_of_a_newer_version_goes_by_its_priority() -> None:
    alarms = Alarms()
    alarms.order([AlarmOrders("not-known-here", HIGH)], 5, 5)
    assert sounding(alarms.standing(6, lid_closed=True)) == [Sounding(HIGH, 5, "not-known-here")]


def test_the_collector_can_raise_the_nodes_own_alarm_and_silence_it() -> None:
    alarms = Alarms()
    alarms.set("below-minimum", 100, there=True)
    alarms.order([AlarmOrders("below-minimum", HIGH)], 200, 200)
    (one,) = alarms.standing(300, lid_closed=True)
    assert (one.priority, one.since_ms, one.quiet) == (HIGH, 100, False)
    alarms.order([AlarmOrders("below-minimum", HIGH, silenced=True)], 400, 400)
    assert alarms.standing(500, lid_closed=True)[0].quiet


def test_what_was_said_of_the_alarm_before_does_not_quiet_the_next_one() -> None:
    alarms = Alarms()
    alarms.set("opened-early", 100, there=True)
    assert alarms.press(110, lid_closed=False)
    alarms.order([AlarmOrders("opened-early", HIGH, seen=True)], 200, 200)
    assert sounding(alarms.standing(250, lid_closed=False)) == []
    alarms.set("opened-early", 260, there=False)
    assert codes(alarms, 270, lid_closed=True) == []  # a lid that is on has ended it here
    alarms.set("opened-early", 300, there=True)
    assert [each.code for each in sounding(alarms.standing(310, lid_closed=False))] == ["opened-early"]


def test_a_press_is_seen_and_quiets_and_only_a_cause_that_asks_for_an_act_stays_lit() -> None:
    alarms = Alarms()
    for code in ("opened-early", "below-minimum", "no-collector"):
        alarms.set(code, 100, there=True)
    assert alarms.press(200, lid_closed=False)
    standing = alarms.standing(300, lid_closed=False)
    assert {one.code: (one.seen_ms, one.quiet, one.lit) for one in standing} == {
        "opened-early": (200, True, False),
        "below-minimum": (200, True, True),
        "no-collector": (200, True, False),
    }
    assert not alarms.press(400, lid_closed=False)
    assert {one.seen_ms for one in alarms.standing(500, lid_closed=False)} == {200}


def test_at_a_low_alarm_a_press_keeps_its_ordinary_meaning() -> None:
    alarms = Alarms()
    alarms.set("no-collector", 100, there=True)
    assert not alarms.press(200, lid_closed=False)
    assert [one.lit for one in alarms.standing(300, lid_closed=False)] == [False]
