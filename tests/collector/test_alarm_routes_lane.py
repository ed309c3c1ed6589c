"""What waits for one route: high first, joined against floods, tried again, given up in the open."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.lane import MOST_WAITING, Lane, Pace
from collector.alarms.notices import Message, Notice, Outcome, joined
from soak.alarms import Priority

HIGH, MEDIUM, LOW = Priority
TAKEN, REFUSED = "taken by the route", "refused: the server answered 500"


def notice(key: str, priority: Priority = HIGH, body: str = "Close the lid now.") -> Notice:
    return Notice(key, "Sam", priority, f"title of {key}", body)


def lane() -> Lane:
    return Lane("Sam", "json line 1", Pace())


def begun(one: Lane, now_s: float) -> list[tuple[bool, str]]:
    return [(high, message.title) for high, message in one.begin(now_s)]


def keys(outcomes: list[Outcome]) -> list[tuple[str, bool, bool]]:
    return [(each.key, each.ok, each.over) for each in outcomes]


def test_the_first_goes_at_once_and_what_follows_soon_goes_together() -> None:
    one = lane()
    one.put(notice("W1"), 100, 0)
    assert begun(one, 100) == [(True, "title of W1")]
    assert one.end(True, True, TAKEN, 101, 7) == [Outcome("W1", "Sam", "json line 1", True, TAKEN, 1, 7)]
    for number in (2, 3, 4):
        one.put(notice(f"W{number}"), 101, 0)
    assert begun(one, 104.9) == []
    assert one.next_s() == 105
    ((high, message),) = one.begin(105)
    assert (high, message.title) == (True, "3 alarms: title of W2")
    assert message.body.splitlines() == [f"high: title of W{number}: Close the lid now." for number in (2, 3, 4)]
    assert keys(one.end(True, True, TAKEN, 106, 0)) == [(f"W{number}", True, True) for number in (2, 3, 4)]
    assert one.next_s() == math.inf


def test_a_high_one_waits_for_no_lower_one() -> None:
    one = lane()
    one.put(notice("W1", LOW), 0, 0)
    assert begun(one, 0) == [(False, "title of W1")]  # and hangs
    one.put(notice("W2", MEDIUM), 1, 0)
    one.put(notice("W3", HIGH), 1, 0)
    assert one.next_s() == 1
    assert begun(one, 1) == [(True, "title of W3")]
    one.end(False, False, REFUSED, 20, 0)
    assert begun(one, 20) == []  # lower ones keep to the pace of lower ones
    assert begun(one, 60) == [(False, "2 alarms: title of W2")]


@pytest.mark.parametrize(
    ("priority", "tries_at_s"),
    [
        (LOW, [0, 60, 120, 180, 480]),
        (MEDIUM, [0, 60, 120, 180, 480, 1_380, 3_180]),
        (HIGH, [0, 5, 20, 80, 380, 1_280, 3_080]),
    ],
)
def test_it_is_tried_again_with_longer_and_longer_pauses(priority: Priority, tries_at_s: list[float]) -> None:
    one = lane()
    one.put(notice("W1", priority), 0, 0)
    seen, told, now_s = [], [], 0.0
    while now_s < math.inf and len(seen) < 100:
        assert begun(one, now_s)
        seen.append(now_s)
        told += one.end(priority is HIGH, False, REFUSED, now_s, int(now_s))
        now_s = one.next_s()
    assert seen[: len(tries_at_s)] == tries_at_s
    assert told[0] == Outcome("W1", "Sam", "json line 1", False, REFUSED, 1, 0, over=False)
    assert (told[-1].ok, told[-1].over, told[-1].tries, len(told)) == (False, True, len(seen), 2)
    if priority is HIGH:
        assert 23 * 3_600 < seen[-1] <= 24 * 3_600
        assert {after - before for before, after in itertools.pairwise(seen[6:])} == {1_800}
    else:
        assert seen == tries_at_s


def test_one_success_ends_it_and_wakes_the_others() -> None:
    one = lane()
    one.put(notice("W1"), 0, 0)
    for now_s in (0, 5, 20, 80):
        assert begun(one, now_s)
        one.end(True, False, REFUSED, now_s, 0)
    one.put(notice("W2"), 100, 0)
    assert begun(one, 100) == [(True, "title of W2")]
    assert keys(one.end(True, True, TAKEN, 101, 0)) == [("W2", True, True)]
    assert begun(one, 105) == [(True, "title of W1")]  # not at 380
    assert keys(one.end(True, True, TAKEN, 106, 0)) == [("W1", True, True)]
    assert one.next_s() == math.inf


def test_too_many_give_up_the_least_urgent_and_oldest() -> None:
    one = lane()
    for number in range(MOST_WAITING - 1):
        assert one.put(notice(f"W{number}", MEDIUM), number, 0) == []
    assert one.put(notice("low", LOW), 500, 0) == []
    assert one.put(notice("high"), 501, 9) == [
        Outcome("low", "Sam", "json line 1", False, "given up: too many others wait for this route", 0, 9)
    ]
    assert keys(one.put(notice("another"), 502, 0)) == [("W0", False, True)]
    assert keys(one.put(notice("late", LOW), 503, 0)) == [("late", False, True)]


@given(st.lists(st.sampled_from(Priority), min_size=MOST_WAITING + 1, max_size=MOST_WAITING + 40))
def test_a_flood_never_pushes_out_what_is_more_urgent(priorities: list[Priority]) -> None:
    one = lane()
    kept: dict[str, Priority] = {}
    for number, priority in enumerate(priorities):
        kept[f"W{number}"] = priority
        for outcome in one.put(notice(f"W{number}", priority), number, 0):
            given_up = kept.pop(outcome.key)
            assert given_up.rank == max([given_up.rank, *(each.rank for each in kept.values())])
    assert len(kept) == MOST_WAITING
    assert sorted(each.key for each in one.give_back(0)) == sorted(kept)


def test_a_joined_message_has_an_end() -> None:
    many = [notice(f"W{number}", body="x" * 5_000) for number in range(200)]
    message = joined(many)
    assert message.title == "200 alarms: title of W0"
    assert message.body.splitlines()[-1] == "and 188 more: see the list of alarms."
    assert len(message.body) < 2_000
    assert len(joined(many[:1]).body) == 1_500


def test_the_most_urgent_leads_a_joined_message() -> None:
    one = lane()
    one.put(notice("W1", LOW), 0, 0)
    one.put(notice("W2", MEDIUM), 1, 0)
    ((_, message),) = one.begin(1)
    assert message == Message(
        "2 alarms: title of W2",
        "medium: title of W2: Close the lid now.\nlow: title of W1: Close the lid now.",
        MEDIUM,
    )


def test_a_drill_is_not_called_an_alarm() -> None:
    assert joined([notice("drill-2026-11-28", LOW), notice("W1", LOW)]).title.startswith("2 messages: ")


def test_a_title_is_one_line() -> None:
    assert joined([Notice("W1", "Sam", HIGH, "one\r\nBcc: two\t\n", "body")]).title == "one Bcc: two"


def test_what_is_left_comes_back_as_failed() -> None:
    one = lane()
    one.put(notice("W1"), 0, 0)
    one.begin(0)
    one.put(notice("W2", LOW), 1, 0)
    assert sorted(keys(one.give_back(0))) == [("W1", False, True), ("W2", False, True)]
    assert one.end(True, True, TAKEN, 2, 0) == []  # an answer that comes after all
    assert one.next_s() == math.inf
