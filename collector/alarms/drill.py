"""The daily drill: when it is due, what it says, how far it came. Pure."""

from __future__ import annotations

import datetime
import enum
from collections.abc import Iterable

from msgspec.structs import replace

from collector.alarms.notices import Notice, Outcome, drill_key
from collector.record.things.drills import Drill, Reached
from collector.settings import time_of_day
from soak.alarms import Priority


def drill_id(local: datetime.datetime) -> str:
    """Of the drill of a day at the site."""
    return local.date().isoformat()


def due(drill_at: str | None, local: datetime.datetime, last: str | None) -> bool:
    """Whether a drill is to begin now: once on each day, at its time or, if nobody was there to begin it, later.

    Args:
        drill_at: As in the settings; None: there are no drills.
        local: Now, in the site's local time.
        last: Id of the last drill, if there was one: best the one of today (`drill_id`), or None; a clock that was
            once far ahead leaves a drill of a day that is still to come.
    """
    return drill_at is not None and last != drill_id(local) and local.time() >= time_of_day(drill_at)


def begun(day: str, began_ms: int, listed: Iterable[tuple[str, str]]) -> Drill:
    """A drill over all routes.

    Args:
        day: Its id.
        began_ms: When, milliseconds since 1970.
        listed: Person and route of each; see `Routes.listed`.
    """
    told: dict[str, dict[str, Reached]] = {}
    for person, route in listed:
        told.setdefault(person, {})[route] = Reached()
    return Drill(id=day, began_ms=began_ms, told=told)


def notices(drill: Drill, site: str) -> list[Notice]:
    """What is sent to everybody on the list, quiet hours or not: an alarm may come in them too."""
    body = (
        f"This is the daily test of the way an alarm takes to you. Nothing is wrong. "
        f"Say that you got it: at {site}, drill {drill.id}, 'I got it'."
    )
    return [Notice(drill_key(drill.id), person, Priority.LOW, f"Drill: {site}", body) for person in drill.told]


def with_outcome(drill: Drill, outcome: Outcome) -> Drill:
    """The drill with what became of it on one route; the same one where this says nothing new of it."""
    before = drill.told.get(outcome.person, {}).get(outcome.route)
    if outcome.key != drill_key(drill.id) or before is None or before.ok:
        return drill
    reached = Reached(ok=outcome.ok, detail=outcome.detail, at_ms=outcome.at_ms, over=outcome.over)
    told = {**drill.told, outcome.person: {**drill.told[outcome.person], outcome.route: reached}}
    return replace(drill, told=told)


class Arrival(enum.StrEnum):
    """How far a drill came with one person."""

    CONFIRMED = "arrived: confirmed"
    TAKEN = "taken by a route, not confirmed"
    WAITING = "not known yet"
    FAILED = "taken by no route"


def arrival(drill: Drill, person: str) -> Arrival:
    """How far it came with somebody on its list. That a route took it does not say that anybody saw it."""
    if person in drill.confirmed:
        return Arrival.CONFIRMED
    reached = drill.told.get(person, {}).values()
    if any(each.ok for each in reached):
        return Arrival.TAKEN
    return Arrival.WAITING if any(each.ok is None for each in reached) else Arrival.FAILED
