"""Whose clock is wrong: what is said at once, what only when it lasts, and what goes on record how often."""

from __future__ import annotations

import itertools

from collector.clock_watch import HELD_MS, LONG_MS, OFF_MS, OWN, RECORD_EVERY_MS, ClockWatch, Heard, Judged
from collector.machine import ClockNoted

NOW_MS = 1_772_540_280_000
NODE = "room-3"
RIGHT, WRONG = {NODE: Heard(synced=True)}, {NODE: Heard(synced=False)}


def looked(watch: ClockWatch, heard: dict[str, Heard], at_ms: int) -> Judged:
    return watch.look(heard, at_ms, NOW_MS + at_ms)


def test_a_clock_that_is_right_leaves_no_trace() -> None:
    watch = ClockWatch([])
    for at_ms in range(0, 3 * RECORD_EVERY_MS, HELD_MS):
        assert looked(watch, {**RIGHT, OWN: Heard(synced=True)}, at_ms) == Judged({}, {}, [])


def test_one_that_is_wrong_goes_on_record_when_that_lasts_and_once() -> None:
    watch = ClockWatch([])
    assert looked(watch, WRONG, 5_000).records == []
    assert looked(watch, WRONG, 5_000 + HELD_MS - 1).records == []
    assert looked(watch, WRONG, 5_000 + HELD_MS).records == [ClockNoted(NODE, synced=False, since_ms=NOW_MS + 5_000)]
    assert looked(watch, WRONG, 6_000 + 2 * RECORD_EVERY_MS).records == []


def test_one_that_is_right_again_goes_on_record_too_and_one_that_flickers_once_an_hour() -> None:
    watch, records = ClockWatch([ClockNoted(OWN, synced=False, since_ms=NOW_MS)]), []
    assert looked(watch, {OWN: Heard(synced=True)}, 0).records == []
    assert looked(watch, {OWN: Heard(synced=True)}, HELD_MS).records == [ClockNoted(OWN, synced=True, since_ms=NOW_MS)]
    for at_ms in range(HELD_MS, HELD_MS + 3 * RECORD_EVERY_MS, HELD_MS // 2):
        phase = at_ms // (2 * HELD_MS) % 2 == 0  # twenty minutes right, twenty wrong
        records += [(at_ms, each.synced) for each in looked(watch, {OWN: Heard(synced=phase)}, at_ms).records]
    times = [at_ms for at_ms, _ in records]
    assert len(times) >= 2
    assert all(later - earlier >= RECORD_EVERY_MS for earlier, later in itertools.pairwise(times))
    assert [synced for _, synced in records] == [index % 2 == 1 for index in range(len(records))]


def test_long_unsynchronised_is_said_everywhere_also_over_a_restart_of_the_collector() -> None:
    watch = ClockWatch([])
    looked(watch, WRONG, 0)
    assert looked(watch, WRONG, LONG_MS - 1).unsynchronised == {}
    assert looked(watch, WRONG, LONG_MS).unsynchronised == {NODE: "node room-3, for more than 4 h"}
    assert looked(watch, {**RIGHT, OWN: Heard(synced=True)}, LONG_MS + 1).unsynchronised == {}
    again = ClockWatch([ClockNoted(OWN, synced=False, since_ms=NOW_MS - LONG_MS)])
    assert looked(again, {OWN: Heard(synced=False)}, 0).unsynchronised == {
        OWN: "the collector’s own, for more than 4 h"
    }
    looked(again, {OWN: Heard(synced=True)}, 1)
    assert looked(again, {OWN: Heard(synced=False)}, 2).unsynchronised == {}


def test_a_node_that_falls_silent_begins_anew() -> None:
    watch = ClockWatch([])
    looked(watch, WRONG, 0)
    looked(watch, {}, HELD_MS)
    assert looked(watch, WRONG, HELD_MS + 1).records == []


def test_a_clock_that_differs_is_named_when_that_lasts() -> None:
    watch, off = ClockWatch([]), {NODE: Heard(synced=True, offset_ms=-92_400)}
    assert looked(watch, off, 0).differing == {}
    assert looked(watch, off, HELD_MS).differing == {NODE: "node room-3, 1 min behind"}
    assert looked(watch, {NODE: Heard(synced=True, offset_ms=OFF_MS)}, HELD_MS + 1).differing == {}
    assert looked(watch, off, HELD_MS + 2).differing == {}
    ahead = {NODE: Heard(synced=False, offset_ms=OFF_MS + 1_001)}
    assert looked(watch, ahead, 2 * HELD_MS + 2).differing == {NODE: "node room-3, 6 s ahead"}
