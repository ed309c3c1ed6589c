"""What a node shows and says at a basin, step by step, with nothing but its own readings and the orders in hand."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from basin_kit import Hands, orders
from hypothesis import given
from hypothesis import strategies as st

from soak.alarms import KINDS, Priority
from soak.reading import Fault
from soak.requirement import Requirement
from soak.wire import AlarmOrders, LoadOrders

LOAD = LoadOrders("load-1", devices=2)


def soaking(for_s: int = 20, **given: object) -> Hands:
    """A load said by the button, lid on."""
    hands = Hands(orders(**given))  # type: ignore[arg-type]
    hands.press()
    hands.close(for_s)
    return hands


# -------------------------------------------------------------------------------------------- load, soak, met, opening


def test_a_load_said_by_the_button_soaks_is_met_and_leaves_with_the_next_opening() -> None:
    hands = Hands(orders())
    assert hands.shows == "idle"
    hands.press()
    assert (hands.shows, hands.said.load, hands.said.said_ms) == ("load in, lid open", True, 1_001)
    hands.close(2)
    assert hands.shows == "soaking"
    tenths = []
    for _ in range(9):
        hands.wait(6)
        tenths.append(hands.side.shown().tenths)
    assert tenths == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    hands.wait(6)
    assert hands.shows == "met here, awaiting record"
    assert hands.said.load
    hands.open(30)
    assert (hands.shows, hands.sounds, hands.said.load, hands.said.said_ms) == ("idle", [], False, None)


def test_a_press_with_the_lid_on_says_that_a_load_is_in_since_the_closing() -> None:
    hands = Hands(orders())
    hands.close(30)
    assert hands.shows == "idle"
    hands.press()
    assert (hands.shows, hands.side.shown().tenths) == ("soaking", 5)
    hands.wait(30)
    assert hands.shows == "met here, awaiting record"


def test_the_time_begins_again_where_it_was_too_cold() -> None:
    hands = soaking(30)
    assert hands.side.shown().tenths == 5
    hands.mc = 19_000
    hands.wait(5)
    assert hands.side.shown().tenths == 0
    hands.mc = 21_000
    hands.wait(31)
    assert hands.side.shown().tenths == 5
    hands.wait(31)
    assert hands.shows == "met here, awaiting record"


@pytest.mark.parametrize("by", ["button", "orders"])
def test_a_lid_opened_before_met_is_a_high_alarm_at_once_until_it_is_on_again(by: str) -> None:
    hands = soaking(20) if by == "button" else Hands(orders(load=LOAD))
    if by == "orders":
        hands.close(20)
    hands.ms += 300
    hands.open()
    assert (hands.shows, hands.sounds) == ("high alarm", ["opened-early"])
    assert (hands.said.alarm, hands.said.since_ms, hands.said.seen_ms) == ("opened-early", hands.ms, None)
    hands.wait(600)
    assert hands.sounds == ["opened-early"]
    hands.close(2)
    assert (hands.sounds, hands.said.alarm) == ([], "")
    assert hands.shows == ("soaking" if by == "orders" else "idle")


@pytest.mark.parametrize(("open_s", "shows"), [(8, "soaking"), (11, "idle")])
def test_a_load_opened_early_is_in_still_only_where_the_lid_is_back_on_soon(open_s: int, shows: str) -> None:
    """Who takes devices out presses no button first: the empty basin's next opening must not cry wolf."""
    hands = soaking(20)
    hands.open(open_s)
    assert hands.sounds == ["opened-early"]
    hands.close(20)
    assert (hands.shows, hands.side.shown().tenths) == (shows, 3 if shows == "soaking" else 0)
    hands.open(2)
    assert hands.sounds == (["opened-early"] if shows == "soaking" else [])


def test_who_has_said_a_load_anew_meanwhile_has_it_in() -> None:
    hands = soaking(20)
    hands.open(1)
    hands.press()  # seen
    hands.wait(10)
    hands.press()
    hands.close(20)
    assert hands.shows == "soaking"


