"""How the invented clinic enters itself into the record: people, rules, solutions, devices, checks of sensors. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from typing import Any

from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_checks import first_checks
from firmware.simulator.staff_label import digest
from firmware.simulator.staff_plan import Item, Tool, Ward
from firmware.simulator.staff_stock import (
    ADMINISTRATOR,
    KINDS,
    LEAD,
    OTHER_LEAD,
    PROFILE_OF,
    SOLUTIONS,
    STAFF,
    Kind,
    Solution,
    date_text,
    person_fields,
    udi,
)
from firmware.simulator.staff_supply import pour, receive, strips_ready

_SECOND_MS = 1_000
_MINUTE_MS = 60 * _SECOND_MS
SET_UP_BEFORE_MS = 120 * _MINUTE_MS
POURED_BEFORE_MS = 60 * _MINUTE_MS

PEOPLE_DEEDS = ("first-administrator", "record-person")

POLICY = {
    "sensor_check_days": 180,
    "working_days": [0, 1, 2, 3, 4, 5],
    "neutralise": True,
    "disposal_rule": "Harbour Lane house rule 7 (invented): neutralise, then to the drain with running water.",
    "reason": "First set of rules, agreed by both supervisors.",
}


def set_up(ward: Ward, start_ms: int) -> list[Item]:
    """Everything before the first day, in the two hours before `start_ms`."""
    first_ms = start_ms - SET_UP_BEFORE_MS
    ticks = (first_ms + number * 2 * _SECOND_MS for number in count())
    items = [
        *_people(ticks, first_ms),
        Item(at_ms=next(ticks), deed="set-policy", who=LEAD, fields=dict(POLICY)),
        *(item for solution in SOLUTIONS for item in _profile(solution, ticks)),
        *(item for kind in KINDS for item in _devices(ward, kind, ticks)),
        *first_checks(ticks, first_ms),
    ]
    for solution in SOLUTIONS:
        items += receive(ward, solution.profile, next(ticks), OTHER_LEAD, 4)
        next(ticks), next(ticks), next(ticks)
    poured_ms = start_ms - POURED_BEFORE_MS
    for number, basin in enumerate(PROFILE_OF):
        items += pour(ward, basin, poured_ms + number * 2 * _MINUTE_MS, OTHER_LEAD)
    for number, solution in enumerate(SOLUTIONS):
        items += strips_ready(ward, solution.profile, poured_ms + (12 + number) * _MINUTE_MS, OTHER_LEAD)
    return sorted(items, key=lambda item: item.at_ms)


def _people(ticks: Iterator[int], first_ms: int) -> Iterator[Item]:
    for somebody in STAFF:
        fields = person_fields(somebody, first_ms)
        deed = "first-administrator" if somebody.id == ADMINISTRATOR else "record-person"
        yield Item(at_ms=next(ticks), deed=deed, who=ADMINISTRATOR, fields=fields)


def _profile(solution: Solution, ticks: Iterator[int]) -> Iterator[Item]:
    draft: dict[str, Any] = {"profile": solution.profile, "chemistry": solution.chemistry}
    if solution.manual is not None:
        draft["manual"] = solution.manual
    if solution.chemistry.startswith("glutaraldehyde"):
        draft["jurisdiction"] = "US"
    yield Item(at_ms=next(ticks), deed="draft-profile", who=ADMINISTRATOR, fields=draft)
    at_ms = next(ticks)
    fields = {"profile": solution.profile} | solution.label | label_in_hand(solution.profile, at_ms, "A")
    yield Item(at_ms=at_ms, deed="confirm-profile", who=LEAD, fields=fields)
    code = {"profile": solution.profile, "gtin": solution.code}
    yield Item(at_ms=next(ticks), deed="assign-product-code", who=LEAD, fields=code)


def label_in_hand(profile: str, at_ms: int, revision: str) -> dict[str, str]:
    """The invented label that somebody compared a profile with; its picture is kept beside the data."""
    return {
        "label_revision": f"{profile.upper()}-{revision} (invented label)",
        "lot": "L100",
        "label_date": date_text(at_ms - 120 * DAY_MS),
        "picture_sha256": digest(profile, revision),
    }


def _devices(ward: Ward, kind: Kind, ticks: Iterator[int]) -> Iterator[Item]:
    fields = {
        "id": kind.id,
        "name": kind.name,
        "kind": kind.kind,
        "profiles": list(kind.profiles),
        "steps": [*kind.before, *kind.last],
        "dry_ms": kind.dry_ms,
        "hang_days": kind.hang_days,
    }
    yield Item(at_ms=next(ticks), deed="record-device-type", who=ADMINISTRATOR, fields=fields)
    for device in kind.devices():
        ward.devices[device] = Tool()
        fields = {"id": device, "type": kind.id, "udi": udi(device)}
        yield Item(at_ms=next(ticks), deed="record-device", who=ADMINISTRATOR, fields=fields)
