"""What is asked of the record about alarms: those that stand, those that are over, what they rest on, how they went."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any, NamedTuple

from collector.alarms.drill import arrival
from collector.ledger import Record
from collector.record import shelf
from collector.record.book import Book
from collector.record.things import KINDS, Alarm, Drill
from dashboard.alarms_words import (
    AlarmsNow,
    Calling,
    Fact,
    alarms_now,
    facts,
    name_of,
    standing_key,
    todo_of,
    urgent_first,
)
from dashboard.ledger_pages import page_of
from dashboard.ledger_view import records_about
from dashboard.record_device import closure_row
from dashboard.record_query import Names, needed
from dashboard.recorded_words import kind_word
from dashboard.texts import N_, _
from dashboard.when import DAY_MS, SiteTime
from soak.alarms import Priority

OVER_WITHIN_MS = DAY_MS
_RAISED_WITHIN_MS = 31 * DAY_MS
"""Of those that are over only what was raised within so long is looked at: the list stays quick over the years."""
MOST_ROWS = 100
"""A flood is counted, not listed."""


class Link(NamedTuple):
    """One thing that an alarm rests on: what kind of thing, how it is called, its page or nothing."""

    term: str
    text: str
    href: str


class AlarmRow(NamedTuple):
    """An alarm with what pages show of it."""

    alarm: Alarm
    name: str
    todo: str
    where: Link | None
    evidence: list[Link]
    facts: list[Fact]


class Step(NamedTuple):
    """One step in an alarm's life, and the record that says so."""

    number: int
    at_ms: int
    who: str
    text: str


def look_now(connection: sqlite3.Connection, when: SiteTime, now_ms: int) -> AlarmsNow:
    """What every page says of the alarms that stand."""
    return alarms_now(shelf.find_all(connection, Alarm, only_open=True), calling(connection, now_ms), when, now_ms)


def calling(connection: sqlite3.Connection, now_ms: int) -> Calling:
    """How people and basins are called, looked up when first asked for."""
    found: list[Names] = []

    def names() -> Names:
        if not found:
            found.append(Names(Book.looking(connection, now_ms)))
        return found[0]

    return Calling(lambda person: names().who(person), lambda key: names().basin(key))


def lists(book: Book, when: SiteTime) -> dict[str, object]:
    """What stands, and what is over in the last day."""
    call = calling(book.connection, book.at_ms)
    standing = urgent_first(book.all(Alarm, only_open=True))
    recent = book.all(Alarm, since_ms=book.at_ms - _RAISED_WITHIN_MS, newest_first=True)
    over = [each for each in recent if each.ended_ms is not None and each.ended_ms >= book.at_ms - OVER_WITHIN_MS]
    over.sort(key=lambda each: -(each.ended_ms or 0))
    return {
        "standing": [_row(book, each, call, when) for each in standing[:MOST_ROWS]],
        "standing_left_out": max(0, len(standing) - MOST_ROWS),
        "over": [_row(book, each, call, when) for each in over[:MOST_ROWS]],
        "left_out": max(0, len(over) - MOST_ROWS),
        "key": standing_key(standing, book.at_ms),
        "drill": next(iter(book.all(Drill, newest_first=True, limit=1)), None),
        "arrival": arrival,
        "names": Names(book),
    }


def one(book: Book, alarm_id: str, when: SiteTime) -> dict[str, object]:
    """One alarm with its life.

    Raises:
        MissingError: There is none.
    """
    alarm = needed(book, Alarm, alarm_id, "/alarms")
    return {
        "row": _row(book, alarm, calling(book.connection, book.at_ms), when),
        "life": life(book, alarm, when),
        "names": Names(book),
        "key": standing_key(book.all(Alarm, only_open=True), book.at_ms),
    }


def _row(book: Book, alarm: Alarm, call: Calling, when: SiteTime) -> AlarmRow:
    where = Link(_("basin"), call.basin(alarm.basin), _basin_page(book, alarm.basin)) if alarm.basin else None
    evidence = [_evidence(book, call, term, text) for term, text in alarm.evidence.items()]
    told = told_of(book.connection, alarm.id) if alarm.told else []
    said = facts(alarm, call, when, book.at_ms, told)
    return AlarmRow(alarm, name_of(alarm.code), todo_of(alarm.code), where, evidence, said)


