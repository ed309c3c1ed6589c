"""The readings of one basin leave with strictly rising times and the right lid."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from firmware.sampler import STALE, STARTING, Newest, News, Sampler, current
from soak.reading import Fault, Lid, Reading, Why

A, B = "28-00000000000a", "28-00000000000b"
NEWS: News = {A: Newest(21_312, 0)}


def news(mc: int = 21_312, ended_ms: int = 10**9) -> News:
    return {A: Newest(mc, ended_ms)}


def sampler(*, closed: bool = False, ms: int = 0) -> Sampler:
    return Sampler([A], ms, closed=closed, news=news())


def told(readings: list[Reading]) -> list[tuple[int, str, str]]:
    return [(reading.ms, reading.why.value, reading.lid.value) for reading in readings]


def test_ticks_and_a_clean_soak() -> None:
    one = sampler()
    out = one.start()
    out += one.tick(1000, closed=False, news=news())
    out += one.lid_edge(1400, closed=True, news=news())
    out += one.settle(1450)
    out += one.tick(2000, closed=True, news=news())
    out += one.lid_edge(2700, closed=False, news=news())
    out += one.tick(3000, closed=False, news=news())
    assert told(out) == [
        (0, "start", "open"),
        (1000, "tick", "open"),
        (1400, "lid", "closed"),
        (2000, "tick", "closed"),
        (2700, "lid", "open"),
        (3000, "tick", "open"),
    ]


def test_a_tick_waits_for_a_closing_to_settle_and_leaves_after_it() -> None:
    one = sampler()
    one.start()
    assert one.lid_edge(980, closed=True, news=news(20_000)) == []
    assert one.settles_ms == 1030
    assert one.tick(1000, closed=True, news=news(20_500)) == []
    out = one.settle(1030)
    assert told(out) == [(980, "lid", "closed"), (1000, "tick", "closed")]
    assert [reading.mc[A] for reading in out] == [20_000, 20_500]  # each with the temperatures of its own moment


def test_a_closing_that_bounces_open_again_releases_the_tick_as_open() -> None:
    one = sampler()
    one.start()
    one.lid_edge(980, closed=True, news=news())
    one.tick(1000, closed=True, news=news())
    assert told(one.lid_edge(1010, closed=False, news=news())) == [(1000, "tick", "open")]
    one.lid_edge(1012, closed=True, news=news())
    assert told(one.settle(1062)) == [(1012, "lid", "closed")]


def test_a_lid_found_closed_is_said_by_the_first_reading_alone() -> None:
    """A `lid` reading would claim a movement that nobody saw."""
    one = sampler(closed=True, ms=500)
    assert one.start() == []
    assert told(one.settle(550)) == [(500, "start", "closed")]
    assert told(one.tick(1500, closed=True, news=news())) == [(1500, "tick", "closed")]


def test_a_lid_that_chatters_at_the_start_is_open() -> None:
    one = sampler(closed=True)
    one.start()
    assert told(one.lid_edge(10, closed=False, news=news())) == [(0, "start", "open")]


def test_an_edge_missed_by_the_hardware_is_found_by_the_poll() -> None:
    one = sampler()
    one.start()
    assert one.tick(1000, closed=True, news=news()) == []
    assert told(one.tick(2000, closed=True, news=news())) == [(1000, "lid", "closed"), (2000, "tick", "closed")]
    assert told(one.tick(3000, closed=False, news=news())) == [(3000, "lid", "open")]


def test_an_opening_that_reaches_us_after_a_later_tick_keeps_the_order() -> None:
    one = sampler(closed=True)
    one.start()
    one.tick(1000, closed=True, news=news())
    assert told(one.lid_edge(998, closed=False, news=news())) == [(1001, "lid", "open")]


def test_button_and_clock_step_are_readings_of_their_own() -> None:
    one = sampler()
    out = one.start()
    out += one.button_edge(400, pressed=True, news=news())
    out += one.button_edge(402, pressed=False, news=news())
    out += one.tick(1000, closed=False, news=news(), why=Why.CLOCK)
    assert told(out) == [(0, "start", "open"), (400, "button", "open"), (1000, "clock", "open")]


def test_a_clock_step_at_the_moment_of_a_movement_is_not_lost() -> None:
    one = sampler(closed=True)
    one.start()
    out = one.tick(1000, closed=False, news=news(), why=Why.CLOCK)
    assert told(out) == [(0, "start", "closed"), (1000, "lid", "open"), (1001, "clock", "open")]


def test_what_still_waits_at_the_end_leaves_as_open() -> None:
    one = sampler()
    one.start()
    one.lid_edge(990, closed=True, news=news())
    one.tick(1000, closed=True, news=news())
    assert told(one.end()) == [(1000, "tick", "open")]
    assert one.end() == []


def test_a_value_stands_until_exactly_two_seconds_after_its_conversion() -> None:
    newest = {A: Newest(21_000, 5_000)}
    assert current(newest, A, 7_000) == 21_000
    assert current(newest, A, 7_001) == STALE
    assert current(newest, B, 7_000) == STARTING


def test_a_reading_carries_each_sensors_value_or_fault() -> None:
    crc = Fault("crc", "4b017f")
    one = Sampler([A, B], 0, closed=False, news={})
    start = one.start()[0]
    assert (start.mc, start.fault) == ({A: None, B: None}, {A: STARTING, B: STARTING})
    tick = one.tick(1000, closed=False, news={A: Newest(-62, 900), B: Newest(crc, 950)})[0]
    assert (tick.mc, tick.fault) == ({A: -62, B: None}, {B: crc})
    late = one.tick(3000, closed=False, news={A: Newest(-62, 900), B: Newest(crc, 950)})[0]
    assert (late.mc, late.fault) == ({A: None, B: None}, {A: STALE, B: STALE})


KINDS = st.sampled_from(["edge", "lost edge", "tick", "button", "settle"])


def played(closed: bool, steps: list[tuple[int, str]]) -> tuple[list[Reading], dict[int, bool], list[tuple[int, str]]]:
    """Readings, the contact's true level from each moment on, and when which step happened."""
    one = sampler(closed=closed)
    out, ms, level = one.start(), 0, closed
    levels, happened = {0: closed}, []
    for pause, kind in steps:
        ms += pause
        happened.append((ms, kind))
        if kind in ("edge", "lost edge"):
            levels[ms] = level = not level
        if kind == "edge":
            out += one.lid_edge(ms, closed=level, news=news())
        elif kind == "tick":
            out += one.tick(ms, closed=level, news=news())
        elif kind == "button":
            out += one.button_edge(ms, pressed=True, news=news())
        elif kind == "settle":
            out += one.settle(ms)
    return out + one.end(), levels, happened


