"""How the invented staff see alarms: after how long, by whom, and what they say they did. Pure and seeded.

Delays are invented, so that a month shows every kind: most alarms are seen within minutes, a few late, a few only by
the next shift or on the next morning.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from random import Random

import msgspec

from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_days import working
from firmware.simulator.staff_plan import Item, Ward
from firmware.simulator.staff_stock import BY_ID, LEAD, OTHER_LEAD, SHIFTS
from soak.alarms import KINDS, Priority

_SECOND_MS, _MINUTE_MS, _HOUR_MS = 1_000, 60_000, 3_600_000
_LATE_SHIFT_MS = 14 * _HOUR_MS
_EVENING_MS = 17 * _HOUR_MS
_MORNING_MS = 7 * _HOUR_MS + 5 * _MINUTE_MS
_FIRST_SHIFT_MS, _SHIFT_MS = 6 * _HOUR_MS, 8 * _HOUR_MS

_SOON = 0.72
_WITHIN_TEN = 0.92
_IN_THE_SHIFT = 0.97
_MEDIUM_SEEN = 0.75
_LOW_SEEN_LIVE = 0.4
_SILENCED_LIVE = 0.35

_DONE = {
    "opened-early": (
        "Not used. It goes through a new round.",
        "Lid was lifted too soon, for the telephone rang. New round.",
        "Told the room; what was in it is soaked again from the beginning.",
        "Read the wrong timer. Put aside for a new soak.",
        "Taken out and put aside until it is soaked again.",
    ),
    "below-minimum": (
        "Left the lid on until it was warm again; the time starts anew.",
        "Load came straight from cold rinse water. Warmed the solution.",
        "Room was cold this morning, heating turned up.",
    ),
    "guard-band": ("Too near the limit to be proven; warmed it a little.", "Waits for the room to warm up."),
    "sensor-fault": (
        "Pushed the plug in again, it reads.",
        "Cable was under the lid; laid it free.",
        "Sensor dried at its plug; reads again.",
    ),
    "readings-missing": ("Power is back, the soak is not proven.", "Switched the node on again."),
    "used-unreleased": ("Told the user and the head of department; the device is kept back.",),
    "over-immersed": ("Taken out and rinsed; the maker's instructions were asked.",),
}
_OTHERS = {"basin-button": "somebody at the basin"}
_LOOKED = ("Seen, looked at it.", "On my way.", "Dealt with.")


class Raised(msgspec.Struct, frozen=True):
    """An alarm as the pages give it; what else they say of it is left out.

    Attributes:
        id: Its number.
        code: One of `soak.alarms.KINDS`.
        priority: How urgent it is by now.
        about: What it is about.
        text: What happened.
        raised_ms: When it was raised.
        basin: "node/name"; empty where it is about none.
        seen: By whom, when, what was done; None while nobody has.
        ended_ms: It no longer stands.
    """

    id: str
    code: str
    priority: Priority
    about: str
    text: str
    raised_ms: int
    basin: str = ""
    seen: dict[str, str | int] | None = None
    ended_ms: int | None = None

    @property
    def lasting(self) -> bool:
        """It stands until somebody has seen it."""
        return self.code in KINDS and KINDS[self.code].lasting


def seen_in_the_past(ward: Ward, alarms: Iterable[Raised], until_ms: int, utc_offset_ms: int) -> list[Item]:
    """What the staff said of alarms of the past days, in order of time.

    Args:
        ward: What they know.
        alarms: Alarms on record; those that were seen or that were raised later are left out.
        until_ms: What is seen later than this is left for another time: the day is played so far.
        utc_offset_ms: Local time less UTC.
    """
    items = []
    for alarm in alarms:
        if alarm.seen is not None or alarm.raised_ms >= until_ms or alarm.priority is Priority.LOW:
            continue
        dice = ward.dice("alarm", alarm.about, alarm.code)
        must = alarm.lasting or alarm.priority is Priority.HIGH
        if not must and dice.random() >= _MEDIUM_SEEN:
            continue
        who, at_ms = _who(dice, alarm), alarm.raised_ms + _after_ms(dice)
        if at_ms < alarm.raised_ms or _shift(at_ms, utc_offset_ms) != _shift(alarm.raised_ms, utc_offset_ms):
            who, at_ms = _later(dice, alarm, utc_offset_ms)
        if at_ms < until_ms:
            items.append(_seen(dice, alarm, who, at_ms, between=True))
    return sorted(items, key=lambda item: item.at_ms)


def _after_ms(dice: Random) -> int:
    """How long it took; negative: nobody looked before the shift was over."""
    chance = dice.random()
    if chance < _SOON:
        return dice.randrange(9 * _SECOND_MS, 3 * _MINUTE_MS)
    if chance < _WITHIN_TEN:
        return dice.randrange(3 * _MINUTE_MS, 10 * _MINUTE_MS)
    if chance < _IN_THE_SHIFT:
        return dice.randrange(10 * _MINUTE_MS, 45 * _MINUTE_MS)
    return -1


def _shift(at_ms: int, utc_offset_ms: int) -> int:
    return (at_ms + utc_offset_ms - _FIRST_SHIFT_MS) // _SHIFT_MS


def _later(dice: Random, alarm: Raised, utc_offset_ms: int) -> tuple[str, int]:
    """By the late shift, or on the next morning of work."""
    day, ms_of_day = divmod(alarm.raised_ms + utc_offset_ms, DAY_MS)
    begins_ms = _LATE_SHIFT_MS
    if ms_of_day >= _LATE_SHIFT_MS - _SECOND_MS:
        day, begins_ms = next(each for each in range(day + 1, day + 9) if working(each)), _MORNING_MS
    who = LEAD if begins_ms == _MORNING_MS else OTHER_LEAD
    return who, day * DAY_MS - utc_offset_ms + begins_ms + dice.randrange(2 * _MINUTE_MS, 20 * _MINUTE_MS)


def _who(dice: Random, alarm: Raised) -> str:
    """Whoever was on in the room; a supervisor for what is about no basin."""
    node = alarm.basin.partition("/")[0]
    return dice.choice(SHIFTS[node]) if node in SHIFTS and alarm.code != "used-unreleased" else LEAD


def _seen(dice: Random, alarm: Raised, who: str, at_ms: int, *, between: bool = False) -> Item:
    fields = {"alarm": alarm.id, "done": dice.choice(_DONE.get(alarm.code, _LOOKED))}
    may = () if between else ("alarm-over", "alarm-seen")  # a visitor may have been faster
    return Item(at_ms=at_ms, deed="see-alarm", who=who, fields=fields, may=may, between=between)


class Duty:
    """Whoever is on duty now: sees alarms after a short while, and leaves the first urgent one to the visitor.

    Args:
        ward: What they know.
        from_ms: Alarms raised before this are not theirs.
        utc_offset_ms: Local time less UTC.
    """

    def __init__(self, ward: Ward, from_ms: int, utc_offset_ms: int) -> None:
        self._ward, self._from_ms, self._utc_offset_ms = ward, from_ms, utc_offset_ms
        self._known: set[str] = set()
        self._told_seen: set[str] = set()
        self._left = ""

    def look(self, alarms: Iterable[Raised], now_ms: int) -> tuple[list[str], list[Item]]:
        """What is new.

        Args:
            alarms: On record, whether they stand or not.
            now_ms: Milliseconds since 1970.

        Returns:
            Lines for whoever watches, and what will be declared of new alarms, each at its time.
        """
        lines, items = [], []
        for alarm in alarms:
            if alarm.raised_ms < self._from_ms:
                continue
            if alarm.id not in self._known:
                self._known.add(alarm.id)
                left = not self._left and alarm.priority is Priority.HIGH and alarm.lasting and alarm.ended_ms is None
                lines.append(f"{self._clock(alarm.raised_ms)}  alarm {alarm.id}, {alarm.priority}: {alarm.text}")
                if left and alarm.seen is None:
                    self._left = alarm.id
                    lines.append(f"          {alarm.id} is left for you: sign in and say that you have seen it.")
                elif alarm.seen is None and alarm.ended_ms is None:
                    items += self._planned(alarm, now_ms)
            if alarm.seen is not None and alarm.id not in self._told_seen:
                self._told_seen.add(alarm.id)
                lines.append(self._told(alarm, alarm.seen))
        return lines, items

    def _planned(self, alarm: Raised, now_ms: int) -> list[Item]:
        dice = self._ward.dice("duty", alarm.about, alarm.code, alarm.raised_ms)
        who, items = _who(dice, alarm), []
        if alarm.priority is Priority.LOW and dice.random() >= _LOW_SEEN_LIVE:
            return []
        urgent = alarm.priority is Priority.HIGH
        after_ms = dice.randrange(20 * _SECOND_MS, 60 * _SECOND_MS if urgent else 150 * _SECOND_MS)
        if alarm.priority is not Priority.LOW and dice.random() < _SILENCED_LIVE:
            silenced_ms = now_ms + dice.randrange(6 * _SECOND_MS, 15 * _SECOND_MS)
            fields = {"alarm": alarm.id}
            items.append(Item(at_ms=silenced_ms, deed="silence-alarm", who=who, fields=fields, may=("alarm-over",)))
        return [*items, _seen(dice, alarm, who, now_ms + after_ms)]

    def _told(self, alarm: Raised, seen: dict[str, str | int]) -> str:
        by = str(seen["by"])
        name = BY_ID[by].name if by in BY_ID else _OTHERS.get(by, by)
        done = f": {seen['done']}" if seen.get("done") else "."
        return f"{self._clock(int(seen['at_ms']))}  alarm {alarm.id} seen by {name}{done}"

    def _clock(self, utc_ms: int) -> str:
        return time.strftime("%H:%M:%S", time.gmtime((utc_ms + self._utc_offset_ms) / 1000))
