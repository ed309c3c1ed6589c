"""The lid switch: an opening counts from a bounce's first edge, a closing from its last."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from firmware.lid import SETTLE_MS, Button, LidSwitch, Moved

CLOSED, OPEN = True, False


def moves(switch: LidSwitch, edges: list[tuple[int, bool]], until_ms: int) -> list[Moved]:
    out = []
    for ms, closed in edges:
        out += switch.edge(ms, closed=closed)
    return out + switch.settle(until_ms)


def test_a_clean_closing_and_opening_keep_their_own_times() -> None:
    switch = LidSwitch(0, closed=False)
    assert moves(switch, [(1000, CLOSED), (9000, OPEN)], 10_000) == [Moved(1000, CLOSED), Moved(9000, OPEN)]


def test_a_closing_counts_from_its_bounces_last_edge_an_opening_from_its_first() -> None:
    switch = LidSwitch(0, closed=False)
    closing = [(1000, CLOSED), (1004, OPEN), (1006, CLOSED), (1011, OPEN), (1013, CLOSED)]
    opening = [(9000, OPEN), (9003, CLOSED), (9005, OPEN), (9020, CLOSED), (9021, OPEN)]
    assert moves(switch, closing + opening, 20_000) == [Moved(1013, CLOSED), Moved(9000, OPEN)]


def test_a_closing_is_settled_at_exactly_the_settling_time() -> None:
    switch = LidSwitch(0, closed=False)
    switch.edge(1000, closed=CLOSED)
    assert (switch.closing_ms, switch.settles_ms) == (1000, 1000 + SETTLE_MS)
    assert switch.settle(1000 + SETTLE_MS - 1) == []
    assert not switch.closed
    assert switch.settle(1000 + SETTLE_MS) == [Moved(1000, CLOSED)]
    assert switch.closed
    assert switch.settles_ms is None


def test_chatter_at_50_hz_for_ever_is_never_closed() -> None:
    switch = LidSwitch(0, closed=True)
    chatter = [(10 * n, n % 2 == 0) for n in range(1, 6 * 60 * 100)]  # six minutes of 50 Hz mains
    assert moves(switch, chatter, chatter[-1][0] + 10) == []
    assert not switch.closed


def test_a_missed_edge_is_caught_by_the_poll() -> None:
    switch = LidSwitch(0, closed=False)
    assert switch.poll(1000, closed=CLOSED) == []
    assert switch.settle(1050) == [Moved(1000, CLOSED)]
    assert switch.poll(2000, closed=CLOSED) == []
    assert switch.poll(3000, closed=OPEN) == [Moved(3000, OPEN)]


def test_a_poll_that_contradicts_an_unsettled_closing_ends_it() -> None:
    switch = LidSwitch(0, closed=False)
    switch.edge(990, closed=CLOSED)
    assert switch.poll(1000, closed=OPEN) == []
    assert switch.closing_ms is None
    assert switch.settle(2000) == []


def test_two_closing_edges_in_a_row_mean_that_an_opening_between_them_was_missed() -> None:
    switch = LidSwitch(0, closed=False)
    switch.edge(1000, closed=CLOSED)
    switch.edge(1030, closed=CLOSED)
    assert switch.settle(1060) == []
    assert switch.settle(1080) == [Moved(1030, CLOSED)]


def test_the_late_edge_of_a_change_that_was_polled_before_changes_nothing() -> None:
    switch = LidSwitch(0, closed=True)
    switch.settle(50)
    assert switch.poll(1000, closed=OPEN) == [Moved(1000, OPEN)]
    assert switch.edge(998, closed=OPEN) == []
    switch.edge(2000, closed=CLOSED)
    assert switch.settle(2050) == [Moved(2000, CLOSED)]
    assert switch.edge(2060, closed=CLOSED) == []
    assert switch.closed


def test_a_lid_found_closed_at_the_start_must_settle_first() -> None:
    switch = LidSwitch(7000, closed=True)
    assert not switch.closed
    assert switch.settle(7050) == [Moved(7000, CLOSED)]


@st.composite
def signals(draw: st.DrawFn) -> tuple[bool, list[tuple[int, bool]], int]:
    """A contact's level over time: at first, each edge, and the end. Pauses crowd around the settling time."""
    pause = st.sampled_from([0, 1, 5, 20, SETTLE_MS - 1, SETTLE_MS, SETTLE_MS + 1, 400, 5000])
    first = draw(st.booleans())
    ms, level, edges = 0, first, []
    for length in draw(st.lists(pause, max_size=30)):
        ms, level = ms + length, not level
        edges.append((ms, level))
    return first, edges, ms + draw(pause)


@settings(max_examples=500)
@given(signals())
def test_closed_exactly_while_the_contact_is_unbroken_for_the_settling_time(
    signal: tuple[bool, list[tuple[int, bool]], int],
) -> None:
    """Beside a second, obvious computation: every unbroken closed interval that is long enough, and no other."""
    first, edges, end_ms = signal
    expected: list[Moved] = []
    starts = [(0, first), *edges]
    for (ms, closed), (next_ms, _) in zip(starts, [*edges, (end_ms, None)], strict=True):
        if closed and next_ms - ms >= SETTLE_MS:
            expected.append(Moved(ms, CLOSED))
            expected += [Moved(next_ms, OPEN)] if (next_ms, OPEN) in edges else []
    got = moves(LidSwitch(0, closed=first), edges, end_ms)
    assert got == expected


@settings(max_examples=500)
@given(signals(), st.data())
def test_lost_edges_never_keep_the_lid_closed_past_a_poll_that_sees_it_open(
    signal: tuple[bool, list[tuple[int, bool]], int], data: st.DataObject
) -> None:
    first, edges, end_ms = signal
    switch = LidSwitch(0, closed=first)
    for ms, closed in edges:
        if data.draw(st.booleans(), label="edge arrives"):
            switch.edge(ms, closed=closed)
    level = edges[-1][1] if edges else first
    switch.poll(end_ms, closed=level)
    assert level or not switch.closed


def test_a_press_counts_once_at_its_first_edge_and_a_release_never() -> None:
    button = Button()
    edges = [(100, True), (103, False), (105, True), (2100, False), (2102, True), (2104, False), (2400, True)]
    assert [ms for ms, pressed in edges if button.edge(ms, pressed=pressed)] == [100, 2400]


def test_a_press_at_the_very_start_counts() -> None:
    assert Button().edge(0, pressed=True)