def _evidence(book: Book, call: Calling, term: str, text: str) -> Link:
    """Where a page shows it, it is a link; else it is said all the same."""
    kind = term.replace("_", "-")
    href, shown = "", text
    if kind == "closure":
        row = closure_row(book, text) if text.rpartition(":")[2].isdigit() else None
        href, shown = (f"/closures/{row}", _("number {number}").format(number=row)) if row else ("", text)
    elif kind == "record":
        href = f"/record/{text}" if text.isascii() and text.isdigit() else ""
    elif kind == "reading":
        shown = _("number {number}").format(number=text.rpartition(":")[2])
    elif kind == "node":
        href = "/site"
    elif kind == "basin":
        href, shown = _basin_page(book, text), call.basin(text)
    elif kind in KINDS and book.find(KINDS[kind], text) is not None:
        href = page_of(book, kind, text)
    return Link(kind_word(kind), shown, href)


def _basin_page(book: Book, key: str) -> str:
    node, _slash, name = key.partition("/")
    row = book.connection.execute("SELECT 1 FROM basin WHERE node = ? AND name = ?", (node, name)).fetchone()
    return f"/basins/{node}/{name}" if row else ""


def life(book: Book, alarm: Alarm, when: SiteTime) -> list[Step]:
    """The records of an alarm, oldest first, each with what it changed in words."""
    call = calling(book.connection, book.at_ms)
    steps = []
    for record in records_about(book.connection, f"{Alarm.KIND}/{alarm.id}"):
        content = record.content()
        patch = content.get("changes", {}).get(Alarm.KIND, {}).get(alarm.id, {})
        text = _step_words(patch, call, when, book.at_ms, str(content.get("person", "")))
        steps.append(Step(record.number, record.at_ms, record.who, text or _no_change(record)))
    return steps


def _no_change(record: Record) -> str:
    return record.reason or record.kind.replace("-", " ")


def told_of(connection: sqlite3.Connection, alarm_id: str) -> list[str]:
    """Ids of those who were told of an alarm, each once, in that order: the records of telling say whom."""
    rows = connection.execute(
        """SELECT json_extract(body, '$.person') FROM ledger
           WHERE kind = 'alarm-told' AND json_extract(body, '$.about') = ? ORDER BY number""",
        (f"{Alarm.KIND}/{alarm_id}",),
    )
    return list(dict.fromkeys(str(person) for (person,) in rows if person))


def _step_words(patch: Mapping[str, Any], call: Calling, when: SiteTime, now_ms: int, person: str) -> str:
    """What a change of an alarm says; the first record holds all of it. `person`: who was told."""

    def near(ms: Any) -> str:
        return when.near(ms, now_ms) if isinstance(ms, int) else _("not any more")

    found = []
    if "raised_ms" in patch:
        found.append(_(_RAISED.get(patch.get("priority", ""), "")))
        if patch.get("late"):
            found.append(_("late: its cause began {time}").format(time=near(patch.get("cause_ms"))))
    elif "priority" in patch:
        found.append(_(_ROSE_TO.get(patch["priority"], "")))
    if patch.get("told"):
        text = _("{person} was told") if person else _("told as far as place {number} of the list")
        found.append(text.format(person=call.person(person) if person else "", number=patch["told"]))
    if isinstance(seen := patch.get("seen"), Mapping):
        found.append(_seen_words(seen, call))
    if "silenced_until_ms" in patch:
        found.append(_("sound silenced until {time}").format(time=near(patch["silenced_until_ms"])))
    if "cleared_ms" in patch:
        text = _("its cause came back") if patch["cleared_ms"] is None else _("its cause was over {time}")
        found.append(text.format(time=near(patch["cleared_ms"])))
    if patch.get("ended_ms") is not None:
        found.append(_("no longer stood {time}").format(time=near(patch["ended_ms"])))
    if "text" in patch and "raised_ms" not in patch:
        found.append(_("its text became: {text}").format(text=patch["text"]))
    return "; ".join(found)


_RAISED = {
    Priority.HIGH: N_("raised, high"),
    Priority.MEDIUM: N_("raised, medium"),
    Priority.LOW: N_("raised, low"),
}
_ROSE_TO = {
    Priority.HIGH: N_("rose to high: nobody had acted"),
    Priority.MEDIUM: N_("rose to medium: nobody had acted"),
    Priority.LOW: N_("rose to low: nobody had acted"),
}


def _seen_words(seen: Mapping[str, Any], call: Calling) -> str:
    done = seen.get("done")
    if "by" in seen:
        text = _("seen by {person}: {done}") if done else _("seen by {person}")
        return text.format(person=call.person(str(seen["by"])), done=done)
    return (_("more was said of what was done: {done}") if done else _("more was said of what was done")).format(
        done=done
    )
