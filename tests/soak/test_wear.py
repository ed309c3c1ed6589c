"""How long a card lasts: what must be counted before anything is said, and what the rate comes to."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from soak.wear import LEAST_COUNTED_MS, YEAR_MS, Wear, wear, wear_words, years
from soak.wire import DiskUse

TB = 10**12
DAY_MS = 86_400_000


def used(written_bytes: int, over_ms: int, rated_tb: int = 20) -> DiskUse:
    return DiskUse(written_bytes, over_ms, 0, 0, rated_tb)


def test_less_than_a_day_of_counting_says_nothing() -> None:
    assert wear(None) is None
    assert wear(used(TB, 0)) is None
    assert wear(used(TB, LEAST_COUNTED_MS - 1)) is None
    assert wear(used(TB, LEAST_COUNTED_MS)) == Wear(20 * DAY_MS, 19 * DAY_MS)


def test_what_the_sentence_says() -> None:
    assert wear_words(None) == wear_words(used(5, 0)) == "How much is written to its disk is not known."
    assert wear_words(used(5, 1)) == "How long its card lasts is not yet known: less than a day of counting."
    # 2 GB a day: 20 TB in 10,000 days, 27.4 years.
    assert wear_words(used(60 * 10**9, 30 * DAY_MS)) == (
        "At this rate a card rated at 20 TB lasts about 27 years (0.060 TB counted in 30 days)."
    )


def test_what_is_left_counts_what_was_written_and_ends_at_nothing() -> None:
    assert wear(used(15 * TB, 3 * YEAR_MS)) == Wear(4 * YEAR_MS, YEAR_MS)
    assert wear(used(21 * TB, 3 * YEAR_MS)) == Wear(20 * 3 * YEAR_MS // 21, 0)
    assert wear(used(0, 2 * DAY_MS)) == Wear(100 * YEAR_MS, 100 * YEAR_MS)
    assert wear(used(1, 2 * DAY_MS)) == Wear(100 * YEAR_MS, 100 * YEAR_MS)


def test_years_are_rounded_down() -> None:
    assert [years(part * YEAR_MS // 100) for part in (0, 9, 10, 199, 999, 1_000, 1_999)] == [
        *("0.0", "0.0", "0.1", "1.9", "9.9", "10", "19"),
    ]


@given(st.integers(0, 2**53 - 1), st.integers(0, 2**53 - 1), st.integers(1, 100_000), st.integers(1, 10**15))
def test_writing_more_never_makes_a_card_last_longer(written: int, over_ms: int, rated_tb: int, more: int) -> None:
    found, after = wear(used(written, over_ms, rated_tb)), wear(used(written + more, over_ms, rated_tb))
    if found is None or after is None:
        assert over_ms < LEAST_COUNTED_MS
        return
    assert 0 <= after.left_ms <= after.life_ms <= found.life_ms
    assert after.left_ms <= found.left_ms
