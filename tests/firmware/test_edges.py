"""Edges that are not reported any more are noticed by the levels, and only those."""

from __future__ import annotations

from firmware.edges import EdgeWatch


def test_edges_that_come_are_well_whatever_order_poll_and_edge_have() -> None:
    watch = EdgeWatch()
    closed = False
    watch.polled("b1", closed=False)
    for step in range(20):
        closed = not closed
        if step % 2:
            watch.edge("b1", closed=closed)
            watch.polled("b1", closed=closed)
        else:  # the edge was still on its way when the level was read
            watch.polled("b1", closed=closed)
            watch.edge("b1", closed=closed)
    assert watch.dead() == []


def test_one_lost_edge_is_bad_luck_two_in_a_row_are_not() -> None:
    watch = EdgeWatch()
    for closed in (False, True, True):
        watch.polled("b1", closed=closed)
    assert watch.dead() == []
    watch.edge("b1", closed=False)
    for closed in (False, True, True):
        watch.polled("b1", closed=closed)
    assert watch.dead() == []
    for closed in (False, False):
        watch.polled("b1", closed=closed)
        watch.polled("b2", closed=False)
    assert watch.dead() == ["b1"]
    watch.edge("b1", closed=True)
    assert watch.dead() == []


def test_after_the_pins_were_opened_anew_it_begins_anew() -> None:
    watch = EdgeWatch()
    for closed in (False, True, False, True, True):
        watch.polled("b1", closed=closed)
    assert watch.dead() == ["b1"]
    watch.renewed()
    watch.polled("b1", closed=False)
    watch.polled("b1", closed=False)
    assert watch.dead() == []