def test_a_lid_that_was_on_for_less_than_a_second_was_not_put_on() -> None:
    hands = Hands(orders())
    hands.press()
    hands.close()
    hands.ms += 800
    hands.side.look(hands.ms, collector_silent=False)
    hands.open(2)
    assert (hands.shows, hands.sounds) == ("load in, lid open", [])
    hands.close(2)
    hands.open(2)
    assert hands.sounds == ["opened-early"]


def test_a_press_at_the_alarm_is_seen_and_ends_the_pattern_and_means_nothing_else() -> None:
    hands = soaking(20)
    hands.open(1)
    pressed_ms = hands.ms + 1
    hands.press()
    assert (hands.shows, hands.sounds) == ("load in, lid open", [])
    assert (hands.said.alarm, hands.said.seen_ms, hands.said.load) == ("opened-early", pressed_ms, True)
    hands.close(20)
    assert hands.shows == "soaking"
    hands.open()
    assert hands.sounds == ["opened-early"]  # another opening, another alarm


def test_a_load_taken_out_unmet_is_unsaid_by_a_second_press_with_the_lid_open() -> None:
    hands = soaking(20)
    hands.open(1)
    hands.press()
    hands.press()
    assert (hands.shows, hands.said.load) == ("idle", False)
    hands.close(20)
    hands.open()
    assert hands.sounds == []


def test_two_presses_within_two_seconds_are_one() -> None:
    hands = Hands(orders())
    hands.press(then_s=1)
    hands.press(then_s=1)
    assert hands.said.load
    hands.press(then_s=2)  # each counts from the one before
    assert hands.said.load
    hands.press()
    assert not hands.said.load


def test_opening_to_add_a_device_that_was_said_first_is_no_alarm_and_starts_the_time_again() -> None:
    hands = soaking(20)
    hands.press()
    assert (hands.shows, hands.said.adding) == ("open now to add a device", True)
    hands.open(20)
    assert (hands.shows, hands.sounds) == ("load in, lid open", [])
    hands.press()  # means nothing while adding
    assert hands.said.load
    hands.close(20)
    assert (hands.shows, hands.said.adding, hands.side.shown().tenths) == ("soaking", False, 3)
    hands.open()
    assert hands.sounds == ["opened-early"]  # it was said for one opening


def test_adding_said_and_not_done_is_forgotten_after_two_minutes() -> None:
    hands = soaking(2, requirement=Requirement(20_000, 600_000))
    hands.press()
    hands.wait(116)
    assert hands.said.adding
    hands.wait(2)
    assert (hands.shows, hands.said.adding) == ("soaking", False)
    hands.open()
    assert hands.sounds == ["opened-early"]


def test_adding_said_at_the_screen_is_no_alarm_either() -> None:
    hands = Hands(orders(load=LoadOrders("load-1", 2, adding=True)))
    hands.close(20)
    assert hands.shows == "open now to add a device"
    hands.open(5)
    assert hands.sounds == []


# ----------------------------------------------------------------------------------------------- the load of the record


def test_a_recorded_load_that_met_has_left_though_the_record_does_not_know_it_yet() -> None:
    hands = Hands(orders(load=LOAD))
    assert hands.shows == "load in, lid open"
    hands.close(62)
    assert hands.shows == "met here, awaiting record"
    hands.open(5)
    assert (hands.shows, hands.said.load) == ("idle", False)
    hands.order(orders(load=LOAD))  # renewed
    hands.close(20)
    hands.open(2)
    assert (hands.shows, hands.sounds) == ("idle", [])
    hands.order(orders(load=LoadOrders("load-1", 1)))  # one was added since
    assert hands.said.load


def test_devices_that_have_all_met_may_come_out() -> None:
    hands = Hands(orders(load=LoadOrders("load-1", devices=0)))
    hands.close(90)
    assert hands.shows == "met here, awaiting record"
    assert not hands.said.load
    hands.open()
    assert (hands.shows, hands.sounds) == ("idle", [])


