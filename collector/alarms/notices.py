"""What is sent to somebody, and what became of it on one route. Pure."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from soak.alarms import Priority

_LONGEST_TITLE, _LONGEST_BODY = 150, 1_500
_MOST_LISTED = 12
_DRILL = "drill-"


class Notice(msgspec.Struct, frozen=True):
    """One thing to tell one person.

    Attributes:
        key: What it is about: an alarm's id, or a drill's key.
        person: Label of the person in the settings.
        priority: How urgent it is.
        title: One line.
        body: What happened and what to do.
    """

    key: str
    person: str
    priority: Priority
    title: str
    body: str


class Outcome(NamedTuple):
    """What became of a notice on one route.

    Attributes:
        key: Of the notice.
        person: Of the notice.
        route: The kind of route and its line in the person's file, e.g. "mailto line 2". It holds no secret.
        ok: The route's server took it. That the person saw it is more than anybody knows here.
        detail: For people: one line, no secret.
        tries: How often it was sent.
        at_ms: When this was known, milliseconds since 1970.
        over: Nothing more follows. False: it failed for the first time and is tried again; a last word follows.
    """

    key: str
    person: str
    route: str
    ok: bool
    detail: str
    tries: int
    at_ms: int
    over: bool = True


class Message(msgspec.Struct, frozen=True):
    """What goes over a route at one time: a notice, or several joined."""

    title: str
    body: str
    priority: Priority


def drill_key(date: str) -> str:
    """Key of a day's drill ("2026-11-28")."""
    return _DRILL + date


def joined(notices: list[Notice]) -> Message:
    """One message of one or more notices, the most urgent and oldest first."""
    first = notices[0]
    if len(notices) == 1:
        return Message(_line(first.title, _LONGEST_TITLE), first.body[:_LONGEST_BODY], first.priority)
    what = "messages" if any(each.key.startswith(_DRILL) for each in notices) else "alarms"
    lines = [_line(f"{each.priority}: {each.title}: {each.body}", _LONGEST_TITLE) for each in notices[:_MOST_LISTED]]
    if len(notices) > _MOST_LISTED:
        lines.append(f"and {len(notices) - _MOST_LISTED} more: see the list of alarms.")
    title = _line(f"{len(notices)} {what}: {first.title}", _LONGEST_TITLE)
    return Message(title, "\n".join(lines), first.priority)


def _line(text: str, longest: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= longest else f"{line[: longest - 1]}…"