@settings(max_examples=500)
@given(st.booleans(), st.lists(st.tuples(st.sampled_from([0, 1, 49, 50, 400]), KINDS), max_size=60))
def test_whatever_coincides_times_rise_and_the_first_reading_is_the_start(
    closed: bool, steps: list[tuple[int, str]]
) -> None:
    out, _, _ = played(closed, steps)
    times = [reading.ms for reading in out]
    assert times == sorted(set(times))
    assert [reading.why for reading in out].index(Why.START) == 0


@settings(max_examples=500)
@given(st.booleans(), st.lists(st.tuples(st.sampled_from([2, 10, 49, 50, 51, 400, 1000]), KINDS), max_size=60))
def test_no_reading_says_closed_while_the_contact_was_open_and_no_tick_is_missing(
    closed: bool, steps: list[tuple[int, str]]
) -> None:
    """With a lost edge only a poll can tell, so only ticks, which poll, are held to it then."""
    out, levels, happened = played(closed, steps)
    lost = any(kind == "lost edge" for _, kind in happened)
    for reading in out:
        truly_closed = levels[max(ms for ms in levels if ms <= reading.ms)]
        if not lost or reading.why is Why.TICK:
            assert truly_closed or reading.lid is Lid.OPEN, reading
    polled = {ms for ms, kind in happened if kind == "tick"}
    assert polled <= {reading.ms for reading in out}
