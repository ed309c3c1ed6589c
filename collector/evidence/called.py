"""What people, devices and basins were called when something happened, and what they are called now."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from collector.alarms.keeper import AT_THE_BASIN
from collector.ledger import COLLECTOR
from collector.machine import BasinKnown
from collector.record import shelf
from collector.record.patch import patched
from collector.record.things import KINDS, Device, DeviceType, Person, Thing
from soak.decoding import converted, from_json

_Thing = TypeVar("_Thing", bound=Thing)

_NAMED_BY: Mapping[str, tuple[str, ...]] = {
    Person.KIND: ("first-administrator", "record-person", "change-person"),
    Device.KIND: ("record-device", "change-device"),
    DeviceType.KIND: ("record-device-type", "change-device-type"),
}
"""The deeds that say what a thing is called."""

_NO_PERSON = {"": "nobody", COLLECTOR: "the collector", AT_THE_BASIN: "somebody at the basin"}
"""Who is said to have done something where the record has no person for it."""


class Called:
    """Names as they were at a moment, with what they are now where that differs.

    Args:
        connection: To the database.
        at_ms: The moment, milliseconds since 1970; what was changed after it is said to be "now".
    """

    def __init__(self, connection: sqlite3.Connection, at_ms: int) -> None:
        self._connection, self._at_ms = connection, at_ms
        self._known: dict[tuple[str, str], Thing | None] = {}

    def who(self, person_id: str) -> str:
        """A person by name; the id where nobody has it."""
        if person_id in _NO_PERSON:
            return _NO_PERSON[person_id]
        then, now = self.then(Person, person_id), self.now(Person, person_id)
        return both(then.name if then else person_id, now.name if now else person_id)

    def then(self, kind: type[_Thing], thing_id: str) -> _Thing | None:
        """A thing with the names that it had then; as it is now where its deeds do not tell."""
        key = (kind.KIND, thing_id)
        if key not in self._known:
            self._known[key] = self._then(kind, thing_id)
        thing = self._known[key]
        return thing if isinstance(thing, kind) else None

    def now(self, kind: type[_Thing], thing_id: str) -> _Thing | None:
        """A thing as it is on file now."""
        return shelf.find(self._connection, kind, thing_id)

    def basin(self, basin: str) -> tuple[str, str]:
        """Label and place of a basin ("node/name"), then and now."""
        rows = self._connection.execute(
            "SELECT at_ms, body FROM ledger WHERE kind = ? AND instr(body, ?) ORDER BY number",
            (BasinKnown.KIND, f'"{basin}"'),
        )
        said = [(at_ms, from_json(body, BasinKnown)) for at_ms, body in rows]
        if not said:
            return basin, ""
        then = [each for at_ms, each in said if at_ms <= self._at_ms] or [said[0][1]]
        now = said[-1][1]
        return both(then[-1].label, now.label), both(then[-1].place, now.place)

    def _then(self, kind: type[_Thing], thing_id: str) -> _Thing | None:
        by = _NAMED_BY[kind.KIND]
        rows = self._connection.execute(
            f"""SELECT body FROM ledger WHERE kind IN ({", ".join("?" * len(by))}) AND at_ms <= ? AND instr(body, ?)
                ORDER BY number""",  # noqa: S608 - words of our own
            (*by, self._at_ms, f'"{thing_id}"'),
        )
        content: Any = None
        for (body,) in rows:
            patch = msgspec.json.decode(body).get("changes", {}).get(kind.KIND, {}).get(thing_id)
            if patch is not None:
                content = patched(content, patch)
        if not isinstance(content, dict) or "id" not in content:
            return shelf.find(self._connection, kind, thing_id)
        thing = converted(content, KINDS[kind.KIND])
        return thing if isinstance(thing, kind) else None


def both(then: str, now: str) -> str:
    """A name then, and what it is now where that is another: "GS-01 (now: GS-1)"."""
    return then if then == now else f"{then or 'none'} (now: {now or 'none'})"
