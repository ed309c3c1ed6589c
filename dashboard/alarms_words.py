"""Alarms in words: what every page says of those that stand, and the order in which they are said. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import msgspec

from collector.record.things import Alarm
from dashboard.texts import N_, _, many
from dashboard.when import SiteTime
from soak.alarms import KINDS, Priority
from soak.quantity import in_words

MOST_LINES = 30
"""High and medium alarms that every page is told of; what is left out is in the counts."""
_UNKNOWN_TODO = N_(
    "This version does not know this kind of alarm: do what its text says, and bring the pages up to date."
)


class Calling(NamedTuple):
    """How people and basins are called: a person's name by id, a basin's label by "node/name"."""

    person: Callable[[str], str]
    basin: Callable[[str], str]


class AlarmLine(msgspec.Struct, frozen=True):
    """One standing alarm as every page shows it.

    Attributes:
        id: Its page is /alarms/id.
        name: What it is, in a few words.
        where: The basin's label, or empty.
        todo: What to do next.
        state: Since when, who has seen it, until when it is silenced.
        calm: Somebody has seen it, or it is silenced: it does not flash.
        seen: Somebody has seen it.
    """

    id: str
    priority: Priority
    name: str
    where: str
    todo: str
    state: str
    calm: bool
    seen: bool


class AlarmsNow(msgspec.Struct, frozen=True):
    """What every page says of the alarms that stand.

    Attributes:
        prefix: In front of the page's title: "[1 high, 2 medium] ", or empty.
        summary: How many stand, in words.
        others: How many high and medium ones stand besides the first: "and 2 more:", or empty.
        lines: High and medium ones, most urgent first, at most `MOST_LINES`.
        sounds: Those that sound, as "id:priority": nobody has seen them, and they are not silenced.
        key: Changes with whatever is to be said of any of them.
    """

    prefix: str
    summary: str
    others: str
    lines: list[AlarmLine]
    sounds: list[str]
    key: str


def not_known() -> AlarmsNow:
    """Before the first look."""
    return AlarmsNow("", _("Whether an alarm stands is not known yet"), "", [], [], "")


class Fact(NamedTuple):
    """One thing to be said of an alarm; `of`: what it says, whatever the language."""

    of: str
    term: str
    text: str


_PRIORITIES = {Priority.HIGH: N_("High"), Priority.MEDIUM: N_("Medium"), Priority.LOW: N_("Low")}


def priority_word(priority: str) -> str:
    """How urgent, as the word in front of an alarm says it."""
    return _(_PRIORITIES[Priority(priority)])


def name_of(code: str) -> str:
    """What a kind of alarm is, in a few words; of one that this version does not know, its code."""
    return _(KINDS[code].name) if code in KINDS else code.replace("-", " ")


def todo_of(code: str) -> str:
    """What to do next."""
    return _(KINDS[code].todo if code in KINDS else _UNKNOWN_TODO)


def urgent_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    """By priority; of one priority what nobody has seen, and then the newest, first."""
    return sorted(
        alarms, key=lambda each: (each.priority.rank, each.seen is not None, -(each.risen_ms or each.raised_ms))
    )


def alarms_now(alarms: Sequence[Alarm], calling: Calling, when: SiteTime, now_ms: int) -> AlarmsNow:
    """What every page says.

    Args:
        alarms: Those that stand.
        calling: How people and basins are called.
        when: Local time.
        now_ms: Milliseconds since 1970.
    """
    ordered = urgent_first(alarms)
    urgent = [each for each in ordered if each.priority is not Priority.LOW]
    sounding = [each for each in ordered if each.seen is None and not each.silenced(now_ms)]
    return AlarmsNow(
        prefix=_prefix(each.priority for each in urgent),
        summary=summary(alarms),
        others=_others(len(urgent) - 1),
        lines=[_line(each, calling, when, now_ms) for each in urgent[:MOST_LINES]],
        sounds=[f"{each.id}:{each.priority}" for each in sounding],
        key=standing_key(alarms, now_ms),
    )


def summary(alarms: Sequence[Alarm]) -> str:
    """How many stand: "1 high, 2 medium, 4 low alarms stand"."""
    counts = _counts(each.priority for each in alarms)
    if not counts:
        return _("No alarm stands")
    text = many("{counts} alarm stands", "{counts} alarms stand", len(alarms))
    return text.format(counts=", ".join(counts), n=len(alarms))


def _others(count: int) -> str:
    return many("and {n} more:", "and {n} more:", count).format(n=count) if count > 0 else ""


def standing_key(alarms: Iterable[Alarm], now_ms: int) -> str:
    """Changes when anything that a list of them shows does: a page that shows another key is out of date."""
    shown = sorted(((each.id, each.silenced(now_ms), each) for each in alarms), key=lambda each: each[0])
    return hashlib.sha256(msgspec.json.encode(shown)).hexdigest()[:16]


def _prefix(priorities: Iterable[Priority]) -> str:
    counts = _counts(priorities)
    return f"[{', '.join(counts)}] " if counts else ""


def _counts(priorities: Iterable[Priority]) -> list[str]:
    found = list(priorities)
    return [count_words(each, found.count(each)) for each in Priority if each in found]


_COUNTS = {Priority.HIGH: N_("{n} high"), Priority.MEDIUM: N_("{n} medium"), Priority.LOW: N_("{n} low")}


def count_words(priority: Priority, count: int) -> str:
    """How many of a priority: "2 high"."""
    return _(_COUNTS[priority]).format(n=count)


def _line(alarm: Alarm, calling: Calling, when: SiteTime, now_ms: int) -> AlarmLine:
    silenced = alarm.silenced(now_ms)
    text = _("raised late, {time}") if alarm.late else _("since {time}")
    parts = [text.format(time=when.near(alarm.raised_ms, now_ms))]
    if alarm.seen:
        parts.append(_("seen by {person}").format(person=calling.person(alarm.seen.by)))
    elif silenced:
        until = when.near(alarm.silenced_until_ms or 0, now_ms)
        parts.append(_("sound silenced until {time}").format(time=until))
    return AlarmLine(
        id=alarm.id,
        priority=alarm.priority,
        name=name_of(alarm.code),
        where=calling.basin(alarm.basin) if alarm.basin else "",
        todo=todo_of(alarm.code),
        state=", ".join(parts),
        calm=alarm.seen is not None or silenced,
        seen=alarm.seen is not None,
    )


def facts(alarm: Alarm, calling: Calling, when: SiteTime, now_ms: int, told: Sequence[str] = ()) -> list[Fact]:
    """Everything that is to be said of one alarm besides its text, in the order in which it happens.

    Args:
        alarm: Which.
        calling: How people and basins are called.
        when: Local time.
        now_ms: Milliseconds since 1970.
        told: Ids of those who were told, in that order.
    """

    def near(ms: int | None) -> str:
        return when.near(ms or 0, now_ms)

    found = [Fact("since", _("Since"), near(alarm.raised_ms))]
    if alarm.late:
        text = _(
            "Its cause began {time} and was long over when it was raised: readings came late, or the collector was "
            "away. Nobody could have been told in time."
        )
        found.append(Fact("late", _("Late"), text.format(time=near(alarm.cause_ms))))
    if alarm.risen_ms is not None:
        text = _(_ROSE[alarm.priority]).format(time=near(alarm.risen_ms))
        found.append(Fact("rose", _("Rose"), text))
    if alarm.told or told or alarm.priority is Priority.HIGH:
        found.append(Fact("told", _("Told"), _told(alarm, calling, near, told)))
    found.append(Fact("seen", _("Seen"), _seen(alarm, calling, near)))
    if alarm.silenced(now_ms) and alarm.open():
        text = _("silenced until {time}; it stands all the same").format(time=near(alarm.silenced_until_ms))
        found.append(Fact("sound", _("Sound"), text))
    if alarm.cleared_ms is not None and alarm.open():
        text = _("over since {time}; it stands until somebody has seen it").format(time=near(alarm.cleared_ms))
        found.append(Fact("cause", _("Cause"), text))
    if alarm.ended_ms is not None:
        stood = in_words(max(0, alarm.ended_ms - alarm.raised_ms))
        text = _("{time}, after {duration}").format(time=near(alarm.ended_ms), duration=stood)
        found.append(Fact("over", _("Over"), text))
    return found


_ROSE = {
    Priority.HIGH: N_("to high {time}: nobody had acted"),
    Priority.MEDIUM: N_("to medium {time}: nobody had acted"),
    Priority.LOW: N_("to low {time}: nobody had acted"),
}


def _told(alarm: Alarm, calling: Calling, near: Callable[[int | None], str], told: Sequence[str]) -> str:
    if not alarm.told and not told:
        return _("nobody of the list yet")
    people = ", ".join(calling.person(each) for each in told)
    people = people or _("the list as far as its place {number}").format(number=alarm.told)
    if alarm.told_ms is None:
        return people
    return _("{people}; the last {time}").format(people=people, time=near(alarm.told_ms))


def _seen(alarm: Alarm, calling: Calling, near: Callable[[int | None], str]) -> str:
    if alarm.seen is None:
        return _("by nobody yet") if alarm.open() else _("by nobody: it was over before")
    text = _("by {person}, {time}: {done}") if alarm.seen.done else _("by {person}, {time}")
    return text.format(person=calling.person(alarm.seen.by), time=near(alarm.seen.at_ms), done=alarm.seen.done)
