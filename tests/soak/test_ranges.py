"""Ranges against Python's own sets."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soak.ranges import Ranges

spans = st.tuples(st.integers(0, 40), st.integers(0, 8)).map(lambda span: (span[0], span[0] + span[1]))


def numbers(pairs: list[tuple[int, int]]) -> set[int]:
    return {number for first, last in pairs for number in range(first, last + 1)}


@settings(max_examples=300, deadline=None)
@given(st.lists(spans, max_size=12), spans)
def test_ranges_behave_as_a_set_of_numbers(added: list[tuple[int, int]], asked: tuple[int, int]) -> None:
    ranges, expected = Ranges(added), numbers(added)
    assert numbers(list(ranges)) == expected
    assert ranges.count() == len(expected)
    assert ranges.last == max(expected, default=None)
    assert numbers(ranges.missing(*asked)) == set(range(asked[0], asked[1] + 1)) - expected
    for number in range(-1, 51):
        assert (number in ranges) == (number in expected)
        end = number
        while end + 1 in expected:
            end += 1
        assert ranges.run_end(number) == (end if number in expected else None)


@settings(max_examples=300, deadline=None)
@given(st.lists(spans, max_size=12))
def test_neighbours_are_those_of_a_set_of_numbers(added: list[tuple[int, int]]) -> None:
    ranges, expected = Ranges(added), numbers(added)
    for number in range(-2, 52):
        assert ranges.before(number) == max((each for each in expected if each < number), default=None)
        assert ranges.after(number) == min((each for each in expected if each > number), default=None)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 3), st.integers(0, 4)), max_size=15), st.lists(spans, max_size=4))
def test_what_comes_at_the_end_is_added_as_anywhere_else(
    steps: list[tuple[int, int]], later: list[tuple[int, int]]
) -> None:
    """Mostly the next number comes, or one beyond a hole; then some that fill holes, reach over ends or come again."""
    ranges, added, end = Ranges(), [], 0
    for step, length in steps:
        added.append((end + step, end + step + length))
        end = added[-1][1]
        ranges.add(*added[-1])
        assert ranges.last == end
    for span in later:
        added.append(span)
        ranges.add(*span)
    assert ranges == Ranges(sorted(added, reverse=True))
    assert numbers(list(ranges)) == numbers(added)
    assert len(ranges) == sum(number - 1 not in numbers(added) for number in numbers(added))
    assert ranges.missing(200, 210) == [(200, 210)]
    assert ranges.missing(210, 200) == []


@settings(max_examples=100)
@given(st.lists(spans, max_size=12))
def test_ranges_are_as_few_as_can_be_and_rise(added: list[tuple[int, int]]) -> None:
    """Neighbours are joined: two ranges always have at least one number missing between them."""
    ranges = list(Ranges(added))
    assert all(first <= last for first, last in ranges)
    assert all(one[1] + 1 < other[0] for one, other in pairwise(ranges))
    assert len(Ranges(added)) == len(ranges)


@given(st.lists(spans, max_size=8), st.randoms(use_true_random=False))
def test_the_order_of_adding_and_repeats_do_not_matter(added: list[tuple[int, int]], rng: object) -> None:
    shuffled = added + added
    rng.shuffle(shuffled)  # type: ignore[attr-defined]
    assert Ranges(shuffled) == Ranges(added)


@given(st.lists(spans, max_size=8), spans)
def test_missing_are_ranges_in_order_with_something_between(
    added: list[tuple[int, int]], asked: tuple[int, int]
) -> None:
    ranges = Ranges(added)
    gaps = ranges.missing(*asked)
    assert all(one[1] + 1 < other[0] for one, other in pairwise(gaps))
    for first, last in gaps:
        ranges.add(first, last)
    assert ranges.missing(*asked) == []


def test_a_range_that_ends_before_it_begins_is_refused_and_nothing_changes() -> None:
    ranges = Ranges([(1, 3)])
    with pytest.raises(ValueError, match=r"^A range must not end \(4\) before it begins \(5\)\.$"):
        ranges.add(5, 4)
    assert list(ranges) == [(1, 3)]


def test_equality_is_by_numbers_and_with_nothing_else() -> None:
    assert Ranges([(1, 2), (3, 4)]) == Ranges([(1, 4)])
    assert Ranges([(1, 2)]) != Ranges([(1, 3)])
    assert Ranges([(1, 2)]) != [(1, 2)]
    assert repr(Ranges([(3, 4), (1, 2), (9, 9)])) == "Ranges([(1, 4), (9, 9)])"
    with pytest.raises(TypeError):
        hash(Ranges())  # it changes, so it must not be a key