def test_a_load_that_the_record_has_ended_is_not_said_any_more() -> None:
    hands = soaking(5)
    hands.order(orders(load=LOAD))
    hands.order(orders())
    assert not hands.said.load
    hands.open()
    assert hands.sounds == []


# ------------------------------------------------------------------------------------------------- temperature, sensor


@pytest.mark.parametrize(
    ("mc", "code"),
    [
        (19_999, "below-minimum"),
        (20_499, "guard-band"),
        (29_501, "above-maximum"),
        (31_000, "above-maximum"),
        (None, "sensor-fault"),
    ],
)
def test_what_makes_a_soak_fail_is_medium_after_ten_seconds_and_gone_after_thirty(mc: int | None, code: str) -> None:
    hands = soaking(10)
    hands.mc, hands.fault = mc or 0, Fault("crc") if mc is None else None
    hands.wait(10)
    assert (hands.shows, hands.sounds) == ("soaking", [])
    hands.wait(1)
    assert (hands.shows, hands.sounds) == ("medium alarm", [code])
    assert KINDS[code].priority is Priority.MEDIUM
    hands.mc, hands.fault = 21_000, None
    hands.wait(30)
    assert hands.sounds == [code]
    hands.wait(1)
    assert (hands.shows, hands.sounds) == ("soaking", [])


def test_cold_that_flickers_is_one_alarm_and_a_failed_reading_does_not_end_it() -> None:
    hands = soaking(5, requirement=Requirement(20_000, 600_000))
    hands.mc = 19_000
    hands.wait(12)
    since_ms = hands.said.since_ms
    for n in range(20):
        hands.mc, hands.fault = (21_000, 19_000)[n % 2], Fault("crc") if n % 3 == 0 else None
        hands.wait(4)
        assert (hands.sounds, hands.said.since_ms) == (["below-minimum"], since_ms)


def test_cold_seen_between_failed_readings_is_cold_all_the_same() -> None:
    hands = soaking(5)
    hands.mc = 19_000
    for n in range(12):
        hands.fault = Fault("crc") if n % 3 == 1 else None
        hands.wait(1)
    assert hands.sounds == ["below-minimum"]
    hands.fault = Fault("no-answer")
    hands.wait(40)
    assert sorted(hands.sounds) == ["below-minimum", "sensor-fault"]


def test_a_press_quiets_a_medium_alarm_and_leaves_its_light_and_the_next_press_says_adding() -> None:
    hands = soaking(5)
    hands.mc = 19_000
    hands.wait(12)
    hands.press()
    assert (hands.shows, hands.sounds, hands.said.adding) == ("medium alarm", [], False)
    hands.press()
    assert hands.said.adding


def test_nothing_about_temperature_without_a_load_or_with_the_lid_open_or_after_met() -> None:
    empty = Hands(orders())
    empty.mc = 10_000
    empty.close(60)
    assert (empty.shows, empty.sounds) == ("idle", [])
    opened = Hands(orders())
    opened.press()
    opened.mc = 10_000
    opened.wait(60)
    assert opened.sounds == []
    met = soaking(62)
    met.mc = 10_000
    met.wait(60)
    assert (met.shows, met.sounds) == ("met here, awaiting record", [])


def test_opening_the_lid_ends_what_was_about_the_soak_and_leaves_the_opening() -> None:
    hands = soaking(5)
    hands.mc = 19_000
    hands.wait(12)
    hands.open()
    assert hands.sounds == ["opened-early"]


# -------------------------------------------------------------------------------------------------- unassigned closures


@pytest.mark.parametrize(("closed_s", "asked"), [(58, []), (62, ["unassigned-opening"])])
def test_an_unassigned_closure_of_over_a_minute_asks_once_on_opening(closed_s: int, asked: list[str]) -> None:
    hands = Hands(orders())
    hands.close(closed_s)
    hands.ms += 100
    hands.open()
    assert hands.sounds == asked
    assert hands.said.alarm == "".join(asked)
    hands.wait(14)
    assert hands.sounds == asked
    hands.wait(2)
    assert (hands.shows, hands.sounds) == ("idle", [])


