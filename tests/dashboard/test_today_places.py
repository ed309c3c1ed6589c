"""Words over blocks: none runs into another at the width they were placed for, nor at any greater one."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from dashboard.today.places import APART_PX, WIDTHS_PX, Placed, Side, Worded, extent, place, text_px

SHARES = st.floats(0, 1, allow_nan=False)
FORMS = st.lists(st.text(min_size=1, max_size=40), max_size=3).map(
    lambda texts: tuple(sorted(texts, key=text_px, reverse=True))
)


@st.composite
def worded(draw: st.DrawFn) -> Worded:
    left, right = sorted((draw(SHARES), draw(SHARES)))
    return Worded(left, right, draw(FORMS), draw(st.integers(0, 1)))


@given(st.lists(worded(), max_size=12), st.sampled_from(WIDTHS_PX), st.floats(0, 2_000))
def test_words_never_overlap(blocks: list[Worded], width_px: int, wider_px: float) -> None:
    placed = place(blocks, width_px)
    for shown_px in (width_px, width_px + wider_px):
        reaches = [
            extent(block, each, shown_px) for block, each in zip(blocks, placed, strict=True) if each.form is not None
        ]
        assert all(begin >= -1e-6 and end <= shown_px + 1e-6 for begin, end in reaches)
        for one, other in combinations(reaches, 2):
            assert one[1] + APART_PX <= other[0] + 1e-6 or other[1] + APART_PX <= one[0] + 1e-6


@given(worded().filter(lambda block: bool(block.forms)))
def test_a_word_that_has_room_is_there(block: Worded) -> None:
    """Alone on its sheet, a word is left out only where not even its shortest form fits."""
    (placed,) = place([block], 620)
    shortest = text_px(block.forms[-1])
    fits = block.left * 620 + shortest <= 620 or block.right * 620 - shortest >= 0
    assert (placed.form is not None) == fits


def test_the_long_word_gives_way_to_the_short_and_that_to_the_pattern() -> None:
    def at(*lefts: float) -> list[Placed]:
        forms = "not met · too cold", "not met"
        return place([Worded(left, left + 0.02, forms) for left in lefts], 1000)

    assert at(0.1, 0.6) == [Placed(0), Placed(0)]
    assert at(0.4, 0.5, 0.6) == [Placed(0, Side.END), Placed(1), Placed(0)]
    assert [each.form for each in at(0.50, 0.51, 0.52, 0.53)].count(None) == 2


def test_what_did_not_succeed_keeps_its_word() -> None:
    blocks = [Worded(0.5, 0.51, ("not met",), weight=1), Worded(0.52, 0.53, ("met",)), Worded(0.53, 0.54, ("met",))]
    assert place(blocks, 300)[0].form == 0


def test_two_that_failed_side_by_side_both_have_their_word_before_what_was_met() -> None:
    failed = [Worded(left, left + 0.02, ("not met",), weight=1) for left in (0.50, 0.53)]
    placed = place([Worded(0.40, 0.42, ("met",)), *failed], 300)
    assert [each.form for each in placed[1:]] == [0, 0]


def test_no_met_stands_over_what_failed_without_a_word() -> None:
    failed = [Worded(left, left + 0.01, ("not met",), weight=1) for left in (0.50, 0.515, 0.53, 0.545)]
    met = Worded(0.41, 0.43, ("met",))
    placed = place([met, *failed], 300)
    assert None in [each.form for each in placed[1:]]
    if placed[0].form is not None:
        begin, end = extent(met, placed[0], 300)
        bare = [block for block, each in zip(failed, placed[1:], strict=True) if each.form is None]
        assert all(end <= block.left * 300 or begin >= block.right * 300 for block in bare)
