"""The alarms held against the closures and loads on record: looked up with eyes of its own, not with the engine's."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

LATE_MS = 60_000
SAME_MS = 60_000
"""Openings of one load within so long are one alarm while nobody has seen it: here nobody looks."""

_NEVER = 1 << 62


class Opened(NamedTuple):
    """A closure that stands.

    Attributes:
        key: "stream:first".
        basin: "node/name".
        closing_ms: When the lid was closed, milliseconds since 1970.
        opened_ms: When it was opened, or last seen closed.
        seen: Its opening was seen.
        met: Its verdict.
        number: The record that says so.
    """

    key: str
    basin: str
    closing_ms: int
    opened_ms: int
    seen: bool
    met: bool
    number: int


class Alarms:
    """What is on record of closures, loads and alarms of lids opened early.

    Args:
        file: The collector's database.

    Attributes:
        closures: Those that stand, by key.
        raised: Alarms of a lid opened early, by what they are about.
        first: By alarm, the record that raised it.
    """

    def __init__(self, file: Path) -> None:
        with closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True, timeout=10)) as database:
            self.closures = {each.key: each for each in _closures(database)}
            things = _things(database)
            self.first: dict[str, int] = {}
            for number, body in database.execute(
                "SELECT number, body FROM ledger WHERE kind = 'alarm-raised' ORDER BY number DESC"
            ):
                self.first |= dict.fromkeys(json.loads(body)["changes"]["alarm"], number)
        self._loads, self._turns = things["load"], things["turn"]
        self.raised: defaultdict[str, list[dict[str, Any]]] = defaultdict(list)
        self.all = list(things["alarm"].values())
        for alarm in self.all:
            if alarm["code"] == "opened-early":
                self.raised[alarm["about"]].append(alarm)

    def called_for(self, closure: Opened, known: int = _NEVER) -> bool:
        """It held a load with a device not met, was seen to open before it met, and nobody had announced that.

        Args:
            closure: It.
            known: Closures that were on record by this record.
        """
        return (
            closure.seen and not closure.met and any(self._unmet(load, closure, known) for load in self._over(closure))
        )

    def missing(self) -> list[str]:
        """Closures that call for an alarm and have none, nor is there one of the same load a moment away."""
        return [
            key
            for key, each in self.closures.items()
            if self.called_for(each) and not self.raised.get(key) and not self._goes_for(each)
        ]

    def _goes_for(self, closure: Opened) -> bool:
        loads = {load["id"] for load in self._over(closure)}
        return any(
            alarm["evidence"]["load"] in loads and abs(alarm["cause_ms"] - closure.opened_ms) < SAME_MS
            for alarms in self.raised.values()
            for alarm in alarms
        )

    def _over(self, closure: Opened) -> Iterator[dict[str, Any]]:
        for load in self._loads.values():
            lay = load["began_ms"] <= closure.closing_ms < load.get("ended_ms", _NEVER)
            said = any(closure.closing_ms < each <= closure.opened_ms for each in load.get("openings_ms", ()))
            if load["basin"] == closure.basin and lay and not said:
                yield load

    def _unmet(self, load: dict[str, Any], closure: Opened, known: int) -> bool:
        for turn in (self._turns[each] for each in load["turns"]):
            lay_in = [
                each
                for each in self.closures.values()
                if each.basin == closure.basin
                and turn["in_ms"] <= each.closing_ms
                and turn.get("out_ms", _NEVER) >= each.opened_ms
            ]
            met = [each for each in lay_in if each.met and each.opened_ms <= closure.opened_ms and each.number <= known]
            if closure in lay_in and not met:
                return True
        return False


def check_alarms(file: Path) -> Iterator[str]:
    """Exactly one for every closure that calls for it, or a moment away; none else; late ones marked."""
    found = Alarms(file)
    for key in found.missing():
        yield f"{key} in {found.closures[key].basin} was opened early, and nobody was alarmed"
    for key, alarms in found.raised.items():
        names = " and ".join(alarm["id"] for alarm in alarms)
        if len(alarms) > 1:
            yield f"{key}: {names} are alarms of the same opening"
        for alarm in alarms:
            yield from _wrong_with(found, key, alarm)
    for alarm in found.all:
        if alarm["id"] not in found.first:
            yield f"{alarm['id']} ({alarm['code']} of {alarm['about']}) was raised by no record"


def _wrong_with(found: Alarms, key: str, alarm: dict[str, Any]) -> Iterator[str]:
    name, closure = alarm["id"], found.closures.get(key)
    if closure is None:
        yield f"{name}: no closure {key} stands"
        return
    # What had met before, but came later, was not known to whoever was alarmed.
    if not found.called_for(closure, found.first.get(name, _NEVER)):
        yield f"{name}: {key} in {closure.basin} called for no alarm"
    if alarm["cause_ms"] != min(closure.opened_ms, alarm["raised_ms"]):
        yield f"{name}: {key} was opened at {closure.opened_ms}, the alarm says {alarm['cause_ms']}"
    late = alarm["raised_ms"] - closure.opened_ms > LATE_MS
    if alarm.get("late", False) is not late:
        yield f"{name}: raised {alarm['raised_ms'] - closure.opened_ms} ms after the opening, and late is {not late}"


def told(file: Path) -> str:
    """How much there was, in words."""
    found = Alarms(file)
    early = [alarm for alarms in found.raised.values() for alarm in alarms]
    late = sum(alarm.get("late", False) for alarm in early)
    return f"{len(early)} lids opened early, {late} told of late; {len(found.all) - len(early)} other alarms"


def _closures(database: sqlite3.Connection) -> Iterator[Opened]:
    rows = database.execute(
        """SELECT s.stream, b.node || '/' || b.name, c.closing_utc_ms, c.last_utc_ms, c.number, l.body FROM closure c
           JOIN stream s ON s.id = c.stream_id JOIN basin b ON b.id = c.basin_id JOIN ledger l ON l.number = c.number
           WHERE c.superseded_by IS NULL"""
    )
    for stream, basin, closing_ms, last_ms, number, body in rows:
        said = json.loads(body)["closure"]
        seen = said["opening_edge"] == "seen"
        opened_ms = closing_ms + said["opening_ms"] - said["closing_ms"] if "opening_ms" in said else last_ms
        met = said["verdict"] == "met"
        yield Opened(f"{stream}:{said['first']}", basin, closing_ms, opened_ms, seen, met, number)


def _things(database: sqlite3.Connection) -> dict[str, dict[str, dict[str, Any]]]:
    found: dict[str, dict[str, dict[str, Any]]] = {"load": {}, "turn": {}, "alarm": {}}
    for kind, thing_id, body in database.execute("SELECT kind, id, body FROM thing"):
        if kind in found:
            found[kind][thing_id] = json.loads(body)
    return found
