"""A page's course: what half hours, gaps and lid say is what its readings say, counted here once more."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from kit import Collecting, batch, soak, state, stream_id
from msgspec.structs import replace

from collector.course import HALF_HOUR_MS, LEAST_GAP_MS, Course, course_of_readings, pack, put_together, unpack
from collector.read import Reader
from collector.rebuild import rebuild_folder
from soak.ranges import Range
from soak.reading import Lid, Reading, Why

SENSORS = ("28-000000000001", "28-000000000002")
BEGIN_MS = 1_772_540_280_000
Taken = list[tuple[int, Reading]]


@st.composite
def taken(draw: st.DrawFn) -> Taken:
    """Readings with pauses of all lengths, sensors that come, fail and go, a lid that moves."""
    at_ms, found = BEGIN_MS, []
    mc = st.dictionaries(st.sampled_from(SENSORS), st.one_of(st.none(), st.integers(19_900, 20_100)))
    steps = st.sampled_from([1, 1_000, 1_000, LEAST_GAP_MS, LEAST_GAP_MS + 1, 6_000, 900_000, HALF_HOUR_MS])
    for step_ms, each, lid in draw(st.lists(st.tuples(steps, mc, st.sampled_from(Lid)), min_size=1, max_size=60)):
        at_ms += step_ms
        found.append((at_ms, Reading(at_ms, Why.TICK, lid, each)))
    return found


def pages(readings: Taken, cuts: list[int]) -> list[Course]:
    """The courses of pages that are cut there, as they are read again."""
    ends = sorted({*cuts, len(readings)})
    parts = (readings[begin:end] for begin, end in pairwise([0, *ends]))
    return [kept(course_of_readings(part), (part[0][0], part[-1][0])) for part in parts if part]


def kept(course: Course, page_ms: Range) -> Course:
    """What is read again of a course beside a page."""
    return unpack(pack(course, page_ms), page_ms)


@settings(max_examples=200, deadline=None)
@given(taken(), st.lists(st.integers(0, 60), max_size=5), st.integers(19_900, 20_100), st.integers(0, 200))
def test_half_hours_are_what_the_readings_are(readings: Taken, cuts: list[int], least_mc: int, span_mc: int) -> None:
    """Lowest, highest, how many, and how many within any limits: however the readings were parted into pages."""
    since_ms, until_ms = readings[0][0], readings[-1][0] + 1
    whole = put_together(pages(readings, cuts), since_ms, until_ms)
    assert set(whole.sums) == {sensor for _, reading in readings for sensor in reading.mc}
    for sensor, table in whole.sums.items():
        for half_hour, each in table.items():
            values = [
                reading.mc[sensor]
                for at_ms, reading in readings
                if at_ms // HALF_HOUR_MS == half_hour and sensor in reading.mc
            ]
            known = [mc for mc in values if mc is not None]
            assert (each.known, each.missing) == (len(known), len(values) - len(known))
            if known:
                assert (each.lowest_mc, each.highest_mc) == (min(known), max(known))
            most_mc = least_mc + span_mc
            assert each.between(least_mc, most_mc) == sum(least_mc <= mc <= most_mc for mc in known)
            assert each.between(least_mc, None) == sum(least_mc <= mc for mc in known)
        assert sum(each.known + each.missing for each in table.values()) == sum(
            sensor in reading.mc for _, reading in readings
        )


@settings(max_examples=200, deadline=None)
@given(taken(), st.integers(-HALF_HOUR_MS, 3 * HALF_HOUR_MS))
def test_what_is_kept_is_the_course(readings: Taken, later_ms: int) -> None:
    """All of it, also of a clock that went back within the page, so that its earliest reading is not the first."""
    course = course_of_readings([*readings[1:], (readings[0][0] + later_ms, readings[0][1])])
    times_ms = [*(at_ms for at_ms, _ in readings[1:]), readings[0][0] + later_ms]
    assert kept(course, (min(times_ms), max(times_ms))) == replace(course, begin_ms=min(times_ms))


@settings(max_examples=200, deadline=None)
@given(taken(), st.lists(st.integers(0, 60), max_size=5))
def test_gaps_are_the_times_between_values(readings: Taken, cuts: list[int]) -> None:
    """Also across the pages, and a single value between two gaps keeps them apart."""
    since_ms, until_ms = readings[0][0], readings[-1][0] + 1
    begin_ms, end_ms = since_ms - since_ms % HALF_HOUR_MS, until_ms + -until_ms % HALF_HOUR_MS
    whole = put_together(pages(readings, cuts), since_ms, until_ms)
    for sensor in whole.sums:
        known = [at_ms for at_ms, reading in readings if reading.mc.get(sensor) is not None]
        expected = [
            (earlier, later)
            for earlier, later in pairwise([begin_ms, *known, end_ms])
            if later - earlier > LEAST_GAP_MS
        ]
        assert [gap for gap in whole.gaps[sensor] if gap[1] - gap[0] > LEAST_GAP_MS] == expected


def test_a_reader_puts_pages_and_what_none_holds_yet_together(tmp_path: Path) -> None:
    """A soak on its page, the next one still in rows: the course is that of all readings; a rebuild makes it again."""
    readings, later = soak(720_000), soak(120_000, start_ms=801_000)
    collecting = Collecting(tmp_path)
    collecting.take(batch(readings), state((stream_id(1), 724, 723), ms=722_000))
    collecting.take(batch(later[:60], len(readings) + 1))
    collecting.close()
    with Reader(tmp_path) as reader:
        [basin] = reader.basins()[:1]
        taken = list(reader.readings(basin.id, 0, 2**50))
        since_ms, until_ms = taken[0][0], taken[-1][0] + 1
        found = reader.course(basin.id, since_ms, until_ms)
        pages_there = reader.connection.execute("SELECT count(*) FROM page").fetchone()[0]
    assert pages_there >= 1
    assert len(taken) == len(readings) + 60
    expected = put_together([course_of_readings(taken)], since_ms, until_ms)
    for sensor, table in expected.sums.items():
        assert {
            half_hour: (each.lowest_mc, each.highest_mc, each.known) for half_hour, each in found.sums[sensor].items()
        } == {half_hour: (each.lowest_mc, each.highest_mc, each.known) for half_hour, each in table.items()}
    assert found.gaps == expected.gaps
    assert found.lid_open == expected.lid_open
    assert rebuild_folder(tmp_path, keep=False).differing == []
