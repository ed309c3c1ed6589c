"""How long to wait before connecting again, and what says that a name is used twice."""

from __future__ import annotations

import random

from firmware.retry import LONGEST_S, LONGEST_TURN_S, THROWN_OUT, Retry


def test_while_nobody_answers_it_tries_ever_more_rarely() -> None:
    retry = Retry(chance=lambda: 1.0)
    assert [retry.failed() for _ in range(7)] == [1, 2, 4, 8, 16, LONGEST_S, LONGEST_S]
    assert retry.ended(3_600, by_broker=False) == 1
    assert retry.failed() == 1


def test_being_thrown_out_again_and_again_is_noticed_and_makes_room_for_the_other() -> None:
    retry = Retry(chance=lambda: 1.0)
    waits = []
    for count in range(1, 9):
        assert not retry.rival or count > THROWN_OUT
        waits.append(retry.ended(2.0, by_broker=True))
    assert retry.rival
    assert waits == [1, 2, 4, 8, 16, *[LONGEST_TURN_S] * 3]
    assert retry.ended(61.0, by_broker=True) == 1  # it stood: nobody else is there
    assert not retry.rival


def test_a_broker_that_was_away_or_a_silent_line_is_no_rival() -> None:
    retry = Retry(chance=lambda: 1.0)
    for _ in range(9):
        retry.ended(2.0, by_broker=True)
        retry.failed()
        retry.ended(40.0, by_broker=False)
    assert not retry.rival


def test_two_that_began_at_the_same_moment_do_not_stay_in_step() -> None:
    """Each comes when its wait is over and throws the other out; both must get their share of the time."""
    retries = [Retry(chance=random.Random(seed).random) for seed in (1, 2)]
    due_s, stood_s, inside, since_s = [0.0, 0.5], [0.0, 0.0], None, 0.0
    for _ in range(400):
        comes = min((0, 1), key=lambda one: due_s[one] if one != inside else float("inf"))
        now_s = due_s[comes]
        if inside is not None:
            stood_s[inside] += now_s - since_s
            due_s[inside] = now_s + retries[inside].ended(now_s - since_s, by_broker=True)
        inside, since_s = comes, now_s
    assert min(stood_s) > 0.4 * sum(stood_s)
    assert all(retry.rival for retry in retries)
