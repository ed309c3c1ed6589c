"""The day's sheet, as far as it is pure: its hours, its line, its blocks, how it is told to pages."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pagekit import NOW_MS, WHEN

from collector.record.things import Alarm, Load
from dashboard.lanes import Frame
from dashboard.live_told import CHANGES, WHOLE, LiveBody, Told
from dashboard.today.blocks import UNASSIGNED, Closed, blocks, marks
from dashboard.today.course import ACROSS, DOWN, GAP_MS, MOST_POINTS, course
from dashboard.today.hours import FEWEST_HOURS, Hours, hours_of
from dashboard.trend import Point
from dashboard.when import DAY_MS, HOUR_MS
from soak.alarms import Priority
from soak.closure import Closure, Edge, Verdict

DAY = WHEN.day_range(WHEN.local_date(NOW_MS))
MINUTE_MS = 60_000


def clocks(hours: Hours) -> tuple[str, str]:
    return WHEN.clock(hours.since_ms), WHEN.clock(hours.until_ms)


@pytest.mark.parametrize(
    ("first", "now", "shown"),
    [
        ("07:12", "13:18", ("07:00", "15:00")),
        ("07:12", "17:40", ("07:00", "19:00")),
        (None, "13:18", ("13:00", "21:00")),
        (None, "23:30", ("16:00", "00:00")),
        ("00:10", "00:20", ("00:00", "08:00")),
    ],
)
def test_the_working_day_around_now(first: str | None, now: str, shown: tuple[str, str]) -> None:
    assert clocks(hours_of(DAY, at(first) if first else None, None, at(now))) == shown


def test_an_earlier_day_shows_what_happened_on_it() -> None:
    assert clocks(hours_of(DAY, at("06:40"), at("18:05"), None)) == ("06:00", "19:00")
    assert clocks(hours_of(DAY, None, None, None)) == ("08:00", "16:00")


def at(clock: str) -> int:
    hours, minutes = clock.split(":")
    return DAY[0] + int(hours) * HOUR_MS + int(minutes) * MINUTE_MS


@given(st.integers(0, DAY_MS), st.integers(0, DAY_MS), st.integers(0, DAY_MS), st.booleans())
def test_hours_hold_what_happened_within_the_day(first: int, last: int, now: int, today: bool) -> None:
    first, last = sorted((first, last))
    hours = hours_of(DAY, DAY[0] + first, DAY[0] + last, DAY[0] + now if today else None)
    assert DAY[0] <= hours.since_ms < hours.until_ms <= DAY[1]
    assert hours.until_ms - hours.since_ms >= FEWEST_HOURS * HOUR_MS
    assert hours.since_ms <= DAY[0] + (min(first, now) if today else first) <= hours.until_ms
    assert all(after - before == HOUR_MS for before, after in pairwise(hours.marks()))


LINE = st.lists(st.tuples(st.integers(1, 12), st.integers(15_000, 30_000)), min_size=1, max_size=900)


@given(LINE, st.none() | st.integers(18_000, 22_000))
def test_the_line_stays_in_its_drawing_and_keeps_its_dips(steps: list[tuple[int, int]], minimum_mc: int | None) -> None:
    hours, points, minute = Hours(DAY[0], DAY[1]), [], 0
    for apart, mc in steps:
        minute += apart
        points.append(Point(DAY[0] + minute * MINUTE_MS, mc))
    points = [each for each in points if each.t_ms < DAY[1]]
    drawn = course(points, minimum_mc, hours)
    places = absolute(drawn.path)
    assert all(0 <= x <= ACROSS + 1 and 0 <= y <= DOWN for x, y in places)
    assert len(places) <= 2 * MOST_POINTS
    if points:
        lowest = min(mc for _, mc in points if mc is not None)
        dip_y = DOWN - 4 - (lowest - drawn.low_mc) * (DOWN - 8) // (drawn.high_mc - drawn.low_mc)
        assert max(y for _, y in places) == dip_y
        gaps = sum(after.t_ms - before.t_ms > GAP_MS for before, after in pairwise(points))
        assert drawn.path.count("M") <= gaps + 1
        assert (drawn.path.count("M") > 1) == (gaps > 0)


def absolute(path: str) -> list[tuple[int, int]]:
    """The points of a path of M, l and h."""
    found, x, y = [], 0, 0
    for letter, numbers in re.findall(r"([Mlh])([^Mlh]*)", path):
        values = [int(each) for each in re.findall(r"-?\d+", numbers)]
        if letter == "M":
            x, y = values
        elif letter == "l":
            x, y = x + values[0], y + values[1]
        else:
            x += values[0]
        found.append((x, y))
    return found


def closed(begin: str, minutes: int, verdict: Verdict = Verdict.MET, number: int = 1) -> Closed:
    closure = Closure(
        first=1,
        last=minutes * 60,
        closing_ms=0,
        last_ms=minutes * MINUTE_MS,
        opening_ms=minutes * MINUTE_MS,
        closing_edge=Edge.SEEN,
        opening_edge=Edge.SEEN,
        verdict=verdict,
        requirement=None,
        credited_ms=0,
        not_out_ms=0,
        not_out_unlimited=False,
        allowance_mc=None,
        coldest_mc=None,
        hottest_mc=None,
        readings=1,
        known=1,
    )
    return Closed(number, 1, f"a:{number}", at(begin), at(begin) + minutes * MINUTE_MS, closure)


HOURS = Hours(at("07:00"), at("15:00"))


def test_a_block_says_its_verdict_in_word_and_sentence() -> None:
    (block,) = blocks([closed("09:00", 14)], None, HOURS, WHEN, "Basin 1")
    assert (block.kind, block.href, block.x, block.width) == ("met", "/closures/1", "25%", "2.92%")
    assert block.label.replace("\u00a0", " ") == "Basin 1, 09:00–09:14: met · 14 min"
    assert [(word.text.replace("\u00a0", " "), word.places) for word in block.words] == [("met · 14 min", "s0 s1 s2")]


def test_without_a_load_a_closure_is_quiet_where_loads_are_kept() -> None:
    """Where nobody has ever recorded a load, every closure counts by its verdict."""
    load = Load(id="L1", basin="n1/b1", fill="F1", began_ms=at("08:58"), by="t", ended_ms=at("09:20"))
    closures = [closed("09:00", 14), closed("10:00", 14, Verdict.NOT_MET, 2)]
    kinds = [each.kind for each in blocks(closures, [load], HOURS, WHEN, "B")]
    assert kinds == ["met", UNASSIGNED]
    quiet = blocks(closures, [load], HOURS, WHEN, "B")[1]
    assert quiet.words == []
    assert quiet.label.replace("\u00a0", " ") == "B, 10:00–10:14: no load, 14 min"
    assert [each.kind for each in blocks(closures, None, HOURS, WHEN, "B")] == ["met", "not met"]


def test_what_lies_outside_the_hours_is_not_drawn() -> None:
    assert blocks([closed("05:00", 14), closed("15:30", 14)], None, HOURS, WHEN, "B") == []
    (block,) = blocks([closed("06:50", 20)], None, HOURS, WHEN, "B")
    assert (block.x, block.width) == ("0%", "2.08%")


def told(told: Told, version: int) -> tuple[str, Any]:
    event, body = told.since(version)
    return event, msgspec.json.decode(body)


def state(lanes: dict[str, str], live_at: str = "13:18:00") -> LiveBody:
    """A state whose lanes carry only a headline."""
    found = [_Lane(key, headline) for key, headline in lanes.items()]
    return LiveBody("", "", Frame("Mill", "Tue", live_at, 0, "", None, found))  # type: ignore[arg-type]


class _Lane(msgspec.Struct, frozen=True):
    key: str
    headline: str


def test_a_page_hears_of_everything_once_and_then_of_what_changes() -> None:
    page = Told()
    assert page.tell(state({"a": "open", "b": "open"}))
    event, body = told(page, 0)
    assert (event, [each["key"] for each in body["frame"]["lanes"]]) == (WHOLE, ["a", "b"])
    first = page.version
    assert not page.tell(state({"a": "open", "b": "open"}))
    assert page.tell(state({"a": "open", "b": "closed"}))
    assert page.tell(state({"a": "open", "b": "closed"}, "13:18:01"))
    event, body = told(page, first)
    assert (event, body["frame"]["lanes"]) == (CHANGES, [{"key": "b", "headline": "closed"}])
    assert told(page, page.version - 1)[1]["frame"]["lanes"] == []
    assert told(page, page.version - 1)[1]["frame"]["live_at"] == "13:18:01"
    assert told(page, 0)[0] == WHOLE


@pytest.mark.parametrize("after", [{"a": "open"}, {"b": "open", "a": "open"}, {"a": "open", "b": "open", "c": "open"}])
def test_a_basin_that_comes_or_goes_is_told_with_all_others(after: dict[str, str]) -> None:
    page = Told()
    page.tell(state({"a": "open", "b": "open"}))
    known = page.version
    assert page.tell(state(after))
    event, body = told(page, known)
    assert (event, [each["key"] for each in body["frame"]["lanes"]]) == (WHOLE, list(after))


def test_after_a_problem_everything_is_told_again() -> None:
    page = Told()
    page.tell(state({"a": "open"}))
    page.tell(LiveBody("gone", "", None))
    event, body = told(page, page.version - 1)
    assert (event, body["problem"], body["frame"]) == (WHOLE, "gone", None)
    page.tell(state({"a": "open"}))
    assert told(page, page.version - 1)[0] == WHOLE


def test_alarms_close_together_are_one_mark_of_the_most_urgent() -> None:
    """On a narrow sheet more of them are than on a wide one; each width shows every alarm once."""

    def raised(number: int, priority: Priority, ago_min: int) -> Alarm:
        given = {"code": "opened-early", "about": "n1/b1", "text": "It is.", "cause_ms": NOW_MS}
        return Alarm(id=f"W{number}", priority=priority, raised_ms=NOW_MS - ago_min * 60_000, **given)

    alarms = [raised(1, Priority.MEDIUM, 60), raised(2, Priority.HIGH, 58), raised(3, Priority.LOW, 40)]
    hours = Hours(NOW_MS - 7 * HOUR_MS, NOW_MS + HOUR_MS)
    at = {
        width: [each for each in marks(alarms, hours, WHEN) if width in each.places.split()] for width in ("m0", "m2")
    }
    assert [(each.href, each.label[:8]) for each in at["m0"]] == [("/alarms/W2", "3 alarms")]
    assert [(each.href, each.priority) for each in at["m2"]] == [("/alarms/W2", "high"), ("/alarms/W3", "low")]
    assert at["m2"][0].label == "2 alarms, 12:18–12:20: lid opened early"
