"""Control charts against published worked examples, and what must hold of any."""

from __future__ import annotations

import math
import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.statistics.charts import Counted, Individuals, Outside, Share, individuals, p_chart

HANDBOOK_INDIVIDUALS = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook 6.3.2.2: flow rates of ten batches; the printed results are published, the data reproduce
them."""

HANDBOOK_WAFERS = (
    12,
    15,
    8,
    10,
    4,
    7,
    16,
    9,
    14,
    10,
    5,
    6,
    17,
    12,
    22,
    8,
    10,
    5,
    13,
    11,
    20,
    18,
    24,
    15,
    9,
    12,
    7,
    13,
    9,
    6,
)
"""NIST/SEMATECH e-Handbook 6.3.3.2: chips out of place of 50 on each of 30 wafers. The printed mean, 0.2313, is
published (a textbook's exercise quotes it from that page). The counts and the limits were seen at second hand, in
public files that name the handbook and a textbook as their source: 0.0524, and 0.4102 in one, 0.4103 in another. From
the counts follow 0.23133, 0.05243 and 0.41024."""


def test_the_handbooks_individuals() -> None:
    chart = individuals(HANDBOOK_INDIVIDUALS)
    assert chart.mean == pytest.approx(50.81, abs=5e-5)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert chart.outside == [None] * 10


def test_the_handbooks_proportions() -> None:
    chart = p_chart([Counted(50, each) for each in HANDBOOK_WAFERS])
    assert (chart.n, chart.failed) == (1500, 347)
    assert chart.mean == pytest.approx(0.2313, abs=5e-5)
    assert {round(each.upper or 0, 4) for each in chart.points} == {0.4102}
    assert {round(each.lower or 0, 4) for each in chart.points} == {0.0524}
    above = [number for number, each in enumerate(chart.points, 1) if each.outside is Outside.ABOVE]
    assert above == [15, 23]
    assert not any(each.outside is Outside.BELOW for each in chart.points)


def test_an_empty_chart_and_one_of_a_single_value() -> None:
    assert individuals([]) == Individuals(None, None, None, None, [])
    assert individuals([7]) == Individuals(7, None, None, None, [None])
    assert p_chart([]).mean is None
    nothing = p_chart([Counted(0, 0), Counted(0, 0)])
    assert nothing.mean is None
    assert nothing.points == [Share(None, None, None, None)] * 2


def test_a_group_of_its_own_size_has_limits_of_its_own() -> None:
    """Against a sum of its own: p̄ is 6 of 120, so s is sqrt(0.05 · 0.95 / n)."""
    chart = p_chart([Counted(100, 2), Counted(20, 4), Counted(0, 0)])
    assert chart.mean == 0.05
    assert chart.points[0].upper == pytest.approx(0.05 + 3 * math.sqrt(0.0475 / 100))
    assert chart.points[1].upper == pytest.approx(0.05 + 3 * math.sqrt(0.0475 / 20))
    assert chart.points[1].share == 0.2
    assert chart.points[1].outside is Outside.ABOVE
    assert chart.points[2] == Share(None, None, None, None)


def test_a_point_below_its_limit() -> None:
    chart = p_chart([*[Counted(100, 60)] * 9, Counted(100, 10)])
    assert [each.outside for each in chart.points] == [None] * 9 + [Outside.BELOW]
    chart_of_values = individuals([*[10, 11] * 10, 1])
    assert chart_of_values.outside[-1] is Outside.BELOW


@pytest.mark.parametrize("wrong", [Counted(3, 4), Counted(3, -1)])
def test_a_group_that_cannot_be_is_refused(wrong: Counted) -> None:
    with pytest.raises(ValueError, match=f"{wrong.failed} failed of {wrong.n}: that cannot be"):
        p_chart([Counted(10, 1), wrong])


@given(st.lists(st.integers(-(10**9), 10**9), min_size=2, max_size=60))
def test_limits_lie_as_far_above_the_mean_as_below(values: list[int]) -> None:
    chart = individuals(values)
    assert chart.mean is not None
    assert chart.upper is not None
    assert chart.lower is not None
    assert chart.upper - chart.mean == pytest.approx(chart.mean - chart.lower, rel=1e-6, abs=1e-3)
    moving = sum(abs(after - before) for before, after in pairwise(values)) / (len(values) - 1)
    assert chart.upper - chart.lower == pytest.approx(2 * 3 * moving / 1.128, rel=1e-9, abs=1e-3)
    for value, where in zip(values, chart.outside, strict=True):
        assert (where is Outside.ABOVE) == (value > chart.upper + 1e-9 * max(1, abs(chart.upper), abs(chart.lower)))


@given(st.floats(-1e6, 1e6), st.integers(2, 40))
def test_values_that_never_change_lie_inside(value: float, times: int) -> None:
    assert individuals([value] * times).outside == [None] * times


counted = st.integers(0, 500).flatmap(lambda n: st.builds(Counted, st.just(n), st.integers(0, n)))


@given(st.lists(counted, max_size=40))
def test_shares_and_limits_lie_between_nothing_and_all(groups: list[Counted]) -> None:
    chart = p_chart(groups)
    assert len(chart.points) == len(groups)
    for group, point in zip(groups, chart.points, strict=True):
        if not group.n:
            assert point == Share(None, None, None, None)
            continue
        assert chart.mean is not None
        assert point.share is not None
        assert point.lower is not None
        assert point.upper is not None
        assert 0 <= point.lower <= chart.mean <= point.upper <= 1
        assert 0 <= point.share <= 1
    if len([each for each in groups if each.n]) == 1:
        assert all(each.outside is None for each in chart.points)


@given(st.integers(1, 400), st.sampled_from([0, 1]), st.integers(1, 30))
def test_where_nothing_or_everything_fails_no_point_lies_outside(n: int, share: int, groups: int) -> None:
    assert all(each.outside is None for each in p_chart([Counted(n, n * share)] * groups).points)


def test_a_larger_group_has_narrower_limits() -> None:
    sizes = random.Random(1).sample(range(5, 900), 40)
    points = p_chart([Counted(each, each // 3) for each in sorted(sizes)]).points
    widths = [(each.upper or 0) - (each.lower or 0) for each in points]
    assert all(after <= before + 1e-12 for before, after in pairwise(widths))
