"""Lights and buzzer: colours, rates and counts against the figures they follow, and nothing that flashes too fast."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soak.alarms import Priority
from soak.signals import (
    BLUE,
    CYAN,
    DARK,
    MOST_FLASH_HZ,
    RED,
    TENTHS,
    WHITE,
    YELLOW,
    Colour,
    Played,
    Shown,
    Sign,
    Sounding,
    light,
    loudest,
    sound,
)

HIGH, MEDIUM, LOW = Priority
EVERY = [
    Shown(sign, tenths, alarm)
    for sign in Sign
    for tenths in (range(TENTHS) if sign is Sign.SOAKING else (0,))
    for alarm in (None, *Priority)
]
named = pytest.mark.parametrize("shown", EVERY, ids=str)


def played(what: Played[object], for_ms: int) -> list[object]:
    """Its value at every ten milliseconds."""
    return [what.at(ms)[0] for ms in range(0, for_ms, 10)]


def begins(values: list[object], wanted: object) -> list[int]:
    """When something begins, in milliseconds."""
    return [10 * n for n, (before, now) in enumerate(pairwise([None, *values])) if now == wanted != before]


def lengths(values: list[object], wanted: object) -> list[int]:
    """How long each stretch of it lasts, in milliseconds."""
    found: list[int] = []
    for before, now in pairwise([None, *values]):
        if now == wanted and before != wanted:
            found.append(0)
        if now == wanted:
            found[-1] += 10
    return found


# ---------------------------------------------------------------------------------------------------------- the light


@pytest.mark.parametrize(
    ("priority", "colour", "least_hz", "most_hz"), [(HIGH, RED, 1.4, 2.8), (MEDIUM, YELLOW, 0.4, 0.8)]
)
def test_an_urgent_alarm_flashes_in_its_colour_at_its_rate_from_the_first_moment(
    priority: Priority, colour: Colour, least_hz: float, most_hz: float
) -> None:
    """The reference's figures: 1.4 to 2.8 Hz, 0.4 to 0.8 Hz, lit for 20 to 60 %."""
    for shown in (each for each in EVERY if each.alarm is priority):
        values = played(light(shown), 20_000)
        assert values[0] == colour
        assert set(values) == {colour, DARK}
        assert least_hz <= len(begins(values, colour)) / 20 <= most_hz
        assert 0.2 <= values.count(colour) / len(values) <= 0.6


def test_a_low_alarm_is_steady_where_nothing_else_is_to_be_said_and_hides_no_soak() -> None:
    assert set(played(light(Shown(Sign.IDLE, alarm=LOW)), 20_000)) == {CYAN}
    for sign in (Sign.SOAKING, Sign.MET, Sign.LOADED, Sign.ADDING, Sign.UNPROVEN, Sign.NO_ORDERS):
        values = played(light(Shown(sign, 5, LOW)), 5_000)
        assert values[:100] == [CYAN] * 100
        assert values[100:] == played(light(Shown(sign, 5)), 4_000)


def test_a_soak_is_lit_for_what_is_proven_and_steady_only_when_it_is_met() -> None:
    shares = []
    for tenths in range(TENTHS):
        values = played(light(Shown(Sign.SOAKING, tenths)), 40_000)
        assert set(values) == {BLUE, DARK}
        shares.append(values.count(BLUE) / len(values))
    assert shares == pytest.approx([0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95])
    assert light(Shown(Sign.SOAKING, 10)) == light(Shown(Sign.SOAKING, 9))
    assert light(Shown(Sign.SOAKING, -1)) == light(Shown(Sign.SOAKING, 0))
    assert light(Shown(Sign.MET)).at(0) == (BLUE, None)


@named
def test_no_light_flashes_faster_than_is_safe_to_look_at(shown: Shown) -> None:
    values = played(light(shown), 30_000)
    changes_ms = [10 * n for n, (before, now) in enumerate(pairwise(values), 1) if now != before]
    for first_ms in changes_ms:
        in_a_second = sum(first_ms <= ms < first_ms + 1_000 for ms in changes_ms)
        assert in_a_second <= 2 * 3  # three flashes are six changes at most
    assert len(changes_ms) / 2 / 30 <= MOST_FLASH_HZ