def test_closing_ends_the_question() -> None:
    hands = Hands(orders())
    hands.close(70)
    hands.open(1)
    hands.close(2)
    assert (hands.shows, hands.sounds) == ("idle", [])


# ------------------------------------------------------------------------------------------------ orders and their life


def test_a_node_that_never_had_orders_shows_and_says_so_and_its_soaks_are_unproven() -> None:
    hands = Hands()
    assert hands.shows == "no orders to judge by"
    assert hands.side.trouble == "the orders for basin b1 never came: its soaks are not judged here"
    hands.press()
    assert hands.shows == "load in, unproven: no orders to judge by"
    hands.close(90)
    assert hands.shows == "load in, unproven: no orders to judge by"
    hands.open(2)
    assert hands.sounds == []  # how long it should have been, nobody has said


def test_orders_that_come_while_the_lid_is_on_judge_from_then_on_and_credit_nothing_before() -> None:
    hands = Hands()
    hands.press()
    hands.close(50)
    hands.order(orders())
    assert (hands.shows, hands.side.trouble) == ("soaking", "")
    hands.wait(59)
    assert hands.shows == "soaking"
    hands.wait(2)
    assert hands.shows == "met here, awaiting record"


def test_orders_that_run_out_judge_the_closure_they_began_and_no_other() -> None:
    hands = Hands(orders(good_for_s=30))
    hands.press()
    hands.close(40)
    assert hands.side.trouble == "the orders for basin b1 have run out: its soaks are not judged here"
    assert hands.shows == "soaking"
    hands.wait(22)
    assert hands.shows == "met here, awaiting record"
    hands.open(2)
    assert hands.shows == "no orders to judge by"
    hands.press()
    hands.close(90)
    assert hands.shows == "load in, unproven: no orders to judge by"


def test_a_requirement_that_changes_counts_from_the_next_closing_on() -> None:
    hands = soaking(20)
    hands.order(orders(Requirement(20_000, 10_000)))
    hands.wait(2)
    assert hands.shows == "soaking"
    hands.press()
    hands.open(2)
    hands.close(12)
    assert hands.shows == "met here, awaiting record"


def test_no_requirement_is_no_trouble_of_the_nodes_and_proves_nothing() -> None:
    hands = Hands(orders(None))
    assert (hands.shows, hands.side.trouble) == ("no orders to judge by", "")


def test_a_load_in_solution_that_must_not_be_used_is_high_with_no_network() -> None:
    hands = Hands(orders(fill_problem="out of date since yesterday"))
    assert hands.sounds == []
    hands.press()
    assert (hands.shows, hands.sounds) == ("high alarm", ["bad-fill"])
    hands.press()
    assert (hands.shows, hands.sounds) == ("high alarm", [])
    hands.order(orders())
    assert hands.shows == "load in, lid open"


# ----------------------------------------------------------------------------------------- what the collector orders


def test_ordered_alarms_go_by_themselves_when_nobody_renews_them() -> None:
    hands = Hands(orders(alarms=[AlarmOrders("over-immersed", Priority.MEDIUM, good_for_s=60)]))
    assert (hands.shows, hands.sounds) == ("medium alarm", ["over-immersed"])
    hands.wait(59)
    assert hands.sounds == ["over-immersed"]
    hands.wait(1)
    assert (hands.shows, hands.sounds) == ("idle", [])


def test_orders_older_than_their_alarms_life_bring_none() -> None:
    hands = Hands(ms=100_000)
    hands.order(orders(alarms=[AlarmOrders("over-immersed", Priority.MEDIUM)]), received_ms=40_000)
    assert hands.sounds == []


