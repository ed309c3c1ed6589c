"""Delays: what flickers is one alarm or none."""

from __future__ import annotations

import pytest

from firmware.delay import Delayed


def seen(pattern: str, every_ms: int = 1_000) -> str:
    """What stands after each look: `x` there, `.` not, `?` nobody can tell."""
    delayed = Delayed(3_000, 5_000)
    there = {"x": True, ".": False, "?": None}
    return "".join("x" if delayed.see(n * every_ms, there[each]) else "." for n, each in enumerate(pattern))


@pytest.mark.parametrize(
    ("pattern", "stands"),
    [
        ("xxxx", "...x"),  # three seconds from the first look, equality included
        ("xxx.xxxx", ".......x"),  # from the beginning again
        ("xxxx.....", "...xxxxxx"),
        ("xxxx......", "...xxxxxx."),  # five seconds gone
        ("xxxx....x....", "...xxxxxxxxxx"),  # never gone for five: one alarm
        ("x.x.x.x.x.x.", "............"),
        ("xx??xx", "....xx"),  # a failed reading says nothing
        ("xxxx?????????", "...xxxxxxxxxx"),
    ],
)
def test_a_condition_stands_after_its_time_and_is_gone_after_its_own(pattern: str, stands: str) -> None:
    assert seen(pattern) == stands


def test_what_has_ended_is_gone_at_once_and_begins_anew() -> None:
    delayed = Delayed(3_000, 5_000)
    for ms in (0, 3_000):
        delayed.see(ms, True)
    assert delayed.on
    delayed.reset()
    assert not delayed.on
    assert not delayed.see(4_000, True)
    assert not delayed.see(6_999, True)
    assert delayed.see(7_000, True)
