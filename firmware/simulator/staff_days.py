"""One day of the invented staff: what they do in the morning, around each load, and in the evening. Pure.

What they saw is handed in: the verdicts that the screen showed, and the look-backs that were open.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

import msgspec

from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_checks import drifted
from firmware.simulator.staff_lookbacks import OpenLookBack, looked_back, sensor_looked_back
from firmware.simulator.staff_plan import Item, Occasion, Ward
from firmware.simulator.staff_rounds import Fates, begin, finish, take_out
from firmware.simulator.staff_setup import label_in_hand
from firmware.simulator.staff_stock import LEAD, OTHER_LEAD, PROFILE_OF, SHIFTS, SOLUTIONS
from firmware.simulator.staff_supply import discard, mec_test, needs_pour, pour, reader, strips_ready, top_up

_SECOND_MS = 1_000
_MINUTE_MS = 60 * _SECOND_MS
_HOUR_MS = 60 * _MINUTE_MS
_SUNDAY = 3  # days since 1970-01-01, a Thursday, modulo 7
_MORNING_MS = 7 * _HOUR_MS
SHUT_MS = 18 * _HOUR_MS + 30 * _MINUTE_MS
REVIEW_MS = SHUT_MS + 20 * _MINUTE_MS
"""When the staff go through the day, and when they sign its log, in local time of day."""

_FAIL_RATE = 0.008
_TOP_UP_RATE = 0.12
_NO_REVIEW_RATE = 0.12
_HANDOVER_RATE = 0.6
_CLEAR_MS = 12 * _MINUTE_MS
"""A new fill is poured and tested between two loads only if they are so far apart."""

CORRECTED = "peroxide-paa"
CORRECTED_MIN_MC = 20_200

NOTES = (
    "Warm bath was slow this morning, thermostat is to be looked at.",
    "Strips for the large basin: one bottle left, ordered.",
    "Lid of Scopes 1 sits tight now, hinge was greased.",
    "Two colonoscopes expected back from the ward before eight.",
    "Please read strips with somebody who was screened.",
    "Quarantined devices are on the red shelf, labels are on them.",
)


class Special(msgspec.Struct, frozen=True):
    """What happens once in the past days, each on its own day, counted from the first.

    Attributes:
        corrected: A profile is corrected.
        sensor_off: A look-back is opened for a sensor that was found to read wrong.
        out_of_date: A fill is used past its date, with a supervisor's override.
        unreleased: A device is used without a release.
        downtime: A power failure is typed in from paper.
        strips_failed: Controls of a strip bottle fail.
        drifted: A sensor is checked again and has drifted.
    """

    corrected: int = 15
    sensor_off: int = 26
    out_of_date: int = 14
    unreleased: int = 17
    downtime: int = 9
    strips_failed: int = 4
    drifted: int = 26


class Seen(msgspec.Struct, frozen=True):
    """What the staff see of a day on the screen.

    Attributes:
        met: Whether the closure of an occasion met the requirement.
        look_backs: Those that are open in the morning.
        quarantined: Devices in quarantine, as the record has it; None: as the staff remember it.
        released: Devices that are released and not used; None: as the staff remember it.
    """

    met: Callable[[Occasion], bool]
    look_backs: Sequence[OpenLookBack] = ()
    quarantined: frozenset[str] | None = None
    released: frozenset[str] | None = None


class Day(msgspec.Struct, frozen=True):
    """One day.

    Attributes:
        number: Counted from the first, 0.
        local_day: Days since 1970-01-01, local.
        midnight_ms: Its beginning, local, milliseconds since 1970.
        from_ms: Nothing is declared before this.
        until_ms: Nor after this.
        occasions: The loads of all basins, in order of time.
        empty: Keys of closures in which nothing was, as they are answered together.
        later: Keys of closures that had not ended when the day's log was signed.
    """

    number: int
    local_day: int
    midnight_ms: int
    from_ms: int
    until_ms: int
    occasions: tuple[Occasion, ...]
    empty: tuple[tuple[str, ...], ...] = ()
    later: frozenset[str] = frozenset()


def working(local_day: int) -> bool:
    """The clinic stays shut on Sundays."""
    return local_day % 7 != _SUNDAY


def day_items(ward: Ward, day: Day, seen: Seen, fates: Fates, special: Special) -> list[Item]:
    """All that is declared on one day, in order of time; without the signed review, which follows from it.

    What the last loads still need may lie behind the day's end.
    """
    items: list[Item] = []
    if seen.quarantined is not None:
        put_aside(ward, seen.quarantined)
    if seen.released is not None:
        for device, tool in ward.devices.items():
            tool.released = device in seen.released
    if working(day.local_day) and day.from_ms <= day.midnight_ms + _MORNING_MS < day.until_ms:
        items += _morning(ward, day, seen, special)
    lasts = {occasion.basin: occasion for occasion in day.occasions}
    unreleased = day.number >= special.unreleased and "unreleased" not in ward.named
    for place, occasion in enumerate(day.occasions):
        after = next((each for each in day.occasions[place + 1 :] if each.basin == occasion.basin), None)
        found, said = begin(ward, occasion, fates, max(day.from_ms, day.midnight_ms + _MORNING_MS))
        items += said
        room = after is None or after.lifted_ms - occasion.out_ms > _CLEAR_MS
        tested = bool(found.devices) and PROFILE_OF[occasion.basin] in ward.strips
        fails = tested and room and ward.dice(occasion.basin, occasion.closed_ms, "mec").random() < _FAIL_RATE
        stale = _stale(ward, occasion)
        met = seen.met(occasion)
        used = unreleased and met and len(found.devices) == 1 and not found.late and not fails and not stale
        if used:
            unreleased, ward.named["unreleased"] = False, 1
        items += take_out(found)
        items += finish(ward, found, met=met, kept=fails or stale, unreleased=used, fates=fates)
        if fails:
            items += _failed(ward, occasion)
        elif stale and room and found.devices:
            ward.named["stale"] = 1
            items += _renewed(ward, occasion.basin, occasion.out_ms + 4 * _MINUTE_MS, "Past its use-by date.")
    if working(day.local_day) and day.from_ms < day.midnight_ms + SHUT_MS < day.until_ms - 30 * _MINUTE_MS:
        items += _evening(ward, day, lasts, special)
    return sorted(items, key=lambda item: item.at_ms)


def put_aside(ward: Ward, quarantined: Collection[str]) -> None:
    """The record knows better than the staff which devices are in quarantine."""
    for device, tool in ward.devices.items():
        tool.held = (tool.held or "It is in quarantine.") if device in quarantined else ""


def _stale(ward: Ward, occasion: Occasion) -> bool:
    return occasion.basin in ward.fills and needs_pour(ward, occasion.basin, occasion.opened_ms)


def _morning(ward: Ward, day: Day, seen: Seen, special: Special) -> list[Item]:
    """Before the first load: what is open is concluded, fills are renewed, strips opened."""
    at_ms = day.midnight_ms + _MORNING_MS
    items: list[Item] = []
    for number, look_back in enumerate(seen.look_backs):
        items += looked_back(look_back, at_ms + number * 1_000)
    held = [device for device, tool in ward.devices.items() if tool.held and tool.free_ms < at_ms]
    for number, device in enumerate(held):
        fields: dict[str, Any] = {
            "device": device,
            "reason": "Looked at; it goes through cleaning and a soak again.",
        }
        lifted_ms = at_ms + 5 * _MINUTE_MS + number * 1_000
        items.append(Item(at_ms=lifted_ms, deed="lift-quarantine", who=LEAD, fields=fields))
        ward.devices[device].held = ""
    ahead_ms = DAY_MS * (1 if working(day.local_day + 1) else 2)
    for number, basin in enumerate(PROFILE_OF):
        pour_ms = at_ms + (8 + 2 * number) * _MINUTE_MS
        forgotten = basin == "treatment/b1" and day.number >= special.out_of_date - 1 and "stale" not in ward.named
        if needs_pour(ward, basin, day.midnight_ms + ahead_ms + _MORNING_MS) and not forgotten:
            items += _renewed(ward, basin, pour_ms, "Its reuse life ends.")
        elif ward.dice(basin, day.number, "top-up").random() < _TOP_UP_RATE:
            items += top_up(ward, basin, pour_ms, reader(basin), 500)
    for number, solution in enumerate(SOLUTIONS):
        failing = day.number >= special.strips_failed and "strips-failed" not in ward.named
        opened = strips_ready(ward, solution.profile, at_ms + (20 + number) * _MINUTE_MS, LEAD, failing=failing)
        if opened and failing:
            ward.named["strips-failed"] = 1
        items += opened
    basin = list(PROFILE_OF)[day.number % len(PROFILE_OF)]
    about_mc = 26_900 if basin == "ultrasound/b2" else 21_800
    read_mc = about_mc + ward.dice(day.number, "thermometer").randrange(-300, 300)
    fields = {"basin": basin, "read_mc": read_mc}
    items.append(Item(at_ms=at_ms + 35 * _MINUTE_MS, deed="read-thermometer", who=reader(basin), fields=fields))
    return items


def _renewed(ward: Ward, basin: str, at_ms: int, reason: str) -> list[Item]:
    """Out with the old, in with the new: nobody sees the basin empty."""
    who = reader(basin)
    return [*discard(ward, basin, at_ms, who, reason), *pour(ward, basin, at_ms + 70 * _SECOND_MS, who)]


def _failed(ward: Ward, occasion: Occasion) -> list[Item]:
    """A test after a load does not pass: the fill is out of use, and a new one is poured."""
    ward.named["failed"] = ward.named.get("failed", 0) + 1
    result = ("doubtful", "fail")[ward.named["failed"] % 2]
    tested = mec_test(ward, occasion.basin, occasion.out_ms + 20 * _SECOND_MS, reader(occasion.basin), result)
    return [*tested, *_renewed(ward, occasion.basin, occasion.out_ms + 4 * _MINUTE_MS, "Its MEC test did not pass.")]


def _evening(ward: Ward, day: Day, lasts: dict[str, Occasion], special: Special) -> list[Item]:
    at_ms = day.midnight_ms + SHUT_MS
    items = []
    if ward.dice(day.number, "handover").random() < _HANDOVER_RATE:
        who = ward.dice(day.number, "who").choice(SHIFTS["scope-room"])
        fields: dict[str, Any] = {"note": NOTES[day.number % len(NOTES)]}
        items.append(Item(at_ms=at_ms - 30 * _MINUTE_MS, deed="hand-over", who=who, fields=fields))
    if day.number == special.downtime and lasts:
        occasion = min(lasts.values(), key=lambda each: each.closed_ms)
        fields = {
            "from_ms": occasion.closed_ms - 40 * _MINUTE_MS,
            "until_ms": occasion.closed_ms - 10 * _MINUTE_MS,
            "lines": ["Treatment room: blades LB-02 and LB-05, in by paper, out by paper; strip not monitored."],
            "reason": "The tablets had no network.",
        }
        items.append(Item(at_ms=at_ms - 20 * _MINUTE_MS, deed="transcribe-downtime", who=OTHER_LEAD, fields=fields))
    if day.number == special.drifted:
        items.append(drifted(at_ms - 40 * _MINUTE_MS))
    if day.number == special.sensor_off:
        items.append(sensor_looked_back(at_ms - 5 * _MINUTE_MS))
    if day.number == special.corrected:
        corrected_ms = at_ms - 10 * _MINUTE_MS
        fields = {
            "profile": CORRECTED,
            "min_mc": CORRECTED_MIN_MC,
            "reason": "The newer label prints a higher minimum temperature.",
        }
        fields |= label_in_hand(CORRECTED, corrected_ms, "B")
        items.append(Item(at_ms=corrected_ms, deed="correct-profile", who=LEAD, fields=fields))
    for number, keys in enumerate(day.empty):
        fields = {"closures": list(keys), "answer": "empty"}
        said_ms = at_ms + number * 20 * _SECOND_MS
        items.append(
            Item(
                at_ms=said_ms,
                deed="answer-closures",
                who=LEAD,
                fields=fields,
                may=("unknown-closure", "closure-assigned"),
            )
        )
    return items


def review(ward: Ward, day: Day, open_subjects: Sequence[str], date: str) -> list[Item]:
    """The day's log, signed with an answer to everything that is open; some evenings nobody does it."""
    at_ms = day.midnight_ms + REVIEW_MS
    lived = day.from_ms < at_ms < day.until_ms
    if not working(day.local_day) or not lived or ward.dice(day.number, "review").random() < _NO_REVIEW_RATE:
        return []
    still_good = {
        f"fill:{ward.numbers.get(fill.name)}"
        for basin, fill in ward.fills.items()
        if not needs_pour(ward, basin, at_ms)
    }
    asked = [
        subject
        for subject in open_subjects
        if subject.removeprefix("closure:") not in day.later and subject not in still_good
    ]
    answers = [{"subject": subject, "answer": _answer(subject)} for subject in asked]
    who = LEAD if day.number % 3 else OTHER_LEAD
    return [Item(at_ms=at_ms, deed="sign-review", who=who, fields={"day": date, "answers": answers})]


def _answer(subject: str) -> str:
    kind = subject.partition(":")[0]
    return {
        "closure": "not known",
        "turn": "Goes through a new round tomorrow.",
        "device": "Stays on the red shelf until it was looked at.",
        "look-back": "Its devices are put aside; to be concluded tomorrow.",
    }.get(kind, "To be done tomorrow.")