def test_an_opening_that_the_collector_still_orders_is_over_once_the_lid_is_on() -> None:
    hands = soaking(5)
    hands.open(1)
    ordered = [AlarmOrders("opened-early", Priority.HIGH)]
    hands.order(orders(load=LOAD, alarms=ordered))
    hands.close(2)
    assert (hands.shows, hands.sounds) == ("soaking", [])
    hands.open()
    assert hands.sounds == ["opened-early"]


def test_a_silent_collector_is_low_and_hides_no_soak_and_a_press_still_says_a_load() -> None:
    hands = Hands(orders())
    hands.silent = True
    hands.wait(1)
    assert (hands.shows, hands.sounds) == ("low alarm; idle", ["no-collector"])
    hands.press()
    assert (hands.shows, hands.sounds, hands.said.load) == ("load in, lid open", [], True)
    hands.close(62)
    assert hands.shows == "met here, awaiting record"
    hands.silent = False
    hands.wait(1)
    hands.silent = True
    hands.wait(1)
    assert hands.sounds == ["no-collector"]  # another outage
    assert hands.shows == "low alarm; met here, awaiting record"


# --------------------------------------------------------------------------------------------------- switches that fail


@pytest.mark.parametrize("period_ms", [20, 100, 300, 1_500])
def test_a_switch_that_chatters_is_one_opening_and_one_alarm(period_ms: int) -> None:
    """50 Hz, where no closing ever settles; 10 Hz, where every one does; and slower."""
    hands = soaking(20)
    began_ms = hands.ms + 1
    assert hands.chatter(period_ms, 20_000) == 1
    assert (hands.sounds, hands.said.since_ms) == (["opened-early"], began_ms)
    hands.close(3)
    assert hands.sounds == []


def test_a_switch_that_chatters_with_nothing_in_asks_once() -> None:
    hands = Hands(orders())
    hands.close(100)
    hands.chatter(100, 10_000)
    assert hands.sounds == ["unassigned-opening"]
    hands.wait(20)
    assert hands.sounds == []
    hands.chatter(100, 10_000)
    assert hands.sounds == []


def test_a_switch_that_chatters_while_a_device_is_added_is_no_alarm() -> None:
    hands = soaking(20)
    hands.press()
    hands.chatter(100, 5_000)
    assert hands.sounds == []
    assert hands.said.adding


def test_a_switch_that_was_not_seen_to_move_says_so_and_one_that_was_says_when() -> None:
    hands = Hands(orders(), closed=True)
    hands.wait(600)
    assert hands.said.moved_ms is None
    hands.open()
    opened_ms = hands.ms
    hands.wait(3)
    assert hands.said.moved_ms == opened_ms


# ----------------------------------------------------------------------------------------------- whatever people do


@dataclass(frozen=True)
class Deed:
    what: str
    seconds: int


deeds = st.builds(
    Deed, st.sampled_from(["close", "open", "press", "cold", "warm", "gone", "silent", "renew"]), st.integers(0, 90)
)


@given(st.lists(deeds, max_size=12))
def test_whatever_happens_no_alarm_sounds_without_a_load_and_none_is_missed_with_one(what: list[Deed]) -> None:
    hands = Hands(orders())
    closed = False
    for deed in what:
        loaded, adding, met = hands.said.load, hands.said.adding, "met" in hands.shows
        if deed.what == "open" and closed:
            firm, before = hands.side._firm, "opened-early" in hands.sounds
            hands.open()
            early = loaded and not adding and not met
            assert ("opened-early" in hands.sounds) is (early if firm else before)
            closed = False
        elif deed.what == "close" and not closed:
            hands.close()
            closed = True
        elif deed.what == "press":
            hands.press()
        hands.mc = {"cold": 15_000, "warm": 21_000}.get(deed.what, hands.mc)
        hands.fault = {"gone": Fault("no-answer"), "warm": None}.get(deed.what, hands.fault)
        if deed.what == "renew":
            hands.order(orders())
        hands.wait(deed.seconds)
        if not hands.said.load:
            assert {"below-minimum", "sensor-fault", "bad-fill"}.isdisjoint(hands.sounds)