@named
def test_alarm_colours_are_kept_for_alarms_and_nothing_is_green(shown: Shown) -> None:
    colours = set(played(light(shown), 10_000))
    assert Colour(0, 1, 0) not in colours
    expected = {HIGH: {RED}, MEDIUM: {YELLOW}, LOW: {CYAN}, None: set()}[shown.alarm]
    assert colours & {RED, YELLOW, CYAN} == expected


def test_every_sign_looks_different_from_every_other() -> None:
    looks = {light(Shown(sign, 5)).steps for sign in Sign}
    assert len(looks) == len(Sign)
    assert light(Shown(Sign.LOADED)).at(0) == (WHITE, None)


def test_words_for_tables_have_no_figures_that_change_all_the_time() -> None:
    assert Shown(Sign.SOAKING, 3).in_words() == Shown(Sign.SOAKING, 4).in_words() == "soaking"
    assert Shown(Sign.MET).in_words() == "met here, awaiting record"
    assert Shown(Sign.SOAKING, 3, HIGH).in_words() == "high alarm"
    assert Shown(Sign.SOAKING, 3, LOW).in_words() == "low alarm; soaking"


# --------------------------------------------------------------------------------------------------------- the buzzer


@pytest.mark.parametrize(
    ("priority", "pulses", "least_s", "most_s"), [(HIGH, 10, 2.5, 15), (MEDIUM, 3, 2.5, 30), (LOW, 1, None, None)]
)
def test_a_burst_has_its_pulses_and_comes_again_within_its_time(
    priority: Priority, pulses: int, least_s: float | None, most_s: float | None
) -> None:
    """The reference's figures; a pause counts from the burst's end, and from its beginning keeps the bounds too."""
    values = played(sound(priority), 120_000)
    starts = begins(values, True)
    assert starts[0] == 0
    gaps = [later - start for start, later in pairwise(starts)]
    if least_s is None:
        assert starts == [0]
        return
    assert most_s is not None
    bursts = [starts[n : n + pulses] for n in range(0, len(starts), pulses)]
    between = [later[0] - burst[-1] - lengths(values, True)[0] for burst, later in pairwise(bursts)]
    assert max(gaps[: pulses - 1]) < 1_000
    assert all(least_s * 1_000 <= pause_ms <= most_s * 1_000 for pause_ms in between)
    assert all(least_s * 1_000 <= later[0] - burst[0] <= most_s * 1_000 for burst, later in pairwise(bursts))
    assert len(bursts) > 3


def test_a_high_burst_is_two_groups_of_five() -> None:
    starts = begins(played(sound(HIGH), 3_500), True)
    gaps = [later - start for start, later in pairwise(starts)]
    assert len(starts) == 10
    assert gaps == [270] * 4 + [650] + [270] * 4


def test_one_buzzer_plays_the_most_urgent_of_all_and_of_these_the_newest() -> None:
    old, new = Sounding(HIGH, 1_000, "opened-early"), Sounding(HIGH, 2_000, "bad-fill")
    others = [Sounding(LOW, 9_000, "no-collector"), Sounding(MEDIUM, 8_000, "below-minimum")]
    assert loudest([*others, old, new]) == new
    assert loudest([old, *others]) == old
    assert loudest(others) == others[1]
    assert loudest([]) is None


# ------------------------------------------------------------------------------------------------------------ playing


@given(
    st.lists(st.tuples(st.integers(1, 500), st.integers()), min_size=1, max_size=6),
    st.integers(0, 10_000),
    st.booleans(),
)
def test_what_is_played_changes_when_it_says_and_not_before(
    steps: list[tuple[int, int]], ms: int, repeats: bool
) -> None:
    one = Played(tuple(steps), repeats)
    value, left_ms = one.at(ms)
    if left_ms is None:
        assert {one.at(ms + later)[0] for later in (0, 1, 10_000)} == {value}
        return
    assert left_ms > 0
    assert one.at(ms + left_ms - 1) == (value, 1)
    index = next(n for n in range(len(steps)) if sum(each for each, _ in steps[: n + 1]) > ms % one.period_ms)
    assert value == steps[index][1]
    after = steps[(index + 1) % len(steps)][1] if repeats or index + 1 < len(steps) else steps[-1][1]
    assert one.at(ms + left_ms)[0] == after
