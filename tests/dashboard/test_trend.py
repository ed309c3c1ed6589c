"""Thinning a line: no dip disappears, no gap closes."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.trend import FEWEST_POINTS, Point, broken, thinned

GAP_MS = 5_000


STEPS = st.tuples(
    st.sampled_from([1, 500, 1000, 1000, 1000, 5000, 5001, 60_000]), st.one_of(st.none(), st.integers(19_000, 22_000))
)


@st.composite
def lines(draw: st.DrawFn) -> list[Point]:
    """Readings about a second apart, with missing values and pauses."""
    t_ms, line = 1_772_540_280_000, []
    for step_ms, mc in draw(st.lists(STEPS, max_size=150)):
        t_ms += step_ms
        line.append(Point(t_ms, mc))
    return line


def known(line: list[Point]) -> list[Point]:
    return [point for point in line if point.mc is not None]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(lines(), st.integers(FEWEST_POINTS, 60))
def test_lowest_and_highest_of_every_bin_survive(line: list[Point], most: int) -> None:
    """Bins of equal time, worked out here once more: each one's lowest and highest value is drawn."""
    drawn = set(thinned(line, most=most, gap_ms=GAP_MS))
    if not known(line):
        return
    bins = most // 4
    first_ms, width_ms = line[0].t_ms, line[-1].t_ms - line[0].t_ms + 1
    for index in range(bins):
        inside = [
            point
            for point in known(line)
            if index * width_ms <= (point.t_ms - first_ms) * bins < (index + 1) * width_ms
        ]
        if inside:
            shown = {point.mc for point in drawn if point in set(inside)}
            assert {min(point.mc for point in inside), max(point.mc for point in inside)} <= shown  # type: ignore[type-var]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(lines(), st.integers(FEWEST_POINTS, 60))
def test_gaps_survive(line: list[Point], most: int) -> None:
    """Between two drawn neighbours no value was missing and no pause was too long; what is drawn was measured."""
    drawn = thinned(line, most=most, gap_ms=GAP_MS)
    assert set(known(drawn)) <= set(line)
    for earlier, later in pairwise(drawn):
        assert earlier.t_ms < later.t_ms or later.mc is None or earlier.mc is None
        if earlier.mc is None or later.mc is None:
            continue
        between = [point for point in line if earlier.t_ms <= point.t_ms <= later.t_ms]
        assert all(point.mc is not None for point in between)
        assert all(after.t_ms - before.t_ms <= GAP_MS for before, after in pairwise(between))


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(lines(), st.integers(FEWEST_POINTS, 60))
def test_a_line_without_gap_is_not_broken_and_never_too_long(line: list[Point], most: int) -> None:
    """At most so many points; a break only where there is a gap."""
    drawn = thinned(line, most=most, gap_ms=GAP_MS)
    assert len(drawn) <= most
    whole = all(point.mc is not None for point in line) and all(b.t_ms - a.t_ms <= GAP_MS for a, b in pairwise(line))
    if whole:
        assert all(point.mc is not None for point in drawn)


def test_a_one_second_dip_in_a_day_is_drawn() -> None:
    """One reading of 86,400 is 0.3 K lower: 1,000 points are enough to show it."""
    line = [Point(second * 1000, 21_000 if second != 43_217 else 20_700) for second in range(86_400)]
    assert Point(43_217_000, 20_700) in thinned(line, most=1_000, gap_ms=GAP_MS)


def test_a_gap_shorter_than_a_bin_breaks_the_line() -> None:
    """2,900 of 3,000 readings of one bin are missing; the rest of the day is whole."""
    line = [Point(second * 1000, 21_000 + second % 2) for second in range(86_400) if not 40_050 <= second < 42_950]
    drawn = thinned(line, most=100, gap_ms=GAP_MS)
    assert sum(point.mc is None for point in drawn) == 1


def test_too_few_points_are_refused() -> None:
    with pytest.raises(ValueError, match="7 points cannot show a line and its gaps"):
        thinned([], most=7, gap_ms=GAP_MS)


def test_a_gap_within_a_minute_breaks_a_line_of_minutes() -> None:
    """Its middle lies between the minute's lowest and highest point and keeps them apart, however few are drawn."""
    line = [Point(60_000 * minute + part, 21_000 + part % 7) for minute in range(600) for part in (15_000, 45_000)]
    drawn = thinned(broken(line, [(60_000 * 300 + 20_000, 60_000 * 300 + 38_000)]), most=40, gap_ms=10**9)
    assert sum(point.mc is None for point in drawn) == 1
