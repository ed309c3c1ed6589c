"""One day of all basins as it is drawn: lanes on one time axis. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from collector.read import Basin
from dashboard.lanes import Lane
from dashboard.look import BasinSeen
from dashboard.texts import _, many
from dashboard.today.blocks import UNASSIGNED, Block, Mark, blocks, marks
from dashboard.today.course import Course, course
from dashboard.today.gather import Day
from dashboard.today.hours import Hours
from dashboard.today.need import Need
from dashboard.today.places import WIDTHS_PX, Worded, place
from dashboard.when import SiteTime
from soak.closure import Verdict

NEED, PLACE = "need", "place"
"""Orders of the lanes: who needs somebody first, or as the settings name the basins."""


class Running(NamedTuple):
    """The closure in progress: its edges in per cent, and how high its level stands, in pixels."""

    x: str
    width: str
    level_y: float
    level: float


class SheetLane(NamedTuple):
    """One basin's day.

    Attributes:
        lane: What is said of it now.
        blocks: Its closures.
        marks: Its alarms.
        course: Its temperature.
        running: The closure in progress; None where there is none, or the day is past.
        sum: What the day came to, in words.
    """

    lane: Lane
    blocks: list[Block]
    marks: list[Mark]
    course: Course
    running: Running | None
    sum: str


class HourMark(NamedTuple):
    """An hour on the axis: where, its time, and at which widths of the sheet that is written, as in `blocks.Word`."""

    x: str
    text: str
    places: str


BLOCK_Y, BLOCK_HIGH = 22, 36
"""Where blocks and line stand in a lane, in pixels; the words are above."""


def sheet_lane(seen: BasinSeen, lane: Lane, day: Day, hours: Hours, when: SiteTime, *, today: bool) -> SheetLane:
    """Put one basin's day together."""
    basin = seen.seen.basin
    key = f"{basin.node}/{basin.name}"
    loads = None if day.loads is None else day.loads.get(key, [])
    closures = day.closures.get(basin.id, [])
    drawn = blocks(closures, loads, hours, when, basin.label)
    return SheetLane(
        lane=lane,
        blocks=drawn,
        marks=marks(day.alarms.get(key, []), hours, when),
        course=course(day.points(basin.id, *hours), _minimum_mc(basin), hours),
        running=_running(lane, hours) if today else None,
        sum=_sum(drawn),
    )


def in_order(lanes: Sequence[SheetLane], order: str) -> list[SheetLane]:
    """Sort them."""
    if order == NEED:
        return sorted(lanes, key=lambda each: list(Need).index(each.lane.need))
    return list(lanes)


def summary(lanes: Iterable[Lane]) -> str:
    """How many need somebody: "2 of 5 basins need somebody"."""
    found = list(lanes)
    count = sum(each.need is Need.NOW for each in found)
    if not count:
        return _("No basin needs anybody now")
    return many("{n} of {all} basins needs somebody", "{n} of {all} basins need somebody", count).format(
        n=count, all=len(found)
    )


def hour_marks(hours: Hours, when: SiteTime) -> list[HourMark]:
    """The axis: rules at every hour, times where they have room."""
    moments = hours.marks()
    texts = [when.clock(ms) for ms in moments]
    worded = [Worded(hours.share(ms), hours.share(ms), (text,)) for ms, text in zip(moments, texts, strict=True)]
    placed = [place(worded, width_px) for width_px in WIDTHS_PX]
    return [
        HourMark(
            hours.percent(ms),
            texts[index],
            " ".join(f"s{width}" for width, each in enumerate(placed) if each[index].form is not None),
        )
        for index, ms in enumerate(moments)
    ]


def neighbours(day: date, today: date) -> tuple[str, str]:
    """Addresses of the day before and the day after; the latter is empty for today."""
    before = f"?day={day - timedelta(days=1)}"
    after = day + timedelta(days=1)
    return before, "" if after > today else "?" if after == today else f"?day={after}"


def _minimum_mc(basin: Basin) -> int | None:
    return basin.requirement.min_mc if basin.requirement else None


def _running(lane: Lane, hours: Hours) -> Running | None:
    if lane.since_ms is None or lane.until_ms is None or lane.until_ms <= hours.since_ms:
        return None
    left, right = hours.share(lane.since_ms), hours.share(lane.until_ms)
    level = BLOCK_HIGH * lane.level / 1000
    return Running(
        f"{left * 100:.2f}%",
        f"{max(right - left, 0.002) * 100:.2f}%",
        round(BLOCK_Y + BLOCK_HIGH - level, 1),
        round(level, 1),
    )


def _sum(drawn: Sequence[Block]) -> str:
    """What a day came to: "3 met, 1 not met, 2 without a load"."""
    counts = {kind: sum(each.kind == kind for each in drawn) for kind in (*Verdict, UNASSIGNED)}
    texts = {
        Verdict.MET: _("{n} met"),
        Verdict.NOT_MET: _("{n} not met"),
        Verdict.UNPROVEN: _("{n} unproven"),
        UNASSIGNED: _("{n} without a load"),
    }
    said = [text.format(n=counts[kind]) for kind, text in texts.items() if counts[kind]]
    return ", ".join(said) or _("Nothing was closed")
